"""Feeding pockets: which corner is next, so that each rests while the others are eaten."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

CORNERS = ("front left", "front right", "back right", "back left")


@dataclass(frozen=True)
class NextPocket:
    """Where to feed next, how long it has rested (inf: never fed), and what may still lie there (kg)."""

    pocket: str
    rested_h: float
    left_kg: float


def next_pocket(
    feedings: Sequence[tuple[str, float]],
    now_h: float,
    left_kg: Mapping[str, float] | None = None,
    pockets: Sequence[str] = CORNERS,
) -> NextPocket:
    """The pocket to feed next: least food left where that is known, else rested longest, else next in turn.

    ``feedings``: (pocket, time in h) in any order; later than ``now_h`` is left out. ``left_kg``: food still
    uneaten by pocket; missing ones count as empty. A tenth of a kilogram more or less does not decide.
    ValueError for a pocket that the bin does not have. Source: common practice, no source.
    """
    if not pockets:
        raise ValueError("pockets must name at least one pocket")
    for name in [pocket for pocket, _ in feedings] + list(left_kg or {}):
        if name not in pockets:
            raise ValueError(f"feedings and left_kg must use the pockets {', '.join(pockets)}, got {name!r}")
    past = [(at, name) for name, at in feedings if at <= now_h]
    last = {name: max((at for at, who in past if who == name), default=-math.inf) for name in pockets}
    latest = max(past)[1] if past else pockets[-1]
    turn = list(pockets).index(latest)
    left = {name: (left_kg or {}).get(name, 0.0) for name in pockets}

    def order(name: str) -> tuple[float, float, int]:
        place = (list(pockets).index(name) - turn - 1) % len(pockets)
        return round(left[name], 1), last[name], place

    chosen = min(pockets, key=order)
    return NextPocket(chosen, now_h - last[chosen], left[chosen])
