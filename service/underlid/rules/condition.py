"""The present condition of a bin, a feed store or a place: each position, and one line of words."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

from underlid.model import Finding, Position, Priority, Quantity, SubjectKind, Verdict
from underlid.rules.handling import HOUR_MS, settled_ms
from underlid.rules.limits import Limits
from underlid.rules.signals import gap_ms, signal, theil_sen, thinned
from underlid.rules.situation import Sensor, Situation
from underlid.rules.top_drying import drying_forecast
from underlid.rules.tub_state import TubState, freezing_forecast, thawing_h, tub_state
from underlid.rules.words import degrees, hours
from underlid.science.trend import robust_trend

TrendWord = Literal["rising", "falling", "steady", "unknown"]
StateWord = Literal["ok", "low", "high", "stale"]
FeedWord = Literal["soft", "freezing", "frozen-through", "hard-frozen", "thawing", "thawed", "unknown"]

TREND_OVER_H = 12
_TREND_STEP_MS = HOUR_MS
_LEAST_POINTS = 4
_DRYING_WITHIN_H = 72.0
_PRIORITY = tuple(Priority)
_NO_TREND: tuple[None, TrendWord] = (None, "unknown")
# Slower than this per hour is steady, even if it is sure.
_STEADY = {Quantity.TEMPERATURE: 0.05, Quantity.MOISTURE: 0.05, Quantity.HUMIDITY: 0.3}
_FEED_WORDS: Mapping[str, FeedWord] = {
    "unfrozen": "soft",
    "freezing": "freezing",
    "frozen through": "frozen-through",
    "hard-frozen": "hard-frozen",
    "thawing": "thawing",
    "thawed": "thawed",
}


@dataclass(frozen=True, slots=True)
class Forecast:
    """When a limit will be crossed, in hours from the condition's time; high_h None: may never be."""

    limit: float
    eta_h: float
    low_h: float
    high_h: float | None


@dataclass(frozen=True, slots=True)
class PositionState:
    """One quantity at one position: its latest reading and where it is going."""

    position: Position
    quantity: Quantity
    channel: int
    value: float
    unit: str
    at_ms: int
    trend_per_h: float | None
    trend: TrendWord
    state: StateWord
    low: float | None = None
    high: float | None = None
    forecast: Forecast | None = None


@dataclass(frozen=True, slots=True)
class StoredFeed:
    """How frozen a feed store is; `hours_to_change` until it freezes, or until it would be thawed indoors."""

    state: FeedWord
    frozen_fraction: float | None
    hard_frozen_h: float
    hours_to_change: float | None
    words: str


@dataclass(frozen=True, slots=True)
class Condition:
    at_ms: int
    words: str
    positions: tuple[PositionState, ...] = ()
    stored_feed: StoredFeed | None = None


def condition(situation: Situation, findings: Sequence[Finding]) -> Condition:
    """The condition at the situation's moment, with what its rules found."""
    sensors = situation.air if situation.subject.kind is SubjectKind.PLACE else situation.sensors
    positions = tuple(
        _position(situation, sensor, sensor.position, findings)
        for sensor in sensors
        if sensor.position is not None and sensor.quantity in _STEADY and len(sensor.series)
    )
    stored = _stored_feed(situation) if situation.subject.kind is SubjectKind.FEED_STORE else None
    return Condition(situation.now_ms, _words(situation, findings, positions, stored), positions, stored)


def _position(
    situation: Situation, sensor: Sensor, position: Position, findings: Sequence[Finding]
) -> PositionState:
    series = sensor.series
    at_ms, value = int(series.time_ms[-1]), float(series.value[-1])
    low, high = bounds(situation.limits, situation.subject.kind, sensor.position, sensor.quantity)
    stale = at_ms < situation.now_ms - gap_ms(series.time_ms)
    slope, trend = _NO_TREND if stale else _trend(situation, sensor)
    state: StateWord = "ok"
    if stale:
        state = "stale"
    elif low is not None and value < low:
        state = "low"
    elif high is not None and value > high:
        state = "high"
    return PositionState(
        position=position,
        quantity=sensor.quantity,
        channel=sensor.channel_id,
        value=value,
        unit=sensor.unit,
        at_ms=at_ms,
        trend_per_h=slope,
        trend=trend,
        state=state,
        low=low,
        high=high,
        forecast=None if stale else _forecast(situation, sensor, findings),
    )


