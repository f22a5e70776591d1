"""A week at each position: time in range, extremes with when, trend, and hourly means to draw."""

from collections.abc import Iterable, Sequence
from typing import Literal

import numpy as np

from underlid.model import Bin, FeedStore, LogKind, Quantity, Subject
from underlid.reports.held import HOUR_MS, Held
from underlid.reports.material import Material
from underlid.reports.report import Extreme, Figures, PositionReport, TrendWord
from underlid.rules.condition import bounds

_TREND_STEP_H = 6
_WETS: tuple[LogKind, ...] = ("wetted", "turned", "bedding", "split", "harvest")
_LEAST_STEPS = 8  # two days' worth
_MAD_TO_SIGMA = 1.4826  # of a normal distribution
# Slower than this per day is steady, even if it is sure (common practice, no source).
_STEADY_PER_DAY = {Quantity.TEMPERATURE: 0.1, Quantity.MOISTURE: 0.2, Quantity.HUMIDITY: 1.0}


def positions(material: Material, subject: Subject, thing: Bin | FeedStore | None) -> list[PositionReport]:
    """Every position of a subject with a reading in the week or the one before."""
    limits = material.limits(thing) if thing is not None else None
    week, before = material.week, material.week.before
    names = {probe.id: probe.name for probe in material.basis.probes}
    log = material.log.get(subject, ())
    found = []
    for track in material.tracks.get(subject, ()):
        hands = [e.at_ms for e in log if e.kind in _WETS] if track.quantity is Quantity.MOISTURE else []
        low, high = (
            bounds(limits, subject.kind, track.position, track.quantity)
            if limits is not None
            else (None, None)
        )
        held = track.week
        span_ms = material.to_ms - week.from_ms
        earlier = track.before
        if not len(held.value) and not len(earlier.value):
            continue
        edges = np.arange(week.from_ms, week.to_ms + 1, HOUR_MS, dtype=np.int64)
        means = held.means(edges) if len(held.value) else np.full(len(edges) - 1, np.nan)
        probes = dict.fromkeys(
            names.get(piece.channel.probe_id, piece.channel.probe_id)
            for piece in track.pieces
            if piece.to_ms > week.from_ms
        )
        found.append(
            PositionReport(
                position=track.position,
                quantity=track.quantity,
                unit=track.unit,
                low=low,
                high=high,
                probes=list(probes),
                this_week=figures(held, track.quantity, span_ms, low, high, hands),
                week_before=figures(earlier, track.quantity, before.to_ms - before.from_ms, low, high, hands),
                curve=[round(mean, 2) if np.isfinite(mean) else None for mean in means.tolist()],
            )
        )
    return found


def figures(
    held: Held,
    quantity: Quantity,
    span_ms: int,
    low: float | None,
    high: float | None,
    hands_ms: Sequence[int] = (),
) -> Figures | None:
    """The figures of the readings that stand within a span; None where nothing is known."""
    if not held.known_ms:
        return None
    judged = low is not None or high is not None
    below = 1.0 - held.share(low, None)
    above = 1.0 - held.share(None, high)
    least, most = int(np.argmin(held.value)), int(np.argmax(held.value))
    slope, word = _trend(held, quantity, hands_ms)
    return Figures(
        known_pct=round(100.0 * held.known_ms / span_ms, 1),
        in_range_pct=round(100.0 * held.share(low, high), 1) if judged else None,
        below_pct=round(100.0 * below, 1) if low is not None else None,
        above_pct=round(100.0 * above, 1) if high is not None else None,
        lowest=Extreme(value=round(float(held.value[least]), 2), at=int(held.start_ms[least])),
        median=round(held.median(), 2),
        highest=Extreme(value=round(float(held.value[most]), 2), at=int(held.start_ms[most])),
        trend_per_day=slope,
        trend=word,
    )


def _trend(held: Held, quantity: Quantity, hands_ms: Sequence[int]) -> tuple[float | None, TrendWord]:
    """Median slope, per day, of means over six hours (Theil 1950, Sen 1968), of pairs with no hand in between.

    It rises or falls where that is more than a little a day, and over the longest undisturbed stretch more than twice
    the scatter of those means about the line (common practice, no source).
    """
    step_ms = _TREND_STEP_H * HOUR_MS
    edges = np.arange(held.start_ms[0], held.end_ms[-1] + 1, step_ms, dtype=np.int64)
    means = held.means(edges) if len(edges) > 1 else np.empty(0)
    stretch = np.searchsorted(np.array(sorted(hands_ms), dtype=np.int64), edges)
    known = np.isfinite(means) & (
        np.diff(stretch) == 0
    )  # six hours with a hand in them belong to neither side
    if np.count_nonzero(known) < _LEAST_STEPS:
        return None, "unknown"
    time_h, value, part = (
        np.arange(len(means))[known] * float(_TREND_STEP_H),
        means[known],
        stretch[:-1][known],
    )
    first, second = np.triu_indices(len(value), 1)
    same = part[first] == part[second]
    if np.count_nonzero(same) < _LEAST_STEPS:
        return None, "unknown"
    first, second = first[same], second[same]
    per_h = float(np.median((value[second] - value[first]) / (time_h[second] - time_h[first])))
    off = value - per_h * time_h
    off -= np.array([np.median(off[part == each]) for each in part])
    scatter = _MAD_TO_SIGMA * float(np.median(np.abs(off)))
    sure = abs(per_h) * float(np.max(time_h[second] - time_h[first])) > 2.0 * scatter
    word: TrendWord = "steady"
    if sure and abs(24.0 * per_h) > _STEADY_PER_DAY[quantity]:
        word = "rising" if per_h > 0.0 else "falling"
    return round(24.0 * per_h, 2), word


def share_of(
    positions: Iterable[PositionReport], quantity: Quantity, of: Literal["this_week", "week_before"]
) -> float | None:
    """Time in range over several positions, each by its known time."""
    pairs = [
        (figures.in_range_pct, figures.known_pct)
        for each in positions
        if each.quantity is quantity
        if (figures := each.this_week if of == "this_week" else each.week_before) is not None
        if figures.in_range_pct is not None
    ]
    known = sum(known for _, known in pairs)
    return round(sum(share * part for share, part in pairs) / known, 1) if known else None
