"""A tub of feed by its probe, the air and the physics: how frozen, when it will be, how long it thaws."""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from underlid.model import FeedStore, Position, Quantity, Series
from underlid.rules.handling import HOUR_MS, entries
from underlid.rules.signals import Signal, signal, thinned
from underlid.rules.situation import Situation
from underlid.science.freezing import (
    KITCHEN_SCRAPS,
    FreezingState,
    Geometry,
    freeze_through_h,
    freezing_state,
    thaw_h,
    tub,
)
from underlid.science.outdoor import outdoor_forecast

SURFACE_W_M2K = 10.0  # a bare tub in still air, radiation included (common practice, no source)
STATE_OVER_H = 96
_NEAR_FREEZING_C = 3.0  # the model of the past is worked out when the tub was this cold, or has no probe
_WARM_C = 25.0
_LEAD_IN_H = 36
MODEL_C = (-39.0, 59.0)  # a probe in the sun may say more; the model's table ends there
_WARMS_BY_C = 0.3  # within three hours
_FIRST_ICE = 0.02  # of the freezable water
_SURFACE_REL_SD, _PROBE_SD_C = 0.25, 0.25
_SHARE = (0.2, 12.0)  # of the model's way to the freezing point; further apart they tell different stories
_Z80 = 1.2816  # of a normal distribution: 80 % lie within


@dataclass(frozen=True, slots=True)
class TubState:
    state: FreezingState
    since_ms: int
    feed: Signal
    air: Signal
    modelled: bool  # there is no good probe in the tub


@dataclass(frozen=True, slots=True)
class FreezingForecast:
    """Hours until the limit (inf: beyond the horizon): the core's, or without a probe the first ice."""

    eta_h: float
    low_h: float
    high_h: float
    through_h: float
    lowest_air_c: float


def tub_state(situation: Situation) -> TubState | None:
    """How frozen the tub is at the latest reading; None when neither probe nor air has a good one."""
    if "tub-state" not in situation.memo:
        situation.memo["tub-state"] = _tub_state(situation)
    found = situation.memo["tub-state"]
    assert found is None or isinstance(found, TubState)
    return found


def _tub_state(situation: Situation) -> TubState | None:
    feed = signal(situation, Position.FEED, Quantity.TEMPERATURE)
    air = signal(situation, Position.AIR, Quantity.TEMPERATURE)
    if not feed.good and (not air.good or feed.evidence):
        # A probe that is silent or suspect is not replaced by the model: it should be seen to.
        return None
    latest = feed.latest_ms if feed.good else air.latest_ms
    grid = np.arange(latest - STATE_OVER_H * HOUR_MS, latest + 1, HOUR_MS, dtype=np.int64)
    started = min(s.series.time_ms[0] for s in (feed, air) if s.good)
    grid = grid[grid >= started - HOUR_MS]
    time_h = (grid - latest) / HOUR_MS
    feed_c = _on_grid(feed, grid) if feed.good else None
    geometry = outdoor_c = None
    cold = feed_c is None or float(np.nanmin(feed_c)) < _NEAR_FREEZING_C
    if air.good and cold and len(grid) >= 2:
        air_c = _on_grid(air, grid)
        if feed_c is None or _any_frost(feed_c, air_c):
            geometry, outdoor_c = _geometry(situation), np.clip(air_c, *MODEL_C)
    state = freezing_state(time_h, feed_c, outdoor_c, geometry, surface_w_m2k=surface_w_m2k(situation))
    return TubState(state, latest + round(state.since_h * HOUR_MS), feed, air, modelled=not feed.good)


def _any_frost(*temp_c: np.ndarray[tuple[int], np.dtype[np.float64]]) -> bool:
    """Without any neither tub nor air can have made ice, and the model has nothing to tell."""
    return any(bool(np.nanmin(each) < 0.0) for each in temp_c if np.isfinite(each).any())


