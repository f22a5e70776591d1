"""Food: what was given, what is left of it, and how each feeding heated, with the forecast beside it."""

import numpy as np

from underlid.model import Bin, Position, Quantity, Series, Subject, SubjectKind
from underlid.reports.bedding import DAY_MS
from underlid.reports.held import HOUR_MS
from underlid.reports.material import Material
from underlid.reports.report import Extreme, Feeding, Food, Heating, PeakForecast
from underlid.reports.stock import FOOD_BACK_DAYS, food_left
from underlid.reports.then import situation_at
from underlid.rules.feed_heating import peak_forecast
from underlid.science.heating import WATCH_H

FORECAST_AFTER_H = 6  # the forecast that is held against the outcome was made so long after the feeding
MOST_FORECASTS = 16  # a tenth of a second each, and the report of a large farm is to be there in a few
_BEFORE_H = 12
_LEAST_READINGS = 4
_STEP_H = 6
_AHEAD = 28  # six-hourly temperatures whose mean is taken for the week to come
_EVERY_PEAK = {"pocket_high_c": 20.0}  # the rule works out a forecast only near its limit: here, from 18 C on


def bed_course(material: Material, bin_: Bin) -> Series:
    """Temperature of the bedding up to the week's end: daily means, then six-hourly ones; known ones only."""
    bed = material.bed(Subject(SubjectKind.BIN, bin_.id))
    past = material.past_c[bin_.id]
    if bed is None:
        return past
    begin = min(piece.from_ms for piece in bed.pieces)
    edges = np.arange(begin, material.to_ms + 1, _STEP_H * HOUR_MS, dtype=np.int64)
    held = bed.held(begin, material.to_ms)
    if len(edges) < 2 or not len(held.value):
        return past
    means = held.means(edges)
    known = np.isfinite(means)
    middle = edges[:-1][known] + _STEP_H * HOUR_MS // 2
    earlier = past.time_ms < edges[0]
    return Series(
        np.concatenate([past.time_ms[earlier], middle]), np.concatenate([past.value[earlier], means[known]])
    )


def food(material: Material, bin_: Bin) -> Food | None:
    """Food of the week and what is left of all that was given in the last weeks; None without any."""
    week = material.week
    log = [e for e in material.log.get(Subject(SubjectKind.BIN, bin_.id), ()) if e.kind == "fed"]
    course = bed_course(material, bin_)
    given = [e for e in log if e.at_ms >= material.to_ms - FOOD_BACK_DAYS * DAY_MS]
    if not given:
        return None
    left = {e.id: food_left(e, course, material.to_ms) for e in given}
    known = [each for each in left.values() if each is not None]
    ahead_c = float(course.value[-_AHEAD:].mean()) if len(course) else 0.0
    stays = [food_left(e, course, material.to_ms, ahead_c) for e in given]
    left_kg = sum(float(each.kg) for each in known)
    this_week = [e for e in given if e.at_ms >= week.from_ms]
    before = [e for e in given if week.before.from_ms <= e.at_ms < week.from_ms]
    return Food(
        fed_kg=round(sum(e.amount_kg or 0.0 for e in this_week), 2),
        fed_before_kg=round(sum(e.amount_kg or 0.0 for e in before), 2),
        unweighed=sum(e.amount_kg is None for e in this_week),
        left_kg=round(left_kg, 2),
        left_low_kg=round(sum(float(each.low_kg) for each in known), 2),
        left_high_kg=round(sum(float(each.high_kg) for each in known), 2),
        goes_kg=round(left_kg - sum(float(each.kg) for each in stays if each is not None), 2),
        feedings=[
            Feeding(
                at=e.at_ms,
                kg=e.amount_kg,
                what=e.what,
                corner=e.corner,
                left_kg=round(float(of_it.kg), 2) if (of_it := left[e.id]) is not None else None,
            )
            for e in this_week
        ],
    )


