"""What is exported, piece by piece: readings, log and alarms, never all of them in memory."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from underlid.model import Channel, LogEntry, Series, Transition
from underlid.store import alarms, catalogue
from underlid.store import log as keepers_log
from underlid.store.ledger import Ledger
from underlid.store.readings import Readings

DAY_MS = 86_400_000
_PAGE = 500


@dataclass(frozen=True, slots=True)
class Span:
    """From and to a time, both included."""

    from_ms: int
    to_ms: int


def channels_of(ledger: Ledger, probes: Sequence[str] = (), ids: Sequence[int] = ()) -> list[Channel]:
    """All channels, or those of some probes or ids, by probe and name."""
    with ledger.reading() as connection:
        found = catalogue.channels(connection)
    chosen = [c for c in found if (not probes or c.probe_id in probes) and (not ids or c.id in ids)]
    return sorted(chosen, key=lambda c: (c.probe_id, c.name, c.unit))


def series(readings: Readings, channel: Channel, span: Span) -> Iterator[Series]:
    """A channel's readings, a day at most at a time, in time order. Days without any are left out."""
    first_ms, last = readings.first_ms([channel.id]), readings.latest([channel.id])
    if first_ms is None or channel.id not in last:
        return
    at_ms, end_ms = max(first_ms, span.from_ms), min(last[channel.id].time_ms, span.to_ms)
    while at_ms <= end_ms:
        until_ms = min((at_ms // DAY_MS + 1) * DAY_MS - 1, end_ms)
        found = readings.window(channel.id, at_ms, until_ms)
        if len(found):
            yield found
        at_ms = until_ms + 1


@dataclass(frozen=True, slots=True)
class Rows:
    """Readings of several channels at the same times: `value` is times by channels, NaN where there is none."""

    time_ms: np.ndarray[tuple[int], np.dtype[np.int64]]
    value: np.ndarray[tuple[int, int], np.dtype[np.float64]]


def side_by_side(readings: Readings, channels: Sequence[Channel], span: Span) -> Iterator[Rows]:
    """The readings of channels by time, a day at most at a time."""
    ids = [channel.id for channel in channels]
    first_ms, last = readings.first_ms(ids), readings.latest(ids)
    if first_ms is None or not last:
        return
    at_ms = max(first_ms, span.from_ms)
    end_ms = min(max(reading.time_ms for reading in last.values()), span.to_ms)
    while at_ms <= end_ms:
        until_ms = min((at_ms // DAY_MS + 1) * DAY_MS - 1, end_ms)
        found = [readings.window(id_, at_ms, until_ms) for id_ in ids]
        times = np.unique(np.concatenate([each.time_ms for each in found]))
        if len(times):
            value = np.full((len(times), len(ids)), np.nan)
            for column, each in enumerate(found):
                value[np.searchsorted(times, each.time_ms), column] = each.value
            yield Rows(times, value)
        at_ms = until_ms + 1


def log_entries(ledger: Ledger, span: Span) -> Iterator[LogEntry]:
    """Entries, newest first, read by the page."""
    before: tuple[int, int] | None = None
    while True:
        with ledger.reading() as connection:
            page = keepers_log.entries(connection, span.from_ms, span.to_ms, limit=_PAGE, before=before)
        yield from page
        if len(page) < _PAGE:
            return
        before = (page[-1].at_ms, page[-1].id)


def alarm_steps(ledger: Ledger, span: Span) -> Iterator[tuple[str, Transition]]:
    """Every step in the lives of alarms, oldest first of each alarm, with what its subject is called."""
    with ledger.reading() as connection:
        names = catalogue.names(connection)
        every = sorted(alarms.alarms(connection), key=lambda alarm: alarm.id)
    for alarm in every:
        with ledger.reading() as connection:
            steps = alarms.history(connection, alarm)
        for step in reversed(steps):
            if span.from_ms <= step.at_ms <= span.to_ms:
                yield names.get(alarm.subject, alarm.subject.id), step
