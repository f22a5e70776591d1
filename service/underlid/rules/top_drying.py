"""`top-drying`: the top layer is too dry, or will be within the horizon; water it, or turn it under."""

import math

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from underlid.model import Bin, Finding, Position, Priority, Quantity, Series, Verdict
from underlid.rules.bedding import mass_kg
from underlid.rules.handling import HOUR_MS, disturbed, last_entry, settled_ms
from underlid.rules.level import below
from underlid.rules.signals import Signal, first_good, signal, theil_sen, thinned
from underlid.rules.situation import Situation
from underlid.rules.words import amount, hours, in_hours, unknown
from underlid.science.air import vapour_pressure_deficit_kpa
from underlid.science.drying import DryingForecast, forecast_drying
from underlid.science.moisture import water_to_add_kg
from underlid.science.trend import robust_trend

RULE = "top-drying"
INPUTS = (
    "moisture at the top and in the layer below, air temperature and humidity, wetting and turning in the log"
)
_FASTEST_PCT_PER_H = (
    1.5  # a top further from the limit than this rate reaches within the horizon is not worked out
)
_LEAST_READINGS, _LEAST_HOURS = 6, 4  # the hours are those of the last day that have readings
_LATELY_MS = 2 * HOUR_MS
_STEP_PCT = 5.0  # from some hours to the next: three times what the fastest drying makes of an hour
_SURE, _LEAST_FALL_PCT = 0.9, 0.5
_MARGIN_H = 48.0  # a top that at its present pace is dry so much later may still speed up
_STAYS = 1.5  # a forecast alarm stays up until the limit is this many horizons away
_AT_ONCE_L_M2 = 5.0  # 5 mm; more at once runs through (common practice, no source)


def judge(situation: Situation) -> Finding:
    top = signal(situation, Position.TOP, Quantity.MOISTURE)
    if not top.good:
        return unknown(RULE, situation, Position.TOP, top)
    limits = situation.limits
    limit = limits["moist_low_pct_wb"]
    active = situation.active.get(RULE, False)
    level = below(top, limit, limits["moist_deadband_pct"], active)
    if level.holds:
        urgent = top.value < limits["moist_danger_low_pct_wb"]
        return _finding(
            situation,
            top,
            since_ms=max(level.since_ms, settled_ms(situation)),
            priority=Priority.URGENT if urgent else Priority.TODAY,
            headline=f"{situation.name}: top is {top.value:.0f} % — too dry",
        )
    horizon = limits["drying_horizon_h"] * (_STAYS if active else 1.0)
    forecast = drying_forecast(situation, horizon)
    if (
        forecast is not None
        and forecast.eta_h <= horizon
        and (active or forecast.high_h <= 2.0 * horizon or _sure(_since_step(_since_work(situation, top))))
    ):
        when = in_hours(forecast.eta_h, forecast.low_h, forecast.high_h)
        return _finding(
            situation,
            top,
            since_ms=top.latest_ms,
            priority=Priority.TODAY,
            headline=f"{situation.name}: top will be too dry {when}",
            forecast=forecast,
        )
    return Finding(
        rule=RULE,
        verdict=Verdict.CLEAR,
        since_ms=level.since_ms,
        position=Position.TOP,
        value=top.value,
        limit=limit,
        unit="%",
        headline=f"{situation.name}: top is moist enough, {top.value:.0f} %",
        evidence=top.evidence,
    )


