"""`feed-heating`: fresh feed heats a pocket past what worms stand, or will; spread, turn, take out, hold."""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from underlid.model import Finding, LogEntry, Position, Priority, Quantity, Series, Verdict
from underlid.rules.handling import HOUR_MS, disturbed, entries, hours_ago, settled_ms
from underlid.rules.level import Level, above
from underlid.rules.signals import Signal, first_good, signal, thinned
from underlid.rules.situation import Situation
from underlid.rules.words import POSITION_WORDS, amount, degrees, hours, in_hours, unknown
from underlid.science.feed_response import PastFeeding, before_any_feeding, fit_feed_response
from underlid.science.heating import PeakForecast, cooling_constant_per_h, forecast_peak, safe_ration_kg

RULE = "feed-heating"
INPUTS = "temperature of the feed pocket (else the core), of its surroundings, and feedings in the log"
_ROOM_BACK_H = 120  # of the room before a feeding, for its daily cycle
_SHOWS_H = 12  # shorter, a past feeding teaches little
FEED_WORKS_H = 96.0  # how long after a feeding its heat is looked for
_RATE_OVER_H = 3.0
_RATE_NEAR_C = 12.0  # a fast rise further below the limit than this may have many causes
_LEAST_READINGS = 4
_RISES_C_PER_H = 0.1
_COOLING_BOUNDS_PER_H = (0.01, 0.5)


@dataclass(frozen=True, slots=True)
class _Pocket:
    position: Position
    signal: Signal
    fed: LogEntry | None
    start_ms: int  # when the heating began: the feeding, else where the rise began
    rate_c_per_h: float
    base_c: float  # what the bin is without the feed
    ambient: Series
    cooling_per_h: float


def judge(situation: Situation) -> Finding:
    position, pocket = _where(situation)
    if not pocket.good:
        return unknown(RULE, situation, position, pocket)
    limits = situation.limits
    limit, deadband = limits["pocket_high_c"], limits["temp_deadband_c"]
    active = situation.active.get(RULE, False)
    level = above(pocket, limit, deadband, active)
    seen = _pocket(situation, position, pocket)
    if level.holds:
        return _too_hot(situation, seen, level)
    horizon = limits["heating_horizon_h"]
    peak = peak_forecast(situation, horizon)
    bar = limit - (deadband if active else 0.0)
    if peak is not None and peak.peak_c > bar and peak.ahead_h > 0.0:
        eta = _crossing_h(pocket.value, max(peak.peak_c, limit), peak.ahead_h, limit)
        if seen.rate_c_per_h > _RISES_C_PER_H:  # a rise that is still getting steeper is there sooner
            eta = min(eta, max(limit - pocket.value, 0.0) / seen.rate_c_per_h)
        if eta <= horizon:
            return _will_be(situation, seen, peak, eta)
    near = pocket.value > limit - _RATE_NEAR_C
    fast = limits["pocket_rate_c_per_h"] * (0.7 if active else 1.0)
    if near and seen.rate_c_per_h > fast and (peak is None or peak.high_c > bar):
        eta = (limit - pocket.value) / seen.rate_c_per_h
        if eta <= horizon:
            return _will_be(situation, seen, peak, max(eta, 0.0))
    return Finding(
        rule=RULE,
        verdict=Verdict.CLEAR,
        since_ms=level.since_ms,
        position=position,
        value=pocket.value,
        limit=limit,
        unit="Cel",
        headline=f"{situation.name}: {POSITION_WORDS[position]} is at {degrees(pocket.value)}, cool enough",
        evidence=pocket.evidence,
    )


def peak_forecast(situation: Situation, within_h: float) -> PeakForecast | None:
    """The peak to come; None when nothing heats, it can not get near the limit, or too little is known."""
    position, pocket = _where(situation)
    if not pocket.good:
        return None
    if RULE not in situation.memo:
        situation.memo[RULE] = _peak_forecast(situation, _pocket(situation, position, pocket), within_h)
    found = situation.memo[RULE]
    assert found is None or isinstance(found, PeakForecast)
    return found


