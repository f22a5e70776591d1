"""Readings, log and alarms as CSV (RFC 4180) with units in the headers. Pieces of text, one after another."""

import csv
import io
from collections.abc import Iterable, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from underlid.exchange.cells import defused
from underlid.exchange.stream import Rows, Span, alarm_steps, log_entries, series, side_by_side
from underlid.model import Channel
from underlid.store.ledger import Ledger
from underlid.store.readings import Readings

TIME = "time (UTC)"
LONG = ("probe", "channel", "unit", TIME, "value")
LOG = (TIME, "bin", "kind", "what", "amount (kg)", "amount (l)", "corner", "note", "key")
ALARMS = (
    TIME, "subject", "name", "rule", "cause", "before", "after", "by", "priority", "value", "limit", "unit",
    "forecast (h)", "headline", "advice", "caution",
)  # fmt: skip
NUMBERS = ("value", "limit", "amount (kg)", "amount (l)", "forecast (h)")  # columns of them, in any table


def readings_long(readings: Readings, channels: Sequence[Channel], span: Span) -> Iterator[str]:
    """A row for each reading; as units differ from row to row, they have a column."""
    yield _line(LONG)
    for channel in channels:
        start = _line([defused(channel.probe_id), defused(channel.name), channel.unit])[:-2]
        for piece in series(readings, channel, span):
            times, values = moments(piece.time_ms), map(repr, piece.value.tolist())
            yield "".join([f"{start},{at},{value}\r\n" for at, value in zip(times, values, strict=True)])


def readings_wide(readings: Readings, channels: Sequence[Channel], span: Span) -> Iterator[str]:
    """A row for each time, a column for each channel."""
    yield _line([TIME, *(defused(f"{c.probe_id}/{c.name} ({c.unit})") for c in channels)])
    for piece in side_by_side(readings, channels, span):
        yield "".join(_wide_lines(piece))


def _wide_lines(piece: Rows) -> Iterator[str]:
    for at, values in zip(moments(piece.time_ms), piece.value.tolist(), strict=True):
        yield f"{at},{','.join('' if value != value else repr(value) for value in values)}\r\n"


def log(ledger: Ledger, span: Span) -> Iterator[str]:
    """A row for each entry, newest first."""
    yield _line(LOG)
    for entry in log_entries(ledger, span):
        yield _line(
            [
                moment(entry.at_ms),
                defused(str(entry.subject)),
                entry.kind,
                defused(entry.what),
                _number(entry.amount_kg),
                _number(entry.amount_l),
                defused(entry.corner),
                defused(entry.note),
                entry.key or "",
            ]
        )


def alarms(ledger: Ledger, span: Span) -> Iterator[str]:
    """A row for each step in an alarm's life, alarm after alarm."""
    yield _line(ALARMS)
    for name, step in alarm_steps(ledger, span):
        finding = step.alarm.finding
        told = (
            [
                finding.priority.value,
                _number(finding.value),
                _number(finding.limit),
                finding.unit,
                _number(finding.eta_h),
                *map(defused, (finding.headline, finding.advice, finding.caution)),
            ]
            if finding
            else [""] * 8
        )
        own = [
            moment(step.at_ms),
            defused(str(step.alarm.subject)),
            defused(name),
            step.alarm.rule,
            step.cause,
        ]
        yield _line([*own, step.before.value, step.after.value, defused(step.by), *told])


def moments(time_ms: NDArray[np.int64]) -> list[str]:
    """Times as RFC 3339 in UTC, to the millisecond."""
    text: list[str] = np.datetime_as_string(time_ms.astype("M8[ms]"), unit="ms", timezone="UTC").tolist()
    return text


def moment(time_ms: int) -> str:
    return moments(np.array([time_ms]))[0]


def _number(value: float | None) -> str:
    return "" if value is None else repr(value)


def _line(cells: Iterable[str]) -> str:
    text = io.StringIO()
    csv.writer(text).writerow(cells)
    return text.getvalue()