def freezing_forecast(situation: Situation, horizon_h: float) -> FreezingForecast | None:
    """When the core will be down to the freezing limit if the air goes on as of late; None when unknown."""
    seen = tub_state(situation)
    if seen is None or not seen.air.good or seen.state.state not in ("unfrozen", "thawed"):
        return None
    if not math.isfinite(seen.state.core_c) or seen.state.core_c > _WARM_C or _elsewhere(seen):
        return None
    key = ("freezing-forecast", horizon_h)
    if key not in situation.memo:
        situation.memo[key] = _forecast(situation, seen, horizon_h)
    found = situation.memo[key]
    assert found is None or isinstance(found, FreezingForecast)
    return found


def _elsewhere(seen: TubState) -> bool:
    """A tub that warms while the air is colder than it stands elsewhere: it was brought in."""
    if seen.modelled or seen.air.value > seen.state.core_c:
        return False
    recent = thinned(seen.feed.series.since(seen.feed.latest_ms - 3 * HOUR_MS), HOUR_MS // 2)
    return len(recent) >= 4 and float(recent.value[-1] - recent.value[0]) > _WARMS_BY_C


def _forecast(situation: Situation, seen: TubState, horizon_h: float) -> FreezingForecast:
    """The model is led through the last two days first, so that it knows the cold in the tub's outside.

    Where its core then differs from the probe, its course is drawn through the probe's.
    """
    limit = situation.limits["freeze_c"]
    now_ms = seen.feed.latest_ms if seen.feed.good else seen.air.latest_ms
    past = thinned(seen.air.series, HOUR_MS)
    ahead = outdoor_forecast(past.hours(now_ms), past.value, horizon_h=max(horizon_h, 2.0) + 12.0)
    lowest = float(ahead.outdoor_c.min())
    if float((ahead.outdoor_c - _Z80 * ahead.sd_c).min()) > limit:
        return FreezingForecast(math.inf, math.inf, math.inf, math.inf, lowest)
    first = seen.feed if seen.feed.good else seen.air
    back_h = min(_LEAD_IN_H, (now_ms - int(first.series.time_ms[0])) // HOUR_MS)
    grid = now_ms + np.arange(-back_h, 1, dtype=np.int64) * HOUR_MS
    start_c = float(np.interp(grid[0], first.series.time_ms, first.series.value))
    before_c = np.interp(grid[:-1], past.time_ms, past.value)
    time_h = np.concatenate([np.arange(-back_h, 0, dtype=np.float64), ahead.time_h])
    now = int(back_h)
    # The heat transfer that fits the tub's own past, once that tells it: with the usual one the model may have come to
    # a halt at the freezing point long before the tub does.
    fitted = seen.state.surface_w_m2k
    surface = fitted if math.isfinite(fitted) else surface_w_m2k(situation)

    def reaches(sign: float) -> tuple[float, float]:
        """Hours to the limit and to frozen through, with all for it (-1), as expected (0), against it (1)."""
        run = freeze_through_h(
            _geometry(situation),
            KITCHEN_SCRAPS,
            float(np.clip(start_c, *MODEL_C)),
            np.clip(np.concatenate([before_c, ahead.outdoor_c + sign * _Z80 * ahead.sd_c]), *MODEL_C),
            surface * (1.0 - sign * _Z80 * _SURFACE_REL_SD),
            time_h,
            outdoor_sd_c=0.0,
            heat_rel_sd=0.0,
        )
        through_h = max(run.frozen_through_h - back_h, 0.0)
        if seen.modelled:  # nobody sees the core: what counts is the first ice, at the wall
            return _first_at_or_below(time_h[now:], -run.frozen_fraction[now:], -_FIRST_ICE), through_h
        core_c = _through(run.core_c[now:], seen.state.core_c + sign * _PROBE_SD_C)
        return _first_at_or_below(time_h[now:], core_c, limit), through_h

    low, _ = reaches(-1.0)
    if math.isinf(low):  # not even with all for it
        return FreezingForecast(math.inf, math.inf, math.inf, math.inf, lowest)
    (eta, through), (high, _) = reaches(0.0), reaches(1.0)
    return FreezingForecast(eta, min(low, eta), max(high, eta), through, lowest)


def _through(
    model_c: np.ndarray[tuple[int], np.dtype[np.float64]], now_c: float
) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """The model's course drawn through the probe's word for now.

    While the outside freezes it stays at the freezing point, and the core falls towards that by shares of what is
    left (Newton's law): a core that is further from it than the model's gets there by the same shares.
    """
    point = KITCHEN_SCRAPS.freezing_point_c
    share = np.clip((now_c - point) / max(float(model_c[0]) - point, 0.05), *_SHARE)
    course = point + (model_c - point) * share
    return np.asarray(course + (now_c - course[0]))


def _first_at_or_below(
    time_h: np.ndarray[tuple[int], np.dtype[np.float64]], value: object, limit: float
) -> float:
    temp = np.asarray(value, dtype=np.float64)
    hits = np.flatnonzero(temp <= limit)
    if not len(hits):
        return math.inf
    at = int(hits[0])
    if at == 0:
        return float(time_h[0])
    part = (temp[at - 1] - limit) / (temp[at - 1] - temp[at])
    return float(time_h[at - 1] + part * (time_h[at] - time_h[at - 1]))


def thawing_h(situation: Situation, core_c: float) -> tuple[float, float, float]:
    """Hours to thaw the tub where it is thawed: estimate, low, high."""
    store = situation.thing
    assert isinstance(store, FeedStore)
    coldest = min(core_c, KITCHEN_SCRAPS.freezing_point_c - 0.5)
    room = situation.limits["feed_room_c"]
    return _thaw(store.diameter_m, store.fill_depth_m, round(coldest), room, surface_w_m2k(situation))


@lru_cache(maxsize=1024)
def _thaw(
    diameter_m: float, depth_m: float, core_c: int, room_c: float, surface: float
) -> tuple[float, float, float]:
    return thaw_h(tub(diameter_m, depth_m), KITCHEN_SCRAPS, float(core_c), room_c, surface)


def next_feeding_h(situation: Situation) -> tuple[float, bool]:
    """Hours to the next feeding from this tub, and whether the log tells its rhythm (else it is assumed)."""
    fed = [e.at_ms for e in entries(situation, "fed")]
    if len(fed) >= 2:
        due = fed[-1] + float(np.median(np.diff(fed)))
        if due > situation.now_ms:
            return (due - situation.now_ms) / HOUR_MS, True
    return situation.limits["feed_next_h"], False


def surface_w_m2k(situation: Situation) -> float:
    assert isinstance(situation.thing, FeedStore)
    return surface_of(situation.thing)


def surface_of(store: FeedStore) -> float:
    return store.insulation_w_m2k if store.insulation_w_m2k is not None else SURFACE_W_M2K


def _geometry(situation: Situation) -> Geometry:
    store = situation.thing
    assert isinstance(store, FeedStore)
    return shape(store)


def shape(store: FeedStore) -> Geometry:
    return tub(store.diameter_m, store.fill_depth_m)


def _on_grid(
    one: Signal, grid_ms: np.ndarray[tuple[int], np.dtype[np.int64]]
) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Hourly values at the grid's times; NaN where the channel had been silent for long."""
    series: Series = thinned(one.series, HOUR_MS)
    value = np.interp(grid_ms, one.series.time_ms, one.series.value)
    if len(series) > 1:
        smooth = np.interp(grid_ms, series.time_ms, series.value)
        value[:-1] = smooth[:-1]  # hourly means for the past, the reading itself for now
    at = np.clip(np.searchsorted(one.series.time_ms, grid_ms), 1, max(len(one.series) - 1, 1))
    last = len(one.series) - 1
    apart = one.series.time_ms[np.minimum(at, last)] - one.series.time_ms[at - 1]
    inside = (grid_ms >= one.series.time_ms[0] - HOUR_MS) & (grid_ms <= one.series.time_ms[-1])
    silent = apart > max(one.gap_ms, 3 * HOUR_MS)
    return np.where(inside & ~silent, value, np.nan)
