"""A day's summary as the stores have it now."""

from collections.abc import Mapping
from datetime import date

import numpy as np

from underlid.model import Quantity, Subject, SubjectKind
from underlid.reports.daily import DailySummary, Trace, summary
from underlid.reports.held import HOUR_MS, hold, together, usable
from underlid.rules.condition import Condition, PositionState, from_json
from underlid.store import alarms, catalogue
from underlid.store.ledger import Connection
from underlid.store.readings import Readings

TRACE_H = 48
MOST_TRACES = 6


def summary_of(
    connection: Connection, readings: Readings, day: date, now_ms: int, zone: str | None = None
) -> DailySummary:
    """The summary of a day, with what is to be drawn; times are told on the clocks of the zone, else the farm's."""
    farm = catalogue.farm(connection)
    assert farm is not None, "the farm is made when the service starts"
    conditions = {
        Subject(kind, id_): from_json(body)
        for kind in (SubjectKind.BIN, SubjectKind.FEED_STORE)
        for id_, body in alarms.conditions(connection, kind).items()
    }
    retired = {probe.id for probe in catalogue.probes(connection) if probe.retired_ms is not None}
    names = {
        subject: name
        for subject, name in catalogue.names(connection).items()
        if subject.kind is not SubjectKind.PROBE or subject.id not in retired
    }
    live = alarms.alarms(connection, live_only=True)
    found = summary(farm.name, zone or farm.time_zone, day, now_ms, live, conditions, names)
    return found.model_copy(update={"traces": _traces(found, readings, conditions, now_ms)})


def _traces(
    found: DailySummary, readings: Readings, conditions: Mapping[Subject, Condition], now_ms: int
) -> list[Trace]:
    wanted = dict.fromkeys(
        (Subject(item.subject_kind, item.subject_id), item.quantity, item.name)
        for item in (*found.hands, *found.coming)
        if item.quantity is not None and Subject(item.subject_kind, item.subject_id) in conditions
    )
    start_ms = now_ms // HOUR_MS * HOUR_MS - (TRACE_H - 1) * HOUR_MS
    traces = []
    for subject, quantity, name in list(wanted)[:MOST_TRACES]:
        assert quantity is not None
        shown = [p for p in conditions[subject].positions if p.quantity is quantity]
        by_position: dict[str, list[PositionState]] = {}
        for state in shown:
            by_position.setdefault(state.position, []).append(state)
        if shown:
            traces.append(
                Trace(
                    subject_kind=subject.kind,
                    subject_id=subject.id,
                    name=name,
                    quantity=quantity,
                    start=start_ms,
                    curves={
                        states[0].position: _hourly(readings, states, quantity, start_ms, now_ms)
                        for states in by_position.values()
                    },
                    low=shown[0].low,
                    high=shown[0].high,
                )
            )
    return traces


def _hourly(
    readings: Readings, states: list[PositionState], quantity: Quantity, start_ms: int, now_ms: int
) -> list[float | None]:
    pieces = []
    for state in states:
        series = readings.window(state.channel, start_ms - HOUR_MS, now_ms)
        good = usable(series, quantity)
        pieces.append(hold(type(series)(series.time_ms[good], series.value[good]), start_ms, now_ms + 1))
    held = together(pieces)
    if not len(held.value):
        return [None] * TRACE_H
    means = held.means(start_ms + np.arange(TRACE_H + 1, dtype=np.int64) * HOUR_MS)
    return [round(mean, 2) if np.isfinite(mean) else None for mean in means.tolist()]
