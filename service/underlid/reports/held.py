"""Readings by time: how long each stands, and shares, medians and extremes of the time so known.

The rule. A reading stands until the next one of its channel. Where that is further away than three of the channel's
usual spacings of the week (and than half an hour), nobody knows what was in between: the reading then stands for one
usual spacing, and the rest of the silence is unknown. The usual spacing is the median. The last reading before the
week counts into it by the same rule; nothing after the week's end does. Unknown time belongs to no share.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from underlid.model import Quantity, Series
from underlid.science.quality import KINDS
from underlid.science.trend import hampel

HOUR_MS = 3_600_000
LEAST_GAP_MS = 30 * 60_000
RHYTHMS = 3
_SIGMAS = 4.0
_UNSURE_SPACING_MS = 10 * 60_000  # of a channel with too few readings to have a rhythm
_KINDS = {
    Quantity.TEMPERATURE: KINDS["temp"],
    Quantity.MOISTURE: KINDS["moist"],
    Quantity.HUMIDITY: KINDS["rh"],
}


@dataclass(frozen=True, slots=True)
class Held:
    """What a channel says over a span of time: values and from when to when each stands. Stretches never overlap."""

    start_ms: NDArray[np.int64]
    end_ms: NDArray[np.int64]
    value: NDArray[np.float64]

    @property
    def lasting_ms(self) -> NDArray[np.int64]:
        return self.end_ms - self.start_ms

    @property
    def known_ms(self) -> int:
        return int(self.lasting_ms.sum())

    def share(self, low: float | None, high: float | None) -> float:
        """Share of the known time with a value from low to high, both included; None bounds nothing."""
        inside = np.ones(len(self.value), dtype=np.bool_)
        if low is not None:
            inside &= self.value >= low
        if high is not None:
            inside &= self.value <= high
        return float(self.lasting_ms[inside].sum() / self.known_ms)

    def median(self) -> float:
        """The value that was not exceeded for half of the known time."""
        order = np.argsort(self.value, kind="stable")
        reached = np.cumsum(self.lasting_ms[order])
        at = int(np.searchsorted(reached, reached[-1] / 2.0))
        if reached[at] == reached[-1] / 2.0 and at + 1 < len(order):
            return float(self.value[order[at]] + self.value[order[at + 1]]) / 2.0
        return float(self.value[order[at]])

    def mean(self) -> float:
        return float(np.sum(self.value * self.lasting_ms)) / self.known_ms

    def means(self, edges_ms: NDArray[np.int64]) -> NDArray[np.float64]:
        """Mean over each span between edges; NaN where less than a quarter of the span is known."""
        weight = np.concatenate([[0.0], np.cumsum(self.lasting_ms, dtype=np.float64)])
        sums = np.concatenate([[0.0], np.cumsum(self.lasting_ms * self.value)])
        # Both run evenly within a stretch and stand still between two.
        at = np.empty(2 * len(self.value), dtype=np.float64)
        at[0::2], at[1::2] = self.start_ms, self.end_ms
        known = np.diff(np.interp(edges_ms, at, np.repeat(weight, 2)[1:-1]))
        summed = np.diff(np.interp(edges_ms, at, np.repeat(sums, 2)[1:-1]))
        enough = known >= np.diff(edges_ms) / 4.0
        return np.where(enough, summed / np.where(enough, known, 1.0), np.nan)

    def between(self, from_ms: int, to_ms: int) -> "Held":
        """The part within a span."""
        start, end = np.maximum(self.start_ms, from_ms), np.minimum(self.end_ms, to_ms)
        some = end > start
        return Held(start[some], end[some], self.value[some])


NOTHING = Held(np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0))


def usual_spacing_ms(time_ms: NDArray[np.int64]) -> int:
    """The median spacing of readings in time order."""
    return int(np.median(np.diff(time_ms))) if len(time_ms) >= 3 else _UNSURE_SPACING_MS


def longest_ms(spacing_ms: int) -> int:
    """The longest silence that is no gap."""
    return max(RHYTHMS * spacing_ms, LEAST_GAP_MS)


def hold(series: Series, from_ms: int, to_ms: int) -> Held:
    """How long each reading stands within a span, by the rule above."""
    series = series.until(to_ms - 1)
    within = series.since(from_ms).time_ms
    spacing = usual_spacing_ms(within)
    longest = longest_ms(spacing)
    first = max(int(np.searchsorted(series.time_ms, from_ms)) - 1, 0)
    time, value = series.time_ms[first:], series.value[first:]
    if not len(time):
        return NOTHING
    silence = np.diff(np.append(time, to_ms))
    lasting = np.where(silence > longest, np.minimum(spacing, silence), silence)
    return Held(time, time + lasting, value).between(from_ms, to_ms)


def together(pieces: Sequence[Held]) -> Held:
    """Several channels at one position: at every moment the median of those that are known."""
    some = [piece for piece in pieces if len(piece.value)]
    if len(some) <= 1:
        return some[0] if some else NOTHING
    edges = np.unique(np.concatenate([edge for piece in some for edge in (piece.start_ms, piece.end_ms)]))
    rows = np.full((len(some), len(edges) - 1), np.nan)
    for row, piece in zip(rows, some, strict=True):
        at = np.searchsorted(piece.start_ms, edges[:-1], side="right") - 1
        stands = (at >= 0) & (edges[:-1] < piece.end_ms[at])
        row[stands] = piece.value[at[stands]]
    known = np.isfinite(rows).any(axis=0)
    return Held(edges[:-1][known], edges[1:][known], np.nanmedian(rows[:, known], axis=0))


def usable(series: Series, quantity: Quantity) -> NDArray[np.bool_]:
    """Which readings can be meant: within what the quantity can be, and no lone spike.

    A lone spike stands out from the readings before and after it, to one side, by four times the quantity's ordinary
    scatter, and from its neighbourhood by the Hampel identifier.
    """
    kind = _KINDS.get(quantity)
    value = series.value
    good = np.isfinite(value)
    if kind is None:
        return good
    good &= (value >= kind.low) & (value <= kind.high)
    kept = np.flatnonzero(good)
    inner = value[kept]
    if len(inner) >= 3:
        off = np.minimum(np.abs(np.diff(inner)[:-1]), np.abs(np.diff(inner)[1:]))
        turned = np.diff(inner)[:-1] * np.diff(inner)[1:] < 0.0
        lone = np.flatnonzero(turned & (off > _SIGMAS * kind.scatter)) + 1
        if len(lone):
            spiky = hampel(inner, half_window=3, n_sigma=_SIGMAS, floor=kind.scatter)[1]
            good[kept[lone[spiky[lone]]]] = False
    return good
