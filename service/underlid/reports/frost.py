"""Freezing of tubs and of bins outdoors: spells and hours, and a tub's state day by day by its probe's plateaus."""

from datetime import date, timedelta

import numpy as np

from underlid.model import Bin, FeedStore, Position, Quantity, Subject, SubjectKind
from underlid.reports.held import HOUR_MS, Held
from underlid.reports.material import Material
from underlid.reports.report import Extreme, Frost, FrostDay, FrostWord, Spell
from underlid.reports.tracks import Track
from underlid.rules.tub_state import MODEL_C, STATE_OVER_H, shape, surface_of
from underlid.science.freezing import course_by_air, freezing_state
from underlid.science.tubs import HARD_FROZEN_C

JOINED_MS = 3 * HOUR_MS  # spells nearer to each other, or with so short a silence between, are one
LEAST_MS = HOUR_MS  # shorter ones are not told
_NEAR_C = 3.0  # a bin that stayed further above freezing has no story of frost
_WORDS: dict[str, FrostWord] = {
    "unfrozen": "soft",
    "freezing": "freezing",
    "frozen through": "frozen-through",
    "hard-frozen": "hard-frozen",
    "thawing": "thawing",
    "thawed": "thawed",
}


def frost(material: Material, thing: Bin | FeedStore) -> Frost | None:
    """The week's frost; None for a bin indoors or well above freezing, and where no probe speaks."""
    is_bin = isinstance(thing, Bin)
    if is_bin and not material.basis.place(thing).outdoors:
        return None
    subject = Subject(SubjectKind.BIN if is_bin else SubjectKind.FEED_STORE, thing.id)
    limit = material.limits(thing)["freeze_c"]
    found = _coldest(material, subject)
    if found is None:
        return None if isinstance(thing, Bin) else _by_air(material, thing, limit)
    track, held = found
    if is_bin and float(held.value.min()) > limit + _NEAR_C:
        return None
    days = [] if is_bin else [_day(material, track, day) for day in material.week.days]
    return _frost(held, limit, material.to_ms, days)


def _frost(held: Held, limit_c: float, to_ms: int, days: list[FrostDay], *, from_air: bool = False) -> Frost:
    cold, hard = held.value <= limit_c, held.value <= HARD_FROZEN_C
    least = int(np.argmin(held.value))
    return Frost(
        limit_c=limit_c,
        below_h=round(float(held.lasting_ms[cold].sum()) / HOUR_MS, 1),
        hard_frozen_h=round(float(held.lasting_ms[hard].sum()) / HOUR_MS, 1),
        lowest=Extreme(value=round(float(held.value[least]), 2), at=int(held.start_ms[least])),
        spells=spells(held, limit_c, to_ms),
        days=days,
        from_air=from_air,
    )


def _coldest(material: Material, subject: Subject) -> tuple[Track, Held] | None:
    found = [
        (track, track.week)
        for track in material.tracks.get(subject, ())
        if track.quantity is Quantity.TEMPERATURE and track.position is not Position.AIR
        if len(track.week.value)
    ]
    return min(found, key=lambda pair: float(pair[1].value.min()), default=None)


def spells(held: Held, limit_c: float, to_ms: int) -> list[Spell]:
    """Unbroken stretches at or below the limit."""
    joined: list[list[float]] = []  # start, end, hours known below, lowest
    cold = held.value <= limit_c
    for start, end, value in zip(
        held.start_ms[cold].tolist(), held.end_ms[cold].tolist(), held.value[cold].tolist(), strict=True
    ):
        if joined and start - joined[-1][1] <= JOINED_MS:
            joined[-1][1] = end
            joined[-1][2] += (end - start) / HOUR_MS
            joined[-1][3] = min(joined[-1][3], value)
        else:
            joined.append([start, end, (end - start) / HOUR_MS, value])
    return [
        Spell(
            start=int(start),
            end=None if end >= to_ms else int(end),
            hours=round(hours, 1),
            lowest_c=round(lowest, 2),
        )
        for start, end, hours, lowest in joined
        if end - start >= LEAST_MS
    ]


def _day(material: Material, track: Track, day: date) -> FrostDay:
    """A day's lowest, and the state of a tub at its end."""
    from_ms = material.week.day_ms(day)
    end_ms = min(material.week.day_ms(day + timedelta(1)), material.to_ms)
    part = track.held(from_ms, end_ms) if end_ms > from_ms else None
    if part is None or not len(part.value):
        return FrostDay(day=day, state="unknown", lowest_c=None)
    return FrostDay(day=day, state=_tub_state(track, end_ms), lowest_c=round(float(part.value.min()), 2))


def _tub_state(track: Track, at_ms: int) -> FrostWord:
    edges = np.arange(at_ms - STATE_OVER_H * HOUR_MS, at_ms + 1, HOUR_MS, dtype=np.int64)
    held = track.held(int(edges[0]), at_ms)
    if not len(held.value):
        return "unknown"
    means = held.means(edges)
    if not np.isfinite(means).any():
        return "unknown"
    return _WORDS.get(freezing_state((edges[1:] - at_ms) / HOUR_MS, means).state, "unknown")


def _by_air(material: Material, store: FeedStore, limit_c: float) -> Frost | None:
    """A tub without a probe, by the model of `feed-freezing` from hourly means of the air it stands in."""
    air = material.air(store.place_id, Quantity.TEMPERATURE)
    if air is None or not len(air.week.value):
        return None
    from_ms = material.week.from_ms
    edges = np.arange(from_ms - STATE_OVER_H * HOUR_MS, material.to_ms + 1, HOUR_MS, dtype=np.int64)
    means = air.held(int(edges[0]), material.to_ms).means(edges)
    known = np.isfinite(means)
    first = int(np.argmax(known))
    if np.count_nonzero(known) < 2:
        return None
    ends, means, known = edges[first + 1 :], np.clip(means[first:], *MODEL_C), known[first:]
    course = course_by_air((ends - from_ms) / HOUR_MS, means, shape(store), surface_w_m2k=surface_of(store))
    in_week = known & (ends > from_ms)
    if not in_week.any():
        return None
    held = Held(ends[in_week] - HOUR_MS, ends[in_week], course.core_c[in_week])
    days = []
    for day in material.week.days:
        begin, end = material.week.day_ms(day), material.week.day_ms(day + timedelta(1))
        of_day = np.flatnonzero(in_week & (ends > begin) & (ends <= end))
        if not len(of_day):
            days.append(FrostDay(day=day, state="unknown", lowest_c=None))
            continue
        lowest = round(float(course.core_c[of_day].min()), 2)
        state = _WORDS.get(course.state[int(of_day[-1])], "unknown")
        days.append(FrostDay(day=day, state=state, lowest_c=lowest))
    return _frost(held, limit_c, material.to_ms, days, from_air=True)
