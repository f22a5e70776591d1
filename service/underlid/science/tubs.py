"""How long a tub takes to freeze through under changing weather, and to thaw."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from underlid.science.domain import within
from underlid.science.enthalpy import TABLE_C, enthalpy_table, march
from underlid.science.food import Composition, Floats
from underlid.science.geometry import Geometry as Geometry
from underlid.science.geometry import body
from underlid.science.series import above, bridged, hourly_or_given

_BOTH_Z = 1.2816 / math.sqrt(2.0)
HARD_FROZEN_C = -18.0
FROZEN_THROUGH_ICE = 0.5
"""Frozen through: half of the freezable water of the last-to-freeze part is ice (its temperature is then
twice the freezing point, -1.6 C for scraps): a solid lump, past the plateau of its own probe."""
COLD_CAUTION = (
    "Frost is no proof that insects or their eggs are dead: a few hours at \N{MINUS SIGN}5 °C do not kill them. Count "
    "only the hours with the core at or below \N{MINUS SIGN}18 °C, and museum practice asks for days of it."
)
"""Czajka & Lee 1990 (J. Exp. Biol. 148, 245-254); Conserve O Gram 3/6, 1994: -20 C for 6 to 10 days."""


@dataclass(frozen=True)
class FreezeThrough:
    """What became, or will become, of a tub. Hours count from the first time given; inf: it does not.

    ``frozen_fraction`` is the share of the freezable water that is ice, 0 to 1. ``low_h``/``high_h``
    bound ``frozen_through_h``. ``thawed_h``: when the last ice is gone after freezing through (the
    first time); ``thaw_times_h`` all such times. ``hard_frozen_h``: longest unbroken stretch with the
    core at or below -18 C, ``hard_frozen_total_h`` all such hours.
    """

    frozen_through_h: float
    low_h: float
    high_h: float
    time_h: Floats
    frozen_fraction: Floats
    core_c: Floats
    surface_c: Floats
    thawed_h: float
    thaw_times_h: tuple[float, ...]
    hard_frozen_h: float
    hard_frozen_total_h: float
    heat_out_kj_kg: Floats
    enthalpy_kj_kg: Floats
    caution: str = COLD_CAUTION


def _first_crossing(time_h: Floats, value: Floats, level: float, start: int = 0) -> float:
    """First time ``value`` reaches ``level`` from below, interpolated; inf if it never does."""
    hits = np.flatnonzero(value[start:] >= level)
    if not hits.size:
        return math.inf
    at = start + int(hits[0])
    if at == start:
        return float(time_h[at])
    step = (level - value[at - 1]) / (value[at] - value[at - 1])
    return float(time_h[at - 1] + step * (time_h[at] - time_h[at - 1]))


def stretches_below(time_h: Floats, value: Floats, level: float) -> list[tuple[float, float]]:
    """(start, end) of each stretch with ``value`` at or below ``level``, ends interpolated."""
    under = value <= level
    spans: list[tuple[float, float]] = []
    begun: float | None = float(time_h[0]) if under[0] else None
    for i in np.flatnonzero(under[1:] != under[:-1]) + 1:
        step = (level - value[i - 1]) / (value[i] - value[i - 1])
        at = float(time_h[i - 1] + step * (time_h[i] - time_h[i - 1]))
        if begun is None:
            begun = at
        else:
            spans.append((begun, at))
            begun = None
    if begun is not None:
        spans.append((begun, float(time_h[-1])))
    return spans


def freeze_through_h(
    geometry: Geometry,
    food: Composition,
    start_c: float,
    outdoor_c: ArrayLike,
    surface_w_m2k: float,
    time_h: ArrayLike | None = None,
    outdoor_sd_c: float = 1.0,
    heat_rel_sd: float = 0.25,
) -> FreezeThrough:
    """Freezing and thawing of a tub under a changing outdoor temperature.

    ``start_c``: the tub's even temperature at the first time. ``outdoor_c`` (n >= 2): hourly, or at
    ``time_h``; NaN is bridged linearly. ``surface_w_m2k``: surface heat transfer coefficient, radiation
    included (still air 5 to 10, wind 10 to 25: common practice, no source). The 80 % interval comes from two
    further marches, one with both errors against freezing and one with both for it: outdoor temperature
    off by 0.91 ``outdoor_sd_c`` (throughout) and heat transfer by 0.91 ``heat_rel_sd``; 0.91 = 1.28 / sqrt 2.
    ValueError outside -40 to 60 C. Assumes: no drip, no evaporation, no sun, freezing without supercooling.
    """
    outdoor = np.asarray(outdoor_c, dtype=np.float64)
    if outdoor.ndim != 1 or outdoor.size < 2:
        raise ValueError("outdoor_c must be a series of at least 2 values")
    time = hourly_or_given(time_h, outdoor.size)
    outdoor = bridged(time, within("outdoor_c", outdoor, *TABLE_C, "C"), "outdoor_c")
    if not math.isfinite(within("start_c", start_c, *TABLE_C, "C")):
        raise ValueError(f"start_c must be a finite number, got {start_c}")
    above(surface_w_m2k, "surface_w_m2k")
    if not outdoor_sd_c >= 0.0:
        raise ValueError(f"outdoor_sd_c must be at least 0, got {outdoor_sd_c}")
    if not 0.0 <= heat_rel_sd < 0.75:
        raise ValueError(f"heat_rel_sd must be at least 0 and below 0.75, got {heat_rel_sd}")

    radius, dimensionality, overall = body(geometry, food, surface_w_m2k)
    off_c, off = _BOTH_Z * outdoor_sd_c, _BOTH_Z * heat_rel_sd
    signs = np.array([0.0, 1.0, -1.0] if off_c or off else [0.0])  # without errors one march says it all
    ones = np.ones(signs.size)
    table = enthalpy_table(food)
    run = march(
        table,
        ones * radius,
        ones * dimensionality,
        overall * (1.0 + signs * off),
        start_c,
        time,
        np.clip(outdoor - signs[:, np.newaxis] * off_c, *TABLE_C),
    )
    clock = run.time_h - time[0]
    reached = [_first_crossing(clock, each, FROZEN_THROUGH_ICE) for each in run.warmest_frozen.T]
    thaws = _thaw_times(clock, run.warmest_frozen[:, 0], run.frozen[:, 0])
    hard = [b - a for a, b in stretches_below(clock, run.core_c[:, 0], HARD_FROZEN_C)]
    at = run.step_of_input
    return FreezeThrough(
        frozen_through_h=reached[0],
        low_h=min(reached),
        high_h=max(reached),
        time_h=time - time[0],
        frozen_fraction=run.frozen[at, 0],
        core_c=run.core_c[at, 0],
        surface_c=run.surface_c[at, 0],
        thawed_h=thaws[0] if thaws else math.inf,
        thaw_times_h=tuple(thaws),
        hard_frozen_h=max(hard, default=0.0),
        hard_frozen_total_h=sum(hard),
        heat_out_kj_kg=run.heat_out_kj_m3[at, 0] / table.density_kg_m3,
        enthalpy_kj_kg=run.enthalpy_kj_m3[at, 0] / table.density_kg_m3,
    )


def _thaw_times(clock: Floats, warmest: Floats, frozen: Floats) -> list[float]:
    """Each time the last ice goes after the body had frozen through."""
    times: list[float] = []
    solid = False
    for i in range(len(clock)):
        if warmest[i] >= FROZEN_THROUGH_ICE:
            solid = True
        elif solid and frozen[i] <= 1e-3:
            times.append(float(clock[i]))
            solid = False
    return times


def thaw_h(
    geometry: Geometry,
    food: Composition,
    start_c: float,
    room_c: float,
    surface_w_m2k: float,
    outdoor_sd_c: float = 1.0,
) -> tuple[float, float, float]:
    """Hours until the last ice of a frozen tub is gone in a room: (estimate, low, high).

    ``start_c`` at or below the freezing point of the food, ``room_c`` above it. Same model and domain
    as ``freeze_through_h``.
    """
    point = food.freezing_point_c
    if not start_c < point:
        raise ValueError(f"start_c must be below the food's freezing point {point:g} C, got {start_c}")
    if not room_c > point:
        raise ValueError(f"room_c must be above the food's freezing point {point:g} C, got {room_c}")
    horizon = 48.0
    while horizon < 20_000.0:
        n = 97
        found = []
        for sign in (0.0, 1.0, -1.0):
            room = room_c + sign * _BOTH_Z * outdoor_sd_c
            surface = surface_w_m2k * (1.0 + sign * _BOTH_Z * 0.25)
            result = freeze_through_h(
                geometry,
                food,
                start_c,
                np.full(n, max(room, point + 0.05)),
                surface,
                np.linspace(0.0, horizon, n),
                0.0,
                0.0,
            )
            gone = np.flatnonzero(result.frozen_fraction <= 1e-3)
            found.append(float(result.time_h[gone[0]]) if gone.size else math.inf)
        if all(math.isfinite(h) for h in found):
            return found[0], min(found), max(found)
        horizon *= 3.0
    return found[0], min(found), max(found)
