"""Simulated worm bins: a layered heat and water balance, a keeper who feeds, wets and turns, and imperfect probes.

An independent witness: it shares no code with `underlid.science` and knows nothing of its models.
"""

from tests.bins.keeper import Event
from tests.bins.run import BinRun, Series, simulate

__all__ = ["BinRun", "Event", "Series", "simulate"]
