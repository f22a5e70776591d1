"""Outbox out: what alarms say, how often a target is tried, and the targets themselves."""
