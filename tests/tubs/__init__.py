"""Simulated tubs of feed in real weather, with physics of their own: nothing here imports the package."""
