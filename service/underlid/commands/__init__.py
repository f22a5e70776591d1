"""The commands of `underlid`, a module for each group, and what they do beside running the service."""