def _where(situation: Situation) -> tuple[Position, Signal]:
    """The feed pocket; the core when no probe is in the pocket."""
    has_pocket = any(
        s.position is Position.POCKET and s.quantity is Quantity.TEMPERATURE for s in situation.sensors
    )
    position = Position.POCKET if has_pocket else Position.CORE
    return position, signal(situation, position, Quantity.TEMPERATURE)


def _pocket(situation: Situation, position: Position, pocket: Signal) -> _Pocket:
    series = pocket.series
    fed = next(
        (e for e in reversed(entries(situation, "fed")) if hours_ago(situation, e.at_ms) <= FEED_WORKS_H),
        None,
    )
    recent = series.since(pocket.latest_ms - int(_RATE_OVER_H * HOUR_MS))
    rate = _slope(recent)
    if fed is not None:
        start_ms = fed.at_ms
    else:
        window = thinned(series.since(pocket.latest_ms - 36 * HOUR_MS), HOUR_MS)
        start_ms = int(window.time_ms[int(np.argmin(window.value))])
    others = (Position.AIR,) if position is Position.CORE else (Position.AIR, Position.CORE, Position.BASE)
    ambient = first_good(situation, others, Quantity.TEMPERATURE)
    before = series.until(start_ms).since(start_ms - 12 * HOUR_MS)
    if len(before):
        base = float(np.median(before.value))
    elif ambient.good:
        base = float(np.median(ambient.series.value))
    else:
        base = float(series.value.min())
    around = (
        thinned(ambient.series, HOUR_MS) if ambient.good else Series(series.time_ms[-1:], np.array([base]))
    )
    return _Pocket(position, pocket, fed, start_ms, rate, base, around, situation.limits["cooling_per_h"])


def _slope(series: Series) -> float:
    """Least-squares slope per hour; 0 for fewer than four readings or less than an hour of them."""
    if len(series) < _LEAST_READINGS or series.time_ms[-1] - series.time_ms[0] < HOUR_MS:
        return 0.0
    time_h = series.hours(int(series.time_ms[0]))
    time_h = time_h - time_h.mean()
    return float(time_h @ (series.value - series.value.mean()) / (time_h @ time_h))


