"""`feed-freezing`: the tub will freeze, or is frozen; by when to bring it in to be thawed in time."""

import math

from underlid.model import Finding, Position, Priority, Quantity, Verdict
from underlid.rules.level import below
from underlid.rules.signals import signal
from underlid.rules.situation import Situation
from underlid.rules.tub_state import (
    FreezingForecast,
    TubState,
    freezing_forecast,
    next_feeding_h,
    thawing_h,
    tub_state,
)
from underlid.rules.words import degrees, hours, in_hours, unknown

RULE = "feed-freezing"
INPUTS = "temperature in the tub, else the outdoor air and the tub's size; feedings from it in the log"
FROST_CAUTION = "A few hours of frost do not kill fly eggs or larvae; only days at or below −18 °C count."
_FROZEN = ("freezing", "frozen through", "hard-frozen")
_SOON = 0.5  # of the horizon
_STAYS = 1.5  # a forecast alarm stays up until freezing is this many horizons away


def judge(situation: Situation) -> Finding:
    seen = tub_state(situation)
    if seen is None or seen.state.state == "unknown":
        feed = signal(situation, Position.FEED, Quantity.TEMPERATURE)
        return unknown(RULE, situation, Position.FEED, feed)
    limits = situation.limits
    active = situation.active.get(RULE, False)
    state = seen.state.state
    below_since: int | None = None
    clear_since = seen.since_ms
    if seen.feed.good:
        level = below(seen.feed, limits["freeze_c"], limits["temp_deadband_c"], active)
        if level.holds:
            below_since = level.since_ms
        else:
            clear_since = level.since_ms
    if state in _FROZEN:
        since = seen.since_ms if below_since is None else min(below_since, seen.since_ms)
        return _frozen(situation, seen, since)
    if below_since is not None and state != "thawing":
        return _frozen(situation, seen, below_since)
    horizon = limits["freezing_horizon_h"] * (_STAYS if active else 1.0)
    forecast = freezing_forecast(situation, horizon)
    # If it may be so soon, it is told even if it is likelier to be later, by a probe's word even if not at all.
    latest_h = 2.0 * horizon if seen.modelled else math.inf
    if forecast is not None and (
        forecast.eta_h <= horizon or (forecast.low_h <= _SOON * horizon and forecast.eta_h <= latest_h)
    ):
        return _will_freeze(situation, seen, forecast)
    words = "is thawing" if state == "thawing" else "is not frozen"
    return Finding(
        rule=RULE,
        verdict=Verdict.CLEAR,
        since_ms=clear_since,
        position=Position.FEED,
        value=seen.state.core_c,
        limit=limits["freeze_c"],
        unit="Cel",
        headline=f"{situation.name} {words}: {degrees(seen.state.core_c)}{_by_model(seen)}",
        evidence=_evidence(seen),
    )


def _frozen(situation: Situation, seen: TubState, since_ms: int) -> Finding:
    state = seen.state.state
    words = {
        "freezing": "is freezing",
        "frozen through": "is frozen through",
        "hard-frozen": "is frozen hard",
    }.get(state, "is at freezing point")
    likely, _, longest = thawing_h(situation, seen.state.core_c)
    feeding_h, known = next_feeding_h(situation)
    room = degrees(situation.limits["feed_room_c"])
    left = feeding_h - longest
    when = "now" if left < 1.0 else f"within {hours(left)}"
    told = f"in {hours(feeding_h)} by the log" if known else f"assumed to be in {hours(feeding_h)}"
    advice = (
        f"Bring it in {when} to have it thawed for the next feeding ({told}): "
        f"it needs about {hours(likely)} at {room}, at most {hours(longest)}."
    )
    urgent = left < 6.0 and known
    priority = Priority.TODAY if left < 24.0 else Priority.ROUND
    return _holding(
        situation,
        seen,
        since_ms=since_ms,
        priority=Priority.URGENT if urgent else priority,
        headline=f"{situation.name} {words}: {degrees(seen.state.core_c)}{_by_model(seen)}",
        advice=advice,
        amounts={"thaw_h": likely, "bring_in_within_h": max(left, 0.0)},
    )


def _will_freeze(situation: Situation, seen: TubState, forecast: FreezingForecast) -> Finding:
    when = f"may start to freeze, in {hours(forecast.low_h)} at the earliest"
    if math.isfinite(forecast.eta_h):
        when = f"will start to freeze {in_hours(forecast.eta_h, forecast.low_h, forecast.high_h)}"
    likely, _, longest = thawing_h(situation, situation.limits["freeze_c"] - 2.0)
    room = degrees(situation.limits["feed_room_c"])
    return _holding(
        situation,
        seen,
        since_ms=seen.feed.latest_ms if seen.feed.good else seen.air.latest_ms,
        priority=Priority.URGENT if forecast.eta_h < 3.0 else Priority.TODAY,
        headline=(
            f"{situation.name} {when}: {degrees(seen.state.core_c)} now, "
            f"air down to about {degrees(forecast.lowest_air_c)}{_by_model(seen)}"
        ),
        advice=(
            f"Bring it in or wrap it within {hours(max(forecast.low_h, 1.0))}. Once frozen through it needs "
            f"about {hours(likely)} at {room} to thaw, at most {hours(longest)}."
        ),
        amounts={"thaw_h": likely, "bring_in_within_h": forecast.low_h},
        forecast=forecast,
    )


def _holding(
    situation: Situation,
    seen: TubState,
    *,
    since_ms: int,
    priority: Priority,
    headline: str,
    advice: str,
    amounts: dict[str, float],
    forecast: FreezingForecast | None = None,
) -> Finding:
    return Finding(
        rule=RULE,
        verdict=Verdict.HOLDS,
        since_ms=since_ms,
        forecast=forecast is not None,
        priority=priority,
        position=Position.FEED,
        value=seen.state.core_c,
        limit=situation.limits["freeze_c"],
        unit="Cel",
        eta_h=forecast.eta_h if forecast is not None and math.isfinite(forecast.eta_h) else None,
        eta_low_h=forecast.low_h if forecast is not None else None,
        eta_high_h=forecast.high_h if forecast is not None else None,
        headline=headline,
        advice=advice,
        caution=FROST_CAUTION,
        amounts=amounts,
        evidence=_evidence(seen),
    )


def _by_model(seen: TubState) -> str:
    return " by the air and the model, no probe in it" if seen.modelled else ""


def _evidence(seen: TubState) -> tuple[tuple[int, int, float], ...]:
    return seen.air.evidence if seen.modelled else seen.feed.evidence