def heatings(material: Material, bin_: Bin) -> list[Heating]:
    """What each feeding did that was watched in the week: also one given up to three days before it."""
    subject = Subject(SubjectKind.BIN, bin_.id)
    position = (
        Position.POCKET if material.track(subject, Position.POCKET, Quantity.TEMPERATURE) else Position.CORE
    )
    track = material.track(subject, position, Quantity.TEMPERATURE)
    if track is None:
        return []
    series = track.series()
    hands = [e for e in material.log.get(subject, ()) if e.kind in ("fed", "turned")]
    if not hands:
        return []
    ends = [after.at_ms for after in hands[1:]] + [material.to_ms]
    watched_ms = round(WATCH_H * HOUR_MS)
    found = []
    for fed, next_ms in zip(hands, ends, strict=True):
        full_ms = min(next_ms, fed.at_ms + watched_ms)
        if fed.kind != "fed" or full_ms <= material.week.from_ms:
            continue
        before = series.since(fed.at_ms - _BEFORE_H * HOUR_MS).until(fed.at_ms)
        after = series.since(fed.at_ms + 1).until(full_ms)
        if len(before) < 2 or len(after) < _LEAST_READINGS:
            continue
        base, top = float(np.median(before.value)), int(np.argmax(after.value))
        peak = float(after.value[top])
        limit = material.limits(bin_)["pocket_high_c"]
        found.append(
            Heating(
                fed_at=fed.at_ms,
                kg=fed.amount_kg,
                what=fed.what,
                position=position,
                before_c=round(base, 2),
                peak=Extreme(value=round(peak, 2), at=int(after.time_ms[top])),
                rise_c=round(peak - base, 2),
                limit_c=limit,
                too_hot=peak > limit,
                watched_h=round((full_ms - fed.at_ms) / HOUR_MS, 1),
                over=full_ms < material.to_ms,
                forecast=None,
            )
        )
    return found


def with_forecasts(material: Material, found: dict[str, list[Heating]]) -> dict[str, list[Heating]]:
    """The heatings of each bin with what was to be expected 6 h after the feeding beside what came.

    It is what the rule makes of the readings up to then; of a large farm, for the pockets that were warmest by then,
    a choice that does not look at what came. The rule makes none of a pocket that is to stay cool.
    """
    bins = {bin_.id: bin_ for bin_ in material.basis.bins}
    by_then: list[tuple[float, str, int]] = []
    for bin_id, heatings in found.items():
        for index, heating in enumerate(heatings):
            at_c = _by_then(material, bins[bin_id], heating)
            if at_c is not None:
                by_then.append((at_c, bin_id, index))
    out = {bin_id: list(heatings) for bin_id, heatings in found.items()}
    by_then.sort(reverse=True)
    for _, bin_id, index in by_then[MOST_FORECASTS:]:
        out[bin_id][index] = out[bin_id][index].model_copy(update={"forecast_left_out": True})
    for at_c, bin_id, index in by_then[:MOST_FORECASTS]:
        heating = out[bin_id][index]
        made_ms = heating.fed_at + FORECAST_AFTER_H * HOUR_MS
        peak = peak_forecast(situation_at(material, bins[bin_id], made_ms, _EVERY_PEAK), WATCH_H)
        if peak is not None:
            forecast = PeakForecast(
                made_at=made_ms,
                peak_c=round(peak.peak_c, 1),
                low_c=round(peak.low_c, 1),
                high_c=round(peak.high_c, 1),
                confidence=peak.confidence,
                at_c=round(at_c, 2),
            )
            out[bin_id][index] = heating.model_copy(update={"forecast": forecast})
    return out


def _by_then(material: Material, bin_: Bin, heating: Heating) -> float | None:
    """The temperature when the forecast is made; None where it was too early or silent."""
    if heating.watched_h <= FORECAST_AFTER_H:
        return None
    track = material.track(Subject(SubjectKind.BIN, bin_.id), heating.position, Quantity.TEMPERATURE)
    assert track is not None
    seen = track.series().since(heating.fed_at).until(heating.fed_at + FORECAST_AFTER_H * HOUR_MS)
    return float(seen.value[-1]) if len(seen) >= _LEAST_READINGS else None