def _peak_forecast(situation: Situation, seen: _Pocket, within_h: float) -> PeakForecast | None:
    limit = situation.limits["pocket_high_c"]
    value, rate = seen.signal.value, seen.rate_c_per_h
    since = seen.signal.series.since(seen.start_ms)
    rises = rate > _RISES_C_PER_H
    # Without a feeding in the log only a clear rise is followed; with one, whatever might still get there.
    if len(since) < _LEAST_READINGS or (not rises and (seen.fed is None or value < limit - 5.0)):
        return None
    if value + rate * within_h < limit - 2.0:
        return None
    series = thinned(seen.signal.series.since(seen.start_ms - _ROOM_BACK_H * HOUR_MS), HOUR_MS // 2)
    time_h = series.hours(situation.now_ms)
    fed_at_h = min((seen.start_ms - situation.now_ms) / HOUR_MS, float(time_h[-1]))
    ambient_c = np.interp(series.time_ms, seen.ambient.time_ms, seen.ambient.value)
    cooling = _cooling(situation, seen)
    mass = seen.fed.amount_kg if seen.fed is not None else None
    if not mass:
        return forecast_peak(time_h, series.value, ambient_c, fed_at_h, cooling)
    past = _past(situation, seen)
    known = (
        fit_feed_response(past, cooling) if past else before_any_feeding(cooling, float(np.mean(ambient_c)))
    )
    return forecast_peak(time_h, series.value, ambient_c, fed_at_h, cooling, response=known, feed_kg=mass)


def _past(situation: Situation, seen: _Pocket) -> list[PastFeeding]:
    """Earlier feedings of the same food that the readings still show for half a day or longer."""
    out = []
    hands = entries(situation, "fed", "turned")
    for meal, after in pairwise(hands):
        if seen.fed is None or after.at_ms > seen.fed.at_ms or meal.kind != "fed":
            continue
        series = seen.signal.series.since(meal.at_ms - 24 * HOUR_MS).until(after.at_ms - 1)
        series = thinned(series, HOUR_MS // 2)
        since = series.since(meal.at_ms)
        if meal.what != seen.fed.what or not meal.amount_kg or len(since) < 2 * _LEAST_READINGS:
            continue
        if series.time_ms[0] > meal.at_ms or since.time_ms[-1] - meal.at_ms < _SHOWS_H * HOUR_MS:
            continue
        ambient_c = np.interp(series.time_ms, seen.ambient.time_ms, seen.ambient.value)
        time_h, fed_at_h = series.hours(situation.now_ms), (meal.at_ms - situation.now_ms) / HOUR_MS
        out.append(PastFeeding(time_h, series.value, ambient_c, fed_at_h, meal.amount_kg, meal.what))
    return out


def _cooling(situation: Situation, seen: _Pocket) -> float:
    """The bin's own cooling constant when it was seen to cool down by a few degrees, else the profile's."""
    series = thinned(seen.signal.series.until(seen.start_ms), HOUR_MS)
    default = situation.limits["cooling_per_h"]
    if len(series) < 12 or len(seen.ambient) < 12:
        return default
    ambient_c = np.interp(series.time_ms, seen.ambient.time_ms, seen.ambient.value)
    if float(np.ptp(series.value - ambient_c)) < 3.0:
        return default
    try:
        found = cooling_constant_per_h(series.hours(situation.now_ms), series.value, ambient_c)
    except ValueError:  # it never cooled down by enough
        return default
    return min(max(found, _COOLING_BOUNDS_PER_H[0]), _COOLING_BOUNDS_PER_H[1])


def _crossing_h(now_c: float, peak_c: float, ahead_h: float, limit_c: float) -> float:
    """When a rise that flattens to its peak, as a parabola does, passes the limit; inf if never."""
    if peak_c < limit_c:
        return math.inf
    if now_c >= limit_c:
        return 0.0
    return ahead_h * (1.0 - math.sqrt((peak_c - limit_c) / (peak_c - now_c)))


def _too_hot(situation: Situation, seen: _Pocket, level: Level) -> Finding:
    limits = situation.limits
    peak = peak_forecast(situation, limits["heating_horizon_h"])
    value = seen.signal.value
    worse = peak is not None and peak.ahead_h > 0.5 and peak.peak_c > value + 1.0
    tail = f", rising to about {degrees(peak.peak_c)}" if peak is not None and worse else ""
    where = POSITION_WORDS[seen.position]
    headline = f"{situation.name}: {where} is at {degrees(value)} — too hot{tail}"
    since_ms = max(level.since_ms, settled_ms(situation))
    return _holding(situation, seen, peak, Priority.URGENT, headline, since_ms=since_ms, eta=None)


def _will_be(situation: Situation, seen: _Pocket, peak: PeakForecast | None, eta_h: float) -> Finding:
    value, limit = seen.signal.value, situation.limits["pocket_high_c"]
    low = high = eta_h
    if peak is not None:
        ahead = max(peak.ahead_h, 0.5)
        low = min(eta_h, _crossing_h(value, max(peak.high_c, limit), ahead, limit))
        high = max(eta_h, _crossing_h(value, peak.low_c, ahead, limit))
    peaks = ""
    if peak is not None and peak.peak_c > limit:
        peaks = f"; peak about {degrees(peak.peak_c)} in {hours(max(peak.ahead_h, 0.5))}"
    where = POSITION_WORDS[seen.position]
    headline = f"{situation.name}: {where} will be too hot {in_hours(eta_h, low, high)}{peaks}"
    priority = Priority.URGENT if eta_h < 4.0 else Priority.TODAY
    return _holding(
        situation, seen, peak, priority, headline, since_ms=seen.signal.latest_ms, eta=(eta_h, low, high)
    )


def _holding(
    situation: Situation,
    seen: _Pocket,
    peak: PeakForecast | None,
    priority: Priority,
    headline: str,
    *,
    since_ms: int,
    eta: tuple[float, float, float] | None,
) -> Finding:
    why = disturbed(situation)
    advice, amounts = _advice(situation, seen, peak)
    return Finding(
        rule=RULE,
        verdict=Verdict.UNKNOWN if why else Verdict.HOLDS,
        since_ms=since_ms,
        forecast=eta is not None,
        priority=priority,
        position=seen.position,
        value=seen.signal.value,
        limit=situation.limits["pocket_high_c"],
        unit="Cel",
        eta_h=eta[0] if eta else None,
        eta_low_h=eta[1] if eta else None,
        eta_high_h=eta[2] if eta else None,
        headline=f"{headline}; {why}" if why else headline,
        advice=advice,
        caution="Hot feed steams and moulds: open the lid away from your face, and wear gloves.",
        amounts=amounts,
        evidence=seen.signal.evidence,
    )


def _advice(situation: Situation, seen: _Pocket, peak: PeakForecast | None) -> tuple[str, dict[str, float]]:
    fed = seen.fed
    amounts: dict[str, float] = {}
    parts: list[str] = []
    safe = _safe_ration_kg(situation, seen, peak)
    if fed is None:
        parts.append("No feeding is in the log. Spread the warm feed out to a layer of 3 cm, or take it out.")
    else:
        what = fed.what or "feed"
        mass = f"the {amount(fed.amount_kg)} kg of {what}" if fed.amount_kg else f"the {what}"
        ago = hours(hours_ago(situation, fed.at_ms))
        parts.append(f"Spread {mass} fed {ago} ago to a layer of 3 cm and turn it once.")
        if fed.amount_kg and safe is not None and safe < fed.amount_kg:
            amounts["remove_kg"] = fed.amount_kg - safe
            parts.append(f"If it stays hot, take {amount(amounts['remove_kg'])} kg of it out.")
    hold = _hold_h(situation, seen, peak)
    if hold is not None:
        amounts["hold_h"] = hold
        parts.append(f"Do not feed for {hours(hold)}.")
    else:
        parts.append("Do not feed until it has cooled.")
    if safe is not None and math.isfinite(safe):
        amounts["safe_feed_kg"] = safe
        parts.append(
            f"Next time give {amount(safe)} kg at most."
            if safe > 0.0
            else "The bin is too warm for any feed now."
        )
    return " ".join(parts), amounts


def _safe_ration_kg(situation: Situation, seen: _Pocket, peak: PeakForecast | None) -> float | None:
    """The ration that stays under the limit by what past feedings, and this one, did; None if unknown."""
    fed_kg: list[float] = []
    rises_c: list[float] = []
    meals = entries(situation, "fed")
    series = seen.signal.series
    ends = [meal.at_ms for meal in meals[1:]] + [situation.now_ms]
    for meal, end in zip(meals, ends[: len(meals)], strict=True):
        if meal.amount_kg is None or meal.amount_kg <= 0.0:
            continue
        before = series.until(meal.at_ms).since(meal.at_ms - 12 * HOUR_MS)
        after = series.since(meal.at_ms).until(min(end, meal.at_ms + int(FEED_WORKS_H) * HOUR_MS))
        if len(before) < 2 or len(after) < _LEAST_READINGS:
            continue
        rise = float(after.value.max() - np.median(before.value))
        if meal is seen.fed and peak is not None:
            rise = max(rise, peak.peak_c - float(np.median(before.value)))
        fed_kg.append(meal.amount_kg)
        rises_c.append(rise)
    if not fed_kg:
        return None
    return safe_ration_kg(fed_kg, rises_c, seen.base_c, situation.limits["pocket_high_c"])


def _hold_h(situation: Situation, seen: _Pocket, peak: PeakForecast | None) -> float | None:
    """Hours until the pocket is back at what the species likes: to the peak, then Newton's cooling."""
    wanted = situation.limits["temp_high_c"] - situation.limits["temp_deadband_c"]
    top = max(seen.signal.value, peak.peak_c if peak is not None else -math.inf)
    ahead = max(peak.ahead_h, 0.0) if peak is not None else 0.0
    if wanted <= seen.base_c + 0.5:
        return None
    if top <= wanted:
        return max(ahead, 12.0)
    return ahead + math.log((top - seen.base_c) / (wanted - seen.base_c)) / _cooling(situation, seen)