def bounds(
    limits: Limits, kind: SubjectKind, position: Position | None, quantity: Quantity
) -> tuple[float | None, float | None]:
    """Within what a quantity at a position is well; None: nothing bounds it on that side."""
    if kind is SubjectKind.FEED_STORE:
        return (limits["freeze_c"], None) if quantity is Quantity.TEMPERATURE else (None, None)
    if kind is not SubjectKind.BIN or position is Position.AIR:
        return None, None
    if quantity is Quantity.MOISTURE:
        return limits["moist_low_pct_wb"], limits["moist_high_pct_wb"]
    if quantity is Quantity.TEMPERATURE:
        pocket = position is Position.POCKET
        return limits["temp_low_c"], limits["pocket_high_c" if pocket else "temp_high_c"]
    return None, None


def _trend(situation: Situation, sensor: Sensor) -> tuple[float | None, TrendWord]:
    """Slope of the last hours; rising or falling only when that is sure and more than a little."""
    from_ms = int(sensor.series.time_ms[-1]) - TREND_OVER_H * HOUR_MS
    if situation.subject.kind is SubjectKind.BIN:
        from_ms = max(from_ms, settled_ms(situation))  # before that it was another bed
    recent = sensor.series.since(from_ms)
    series = thinned(recent, _TREND_STEP_MS)
    if len(series) < _LEAST_POINTS:
        return None, "unknown"
    time_h = series.hours(int(series.time_ms[-1]))
    steady = _STEADY[sensor.quantity]
    slope = theil_sen(time_h, series.value)
    if abs(slope) <= steady:  # most channels, most of the time: no need to ask how sure it is
        return slope, "steady"
    found = robust_trend(time_h, series.value)
    if found.low > 0.0:
        return found.slope, "rising"
    if found.high < 0.0:
        return found.slope, "falling"
    return found.slope, "steady"


def _forecast(situation: Situation, sensor: Sensor, findings: Sequence[Finding]) -> Forecast | None:
    """A finding's own forecast at this position; else of a drying top or a cooling tub, even far off."""
    temperature = sensor.quantity is Quantity.TEMPERATURE
    for finding in findings:
        of_moisture = finding.unit == "%"
        if (
            finding.verdict is Verdict.HOLDS
            and finding.forecast
            and finding.position is sensor.position
            and of_moisture is not temperature
            and finding.eta_h is not None
            and finding.limit is not None
        ):
            return _as_forecast(finding.limit, finding.eta_h, finding.eta_low_h, finding.eta_high_h)
    if situation.subject.kind is SubjectKind.BIN and sensor.position is Position.TOP and not temperature:
        drying = drying_forecast(situation, _DRYING_WITHIN_H)
        if drying is not None and drying.eta_h <= _DRYING_WITHIN_H:
            return _as_forecast(drying.limit_pct_wb, drying.eta_h, drying.low_h, drying.high_h)
    if situation.subject.kind is SubjectKind.FEED_STORE and sensor.position is Position.FEED and temperature:
        freezing = freezing_forecast(situation, situation.limits["freezing_horizon_h"])
        if freezing is not None and math.isfinite(freezing.eta_h):
            return _as_forecast(situation.limits["freeze_c"], freezing.eta_h, freezing.low_h, freezing.high_h)
    return None


def _as_forecast(limit: float, eta_h: float, low_h: float | None, high_h: float | None) -> Forecast:
    low = eta_h if low_h is None else low_h
    return Forecast(limit, eta_h, low, high_h if high_h is not None and math.isfinite(high_h) else None)


