"""A season of simulated bins: physics, keeper and probes together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from tests.bins import climate, probes
from tests.bins.keeper import FOODS, Event, Keeper
from tests.bins.physics import Bins

Floats = NDArray[np.float64]
STEP_S = 300.0


@dataclass(frozen=True)
class Series:
    """What a probe's channel reported: hours and values, shape (n,) each.

    still: for moisture, the same without noise, spikes and rounding, but with the probe's drift and temperature
    error: the true moisture as this probe sees it.
    """

    time_h: Floats
    value: Floats
    still: Floats | None = None


@dataclass(frozen=True)
class BinRun:
    """One bin's season.

    probes: (position, quantity) -> series, with quantity "temp" (C), "moist" (per cent wet basis) or "rh" (per
    cent); positions top, core, base, pocket, air. log: what the keeper did. truth_h and truth: the simulated state
    every half hour, by the names top_pct_wb, base_pct_wb, top_c, core_c, pocket_c, air_c, vpd_kpa, rh_pct, sun_w.
    """

    keeper: Keeper
    probes: dict[tuple[str, str], Series]
    log: list[Event]
    truth_h: Floats
    truth: dict[str, Floats]

    def times_of(self, kind: str) -> Floats:
        return np.array([event.time_h for event in self.log if event.kind == kind])


def simulate(seed: int, bins: int = 1, days: float = 30.0, sunny_share: float = 0.0) -> list[BinRun]:
    """Simulate `bins` different bins side by side. The same seed gives the same seasons."""
    rng = np.random.default_rng(seed)
    steps = int(days * 86400 / STEP_S)
    step_h = STEP_S / 3600.0
    room = climate.room(rng, steps, bins, step_h, sunny_share)
    state = Bins(rng, bins, room.air_c[0])
    keepers = [Keeper.drawn(rng) for _ in range(bins)]
    next_round = np.array([rng.uniform(12.0, k.round_every_h) for k in keepers])
    next_feed = np.array([rng.uniform(24.0, 24.0 + k.feeds_every_h) for k in keepers])
    logs: list[list[Event]] = [[] for _ in range(bins)]
    every = round(0.5 / step_h)
    kept: dict[str, list[Floats]] = {
        name: []
        for name in (
            "top_pct_wb",
            "base_pct_wb",
            "top_c",
            "core_c",
            "pocket_c",
            "air_c",
            "vpd_kpa",
            "rh_pct",
            "sun_w",
        )
    }
    for i in range(steps):
        hour = i * step_h
        for b in np.flatnonzero(next_round <= hour):
            _go_round(rng, state, int(b), keepers[b], hour, next_feed, logs[b], float(room.air_c[i, b]))
            next_round[b] = hour + keepers[b].round_every_h * rng.uniform(0.8, 1.2)
        state.step(STEP_S, room.air_c[i], room.vapour_kpa[i], room.sun_w[i])
        if i % every == 0:
            full = climate.saturation_kpa(room.air_c[i])
            now = (
                state.top_pct(), state.base_pct(), state.temp[:, 0].copy(), state.temp[:, 3].copy(),
                state.pocket_temp.copy(), room.air_c[i], full - room.vapour_kpa[i],
                100.0 * room.vapour_kpa[i] / full, room.sun_w[i],
            )  # fmt: skip
            for name, value in zip(kept, now, strict=True):
                kept[name].append(value)
    truth_h = np.arange(len(kept["air_c"])) * every * step_h
    stacked = {name: np.array(values) for name, values in kept.items()}
    return [
        _observed(rng, keepers[b], logs[b], truth_h, {name: v[:, b] for name, v in stacked.items()})
        for b in range(bins)
    ]


def _go_round(
    rng: np.random.Generator,
    state: Bins,
    b: int,
    keeper: Keeper,
    hour: float,
    next_feed: Floats,
    log: list[Event],
    air_c: float,
) -> None:
    looks = float(state.top_pct()[b]) + rng.normal(0.0, 1.5)
    if looks < keeper.wets_below_pct:
        goal = keeper.wets_to_pct / (100.0 - keeper.wets_to_pct)
        litres = float(max(0.1, goal * state.dry[b, 0] - state.water[b, 0])) / 0.6
        state.wet(b, litres, 13.0)
        log.append(Event(hour, "wetted", litres))
    if rng.random() < keeper.turns:
        share = float(rng.uniform(0.4, 0.9))
        state.turn(b, share)
        log.append(Event(hour, "turned", share))
    if hour >= next_feed[b]:
        kg = keeper.feed_kg * float(rng.uniform(0.6, 1.4))
        state.feed(b, kg, FOODS[keeper.food], air_c, float(rng.uniform(1.5, 3.5)))
        log.append(Event(hour, "fed", kg, keeper.food))
        next_feed[b] = hour + keeper.feeds_every_h * rng.uniform(0.8, 1.2)


def _observed(
    rng: np.random.Generator, keeper: Keeper, log: list[Event], truth_h: Floats, truth: dict[str, Floats]
) -> BinRun:
    hours = float(truth_h[-1])
    seen: dict[tuple[str, str], Series] = {}
    for position, name in (("top", "top_c"), ("core", "core_c"), ("pocket", "pocket_c"), ("air", "air_c")):
        t = probes.reading_times(rng, hours)
        seen[position, "temp"] = Series(t, probes.read_temperature(rng, t, truth_h, truth[name]))
    for position, name, warm in (("top", "top_pct_wb", "top_c"), ("base", "base_pct_wb", "core_c")):
        t = probes.reading_times(rng, hours)
        seen[position, "moist"] = Series(t, *probes.read_moisture(rng, t, truth_h, truth[name], truth[warm]))
    t = seen["air", "temp"].time_h
    seen["air", "rh"] = Series(t, probes.read_humidity(rng, t, truth_h, truth["rh_pct"]))
    return BinRun(keeper, seen, log, truth_h, truth)
