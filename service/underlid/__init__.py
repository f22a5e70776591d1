"""Underlid watches worm-composting bins from under the lid."""

__version__ = "0.1.0"
