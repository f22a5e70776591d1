"""`bin-freezing`: the core of a bin freezes, or will; from how it follows the air, and the air to come."""

import math

import numpy as np

from underlid.model import Finding, Position, Priority, Quantity, Series, Verdict
from underlid.rules.handling import HOUR_MS
from underlid.rules.level import below
from underlid.rules.signals import Signal, first_good, signal, thinned
from underlid.rules.situation import Situation
from underlid.rules.too_cold import HEATER_CAUTION
from underlid.rules.words import degrees, hours, in_hours, unknown
from underlid.science.bin_freezing import FreezingEta, bin_time_constant, hours_to_freezing_interval
from underlid.science.outdoor import OutdoorForecast, outdoor_forecast

RULE = "bin-freezing"
INPUTS = "temperature in the core, else at the base or the top; air temperature where it stands"
_LAYERS = (Position.CORE, Position.BASE, Position.TOP)
_STAYS = 1.5  # a forecast alarm stays up until freezing is this many horizons away
_FAR_C = 20.0  # a bin this far above freezing does not freeze within the horizon
_MILD_C = (
    15.0  # air that was nowhere near frost for a week is not foreseen there: two spreads are 14 C at most
)


def judge(situation: Situation) -> Finding:
    core = first_good(situation, _LAYERS, Quantity.TEMPERATURE)
    if not core.good:
        return unknown(RULE, situation, Position.CORE, core)
    limits = situation.limits
    limit = limits["freeze_c"]
    active = situation.active.get(RULE, False)
    level = below(core, limit, limits["temp_deadband_c"], active)
    if level.holds:
        return _holding(
            situation,
            core,
            since_ms=level.since_ms,
            headline=f"{situation.name} is freezing: {degrees(core.value)}",
            advice="Move it in now, or wrap it all round and below. Leave it closed; no feed, no water.",
            priority=Priority.URGENT,
        )
    horizon = limits["bin_freezing_horizon_h"] * (_STAYS if active else 1.0)
    eta = freezing_eta(situation, core, horizon)
    if eta is not None and eta.eta_h <= horizon:
        return _holding(
            situation,
            core,
            since_ms=core.latest_ms,
            headline=(
                f"{situation.name} will start to freeze {in_hours(eta.eta_h, eta.low_h, eta.high_h)}: "
                f"{degrees(core.value)} now"
            ),
            advice=f"Within {hours(max(eta.low_h, 1.0))} move it in, or wrap it all round and below.",
            priority=Priority.URGENT if eta.eta_h < 6.0 else Priority.TODAY,
            eta=eta,
        )
    return Finding(
        rule=RULE,
        verdict=Verdict.CLEAR,
        since_ms=level.since_ms,
        position=Position.CORE,
        value=core.value,
        limit=limit,
        unit="Cel",
        headline=f"{situation.name} is at {degrees(core.value)}, no frost in it",
        evidence=core.evidence,
    )


def freezing_eta(situation: Situation, core: Signal, horizon_h: float) -> FreezingEta | None:
    """Hours to freezing; None when it can not within the horizon, or too little is known of bin and air."""
    limit = situation.limits["freeze_c"]
    air = signal(situation, Position.AIR, Quantity.TEMPERATURE)
    if not air.good or core.value > limit + _FAR_C:
        return None
    outdoor = thinned(air.series, HOUR_MS)
    if float(outdoor.value.min()) > limit + _MILD_C:
        return None
    ahead = _ahead(situation, outdoor, max(horizon_h, 2.0))
    if float((ahead.outdoor_c - 2.0 * ahead.sd_c).min()) > limit:
        return None
    inside = thinned(core.series, HOUR_MS)
    outdoor_c = np.interp(inside.time_ms, outdoor.time_ms, outdoor.value)
    try:
        constant = bin_time_constant(inside.hours(situation.now_ms), inside.value, outdoor_c)
    except ValueError:  # less than a day is known of it
        return None
    return hours_to_freezing_interval(core.value, ahead, constant, limit)


def _ahead(situation: Situation, outdoor: Series, horizon_h: float) -> OutdoorForecast:
    """The air to come, which is that of all bins of the place."""
    key = (RULE, "ahead", horizon_h)
    if key not in situation.air_memo:
        time_h = outdoor.hours(situation.now_ms)
        situation.air_memo[key] = outdoor_forecast(time_h, outdoor.value, horizon_h=horizon_h)
    found = situation.air_memo[key]
    assert isinstance(found, OutdoorForecast)
    return found


def _holding(
    situation: Situation,
    core: Signal,
    *,
    since_ms: int,
    headline: str,
    advice: str,
    priority: Priority,
    eta: FreezingEta | None = None,
) -> Finding:
    amounts = {"within_h": eta.low_h} if eta is not None and math.isfinite(eta.low_h) else {}
    return Finding(
        rule=RULE,
        verdict=Verdict.HOLDS,
        since_ms=since_ms,
        forecast=eta is not None,
        priority=priority,
        position=Position.CORE,
        value=core.value,
        limit=situation.limits["freeze_c"],
        unit="Cel",
        eta_h=eta.eta_h if eta is not None else None,
        eta_low_h=eta.low_h if eta is not None else None,
        eta_high_h=eta.high_h if eta is not None else None,
        headline=headline,
        advice=advice,
        caution=HEATER_CAUTION,
        amounts=amounts,
        evidence=core.evidence,
    )
