"""What the keeper of simulated bins does on a round, and what is written in the log."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

KINDS = ("grounds", "trimmings", "bread")


@dataclass(frozen=True)
class Event:
    """A log entry: `kind` is "fed" (kg, food), "wetted" (litres) or "turned" (share of the bin mixed)."""

    time_h: float
    kind: str
    amount: float
    food: str = ""


@dataclass(frozen=True)
class Food:
    """What a kind of feed is made of and how it rots, at 20 C."""

    water: float  # share of wet mass
    degradable: float  # share of dry mass
    decay_per_h: float
    growth_per_h: float  # of the microbes on it
    start: float  # share of their final activity at feeding


FOODS = {
    "grounds": Food(0.62, 0.40, 0.008, 0.16, 0.06),
    "trimmings": Food(0.88, 0.70, 0.016, 0.20, 0.08),
    "bread": Food(0.38, 0.75, 0.005, 0.22, 0.03),
}


@dataclass(frozen=True)
class Keeper:
    """Habits with one bin."""

    round_every_h: float
    feeds_every_h: float
    feed_kg: float
    food: str
    wets_below_pct: float
    wets_to_pct: float
    turns: float

    @staticmethod
    def drawn(rng: np.random.Generator) -> Keeper:
        return Keeper(
            round_every_h=float(rng.uniform(40.0, 100.0)),
            feeds_every_h=float(rng.uniform(110.0, 220.0)),
            feed_kg=float(rng.uniform(0.3, 1.6)),
            food=str(rng.choice(KINDS)),
            wets_below_pct=float(rng.uniform(54.0, 66.0)),
            wets_to_pct=float(rng.uniform(76.0, 83.0)),
            turns=float(rng.uniform(0.0, 0.15)),
        )