def drying_forecast(situation: Situation, within_h: float) -> DryingForecast | None:
    """When the top dries to its limit; None when out of reach within the hours, or too little is known."""
    top = signal(situation, Position.TOP, Quantity.MOISTURE)
    if not top.good:
        return None
    limit = situation.limits["moist_low_pct_wb"]
    series = _since_work(situation, top)
    if len(series) < _LEAST_READINGS:
        return None
    # The noise of a single reading must not hide what those before it foretell; well below them it was just watered.
    to_go = float(np.median(series.since(top.latest_ms - _LATELY_MS).value)) - limit
    if not -situation.limits["moist_deadband_pct"] <= to_go <= _FASTEST_PCT_PER_H * within_h:
        return None
    series = _since_step(series)
    day = _last_day(series)
    if len(day) < _LEAST_HOURS or _steepest(day) * (within_h + _MARGIN_H) > -to_go:
        return None  # the forecast proper costs a hundred times this look
    if RULE not in situation.memo:
        situation.memo[RULE] = _drying_forecast(situation, thinned(series, HOUR_MS // 2), limit)
    found = situation.memo[RULE]
    assert isinstance(found, DryingForecast)
    return found


def _since_work(situation: Situation, top: Signal) -> Series:
    """The readings since the latest work on the bin that changed the top has settled."""
    work = last_entry(situation, "wetted", "turned", "bedding", "split")
    if work is None:
        return top.series
    return top.series.since(work.at_ms + int(situation.limits["settle_h"] * HOUR_MS))


def _since_step(series: Series) -> Series:
    """The readings since the last step that is no drying: a probe set anew, or work that nobody wrote down."""
    by_hour = thinned(series, HOUR_MS)
    value = by_hour.value
    if len(value) < 4 or value.max() - value.min() <= _STEP_PCT:
        return series
    # The middle of three hours, so that one odd hour is no step; at the ends, of those that there are.
    ends = np.concatenate([value[:1], value[:1], value, value[-1:], value[-1:]])
    middle = np.sort(sliding_window_view(ends, 3), axis=1)[:, 1]
    steps = np.abs(middle[3:] - middle[:-3]) > _STEP_PCT
    steps &= np.diff(by_hour.time_ms) <= 2 * HOUR_MS
    return series.since(int(by_hour.time_ms[1:][steps][-1]) - HOUR_MS // 2) if steps.any() else series


def _last_day(series: Series) -> Series:
    return thinned(series.since(int(series.time_ms[-1]) - 24 * HOUR_MS), HOUR_MS)


def _sure(series: Series) -> bool:
    """Does it surely dry? Then a wide forecast is taken at its word, else a few noisy hours near the limit would do."""
    day = _last_day(series)
    time_h = day.hours(int(day.time_ms[-1]))
    trend = robust_trend(time_h, day.value, confidence=_SURE)
    return trend.high < 0.0 and trend.slope * float(time_h[0]) > _LEAST_FALL_PCT


def _steepest(day: Series) -> float:
    """The steeper fall per hour of the last day and of its last quarter."""
    time_h = day.hours(int(day.time_ms[-1]))
    late = slice(-7, None)
    return min(theil_sen(time_h, day.value), theil_sen(time_h[late], day.value[late]))


def _drying_forecast(situation: Situation, series: Series, limit: float) -> DryingForecast:
    time_h = series.hours(situation.now_ms)
    temp = signal(situation, Position.AIR, Quantity.TEMPERATURE)
    humidity = signal(situation, Position.AIR, Quantity.HUMIDITY)
    vpd = None
    if temp.good and humidity.good:
        air_c = np.interp(series.time_ms, temp.series.time_ms, temp.series.value)
        rh_pct = np.interp(series.time_ms, humidity.series.time_ms, humidity.series.value)
        vpd = vapour_pressure_deficit_kpa(air_c, rh_pct)
    return forecast_drying(time_h, series.value, limit, vpd_kpa=vpd)


def _finding(
    situation: Situation,
    top: Signal,
    *,
    since_ms: int,
    priority: Priority,
    headline: str,
    forecast: DryingForecast | None = None,
) -> Finding:
    limit = situation.limits["moist_low_pct_wb"]
    why = disturbed(situation)
    if why:
        return Finding(
            rule=RULE,
            verdict=Verdict.UNKNOWN,
            since_ms=top.latest_ms,
            position=Position.TOP,
            value=top.value,
            limit=limit,
            unit="%",
            headline=f"{situation.name}: top is {top.value:.0f} %; {why}",
            evidence=top.evidence,
        )
    advice, amounts = _advice(situation, top)
    if forecast is not None:
        advice = f"Within {hours(max(forecast.low_h, 1.0))}: {advice[0].lower()}{advice[1:]}"
    return Finding(
        rule=RULE,
        verdict=Verdict.HOLDS,
        since_ms=since_ms,
        forecast=forecast is not None,
        priority=priority,
        position=Position.TOP,
        value=top.value,
        limit=limit,
        unit="%",
        eta_h=forecast.eta_h if forecast is not None else None,
        eta_low_h=forecast.low_h if forecast is not None else None,
        eta_high_h=forecast.high_h if forecast is not None else None,
        headline=headline,
        advice=advice,
        caution="Dry bedding gives off dust and spores: damp it before stirring, and do not breathe it in.",
        amounts=amounts,
        evidence=top.evidence,
    )


def _advice(situation: Situation, top: Signal) -> tuple[str, dict[str, float]]:
    """Turn the top under when the layer below is wetter than the target, else water up to the target."""
    bin_ = situation.thing
    assert isinstance(bin_, Bin)
    limits = situation.limits
    target = limits["moist_target_pct_wb"]
    under = first_good(situation, (Position.CORE, Position.BASE), Quantity.MOISTURE)
    if under.good and under.value > target:
        return (
            f"Turn the top under: below it is {under.value:.0f} %, wetter than the {target:.0f} % wanted.",
            {},
        )
    area_m2 = bin_.length_m * bin_.width_m
    layer_kg = mass_kg(situation, min(bin_.depth_m / 3.0, limits["top_layer_m"]), top.value)
    litres = float(water_to_add_kg(layer_kg, top.value, target))
    goes = math.ceil(litres / (_AT_ONCE_L_M2 * area_m2))
    times = "" if goes < 2 else f" in {goes} goes, an hour apart,"
    return (
        f"Sprinkle {amount(litres)} L over the top{times} and close the lid.",
        {"water_l": litres, "goes": float(max(goes, 1))},
    )