def _stored_feed(situation: Situation) -> StoredFeed:
    seen = tub_state(situation)
    if seen is None:
        return StoredFeed("unknown", None, 0.0, None, "nothing is known of it: no probe speaks")
    if seen.state.state == "unknown":
        return StoredFeed("unknown", None, 0.0, None, "too little is known of it yet")
    state = _FEED_WORDS[seen.state.state]
    fraction = seen.state.frozen_fraction
    change = _hours_to_change(situation, seen)
    told = {
        "soft": "not frozen",
        "freezing": "freezing",
        "frozen-through": "frozen through",
        "hard-frozen": f"held at −18 °C or below for {hours(seen.state.hard_frozen_h)}",
        "thawing": "thawing",
        "thawed": "thawed",
    }[state]
    if change is not None:
        told += f", starts to freeze in about {hours(change)}" if state in ("soft", "thawed") else ""
        told += f", thawed after about {hours(change)} indoors" if state not in ("soft", "thawed") else ""
    return StoredFeed(
        state=state,
        frozen_fraction=fraction if math.isfinite(fraction) else None,
        hard_frozen_h=seen.state.hard_frozen_h,
        hours_to_change=change,
        words=f"{told}; {degrees(seen.state.core_c)} inside" + (" by the model" if seen.modelled else ""),
    )


def _hours_to_change(situation: Situation, seen: TubState) -> float | None:
    if seen.state.state in ("unfrozen", "thawed"):
        ahead = freezing_forecast(situation, situation.limits["freezing_horizon_h"])
        return ahead.eta_h if ahead is not None and math.isfinite(ahead.eta_h) else None
    return thawing_h(situation, seen.state.core_c)[0]


def _words(
    situation: Situation,
    findings: Sequence[Finding],
    positions: Sequence[PositionState],
    stored: StoredFeed | None,
) -> str:
    if situation.subject.kind is SubjectKind.PLACE:
        return _air_words(situation)
    prefix = f"{situation.name}: "
    holding = [f for f in findings if f.verdict is Verdict.HOLDS]
    if holding:
        worst = min(holding, key=lambda f: (_PRIORITY.index(f.priority), f.forecast, f.eta_h or 0.0))
        return worst.headline.removeprefix(prefix)
    if stored is not None:
        return stored.words
    if not positions:
        return "no probe is placed here yet"
    if all(p.state == "stale" for p in positions):
        return (
            f"no probe has spoken for {hours((situation.now_ms - max(p.at_ms for p in positions)) / HOUR_MS)}"
        )
    # Past its limit, but somebody has just worked on it: neither trouble nor well.
    waiting = [
        f for f in findings if f.verdict is Verdict.UNKNOWN and f.value is not None and f.limit is not None
    ]
    if waiting:
        return waiting[0].headline.removeprefix(prefix)
    ahead = [p for p in positions if p.forecast is not None]
    if ahead:
        soonest = min(ahead, key=lambda p: p.forecast.eta_h if p.forecast is not None else math.inf)
        assert soonest.forecast is not None
        return f"all well; top will be too dry in about {hours(soonest.forecast.eta_h)}"
    unknown = [f for f in findings if f.verdict is Verdict.UNKNOWN]
    if unknown and len(unknown) == len(findings):
        return unknown[0].headline.removeprefix(prefix)
    if situation.subject.kind is SubjectKind.BIN and all(
        p.quantity is not Quantity.MOISTURE for p in positions
    ):
        return "warmth is well; how moist it is, is not known"
    return "all well"


def _air_words(situation: Situation) -> str:
    temp = signal(situation, Position.AIR, Quantity.TEMPERATURE)
    humidity = signal(situation, Position.AIR, Quantity.HUMIDITY)
    parts = []
    if temp.good:
        parts.append(degrees(temp.value))
    if humidity.good:
        parts.append(f"{humidity.value:.0f} % humidity")
    return f"air {', '.join(parts)}" if parts else "no probe measures the air here now"


def as_json(state: Condition) -> dict[str, Any]:
    """Plain JSON types; times stay in ms."""
    return asdict(state)


def from_json(stored: Mapping[str, Any]) -> Condition:
    """The condition that `as_json` wrote. KeyError or TypeError for anything else."""
    positions = tuple(
        PositionState(
            **{
                **p,
                "position": Position(p["position"]),
                "quantity": Quantity(p["quantity"]),
                "forecast": Forecast(**p["forecast"]) if p["forecast"] is not None else None,
            }
        )
        for p in stored["positions"]
    )
    feed = stored["stored_feed"]
    return Condition(
        at_ms=stored["at_ms"],
        words=stored["words"],
        positions=positions,
        stored_feed=StoredFeed(**feed) if feed is not None else None,
    )
