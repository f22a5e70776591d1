"""Checks of the invented farm: its physics, its scenes, its probes."""
