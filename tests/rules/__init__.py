"""Tests of the rules; scenarios in YAML are run by `scenario.py`."""
