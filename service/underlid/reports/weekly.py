"""The weekly report: a pure function of what was gathered. Made again from the same it is the same."""

from collections.abc import Sequence
from typing import Literal

from underlid.model import FeedStore, LogEntry, Position, Priority, Quantity, Subject, SubjectKind
from underlid.reports import history, say
from underlid.reports.feeding import food, heatings, with_forecasts
from underlid.reports.figures import positions, share_of
from underlid.reports.frost import frost
from underlid.reports.material import Material
from underlid.reports.outlook import outlook, tasks_of_bin, tasks_of_probe
from underlid.reports.probes import probe_lines
from underlid.reports.report import (
    AlarmLine,
    LogLine,
    PositionReport,
    Task,
    Totals,
    Watched,
    WeeklyReport,
)
from underlid.reports.water import water
from underlid.science.tubs import COLD_CAUTION

HEAT_CAUTION = "Hot feed steams and moulds: open the lid away from your face, and wear gloves."
DUST_CAUTION = "Dry bedding gives off dust and spores: damp it before stirring, and do not breathe it in."
MAINS_CAUTION = (
    "Mains power does not belong near damp bins; a heater needs a residual-current device and, where the local "
    "code asks for one, a licensed electrician."
)


def weekly_report(material: Material) -> WeeklyReport:
    """The report on a week, or on what has passed of it."""
    basis, week = material.basis, material.week
    names = basis.names
    found = history.episodes(material)
    lines = [history.line(episode, names) for episode in found]
    foretold = history.foretold(material, found)
    things: list[Watched] = []
    tasks = _standing(found, names)
    heated = with_forecasts(material, {bin_.id: heatings(material, bin_) for bin_ in basis.bins})
    for bin_ in basis.bins:
        subject = Subject(SubjectKind.BIN, bin_.id)
        mine = [each for each in lines if (each.subject_kind, each.subject_id) == (subject.kind, subject.id)]
        at, fed, ahead = positions(material, subject, bin_), food(material, bin_), outlook(material, bin_)
        thing = Watched(
            kind=SubjectKind.BIN,
            id=bin_.id,
            name=bin_.name,
            place=basis.place(bin_).name,
            outdoors=basis.place(bin_).outdoors,
            words=_words(at, mine),
            positions=at,
            food=fed,
            heatings=heated[bin_.id],
            water=water(material, bin_),
            frost=frost(material, bin_),
            alarms=mine,
            outlook=ahead,
        )
        things.append(thing)
        standing = {each.rule for each in mine if each.standing}
        tasks += tasks_of_bin(material, bin_, at, fed, ahead, standing)
    things += [_tub(material, store, lines) for store in basis.feed_stores]
    for place in basis.places:
        air = positions(material, Subject(SubjectKind.PLACE, place.id), None)
        things.append(
            Watched(
                kind=SubjectKind.PLACE,
                id=place.id,
                name=place.name,
                place=place.name,
                outdoors=place.outdoors,
                words=_air_words(air),
                positions=air,
            )
        )
    things = [_with_cautions(thing, found) for thing in things]
    probes = probe_lines(material)
    tasks += [task for probe in probes for task in tasks_of_probe(probe) if not _told(tasks, task)]
    log, later = _log(material)
    return WeeklyReport(
        farm=basis.farm.name,
        time_zone=basis.farm.time_zone,
        week=week.name,
        start=week.from_ms,
        end=material.to_ms,
        whole=material.to_ms >= week.to_ms,
        totals=_totals(material, things, lines),
        things=things,
        probes=probes,
        alarms=lines,
        foretold=foretold,
        scores=history.scores(foretold, [each for thing in things for each in thing.heatings]),
        tasks=sorted(tasks, key=_task_order),
        log=log,
        log_changed_later=later,
        cautions=list(
            dict.fromkeys([*_said(found), *(words for thing in things for words in thing.cautions)])
        ),
    )


def _tub(material: Material, store: FeedStore, lines: Sequence[AlarmLine]) -> Watched:
    place = material.basis.place(store)
    mine = [e for e in lines if e.subject_kind is SubjectKind.FEED_STORE and e.subject_id == store.id]
    at = positions(material, Subject(SubjectKind.FEED_STORE, store.id), store)
    cold = frost(material, store)
    words = "no probe speaks of it"
    if cold is not None:
        last = next((day.state for day in reversed(cold.days) if day.state != "unknown"), "unknown")
        words = f"{last.replace('-', ' ')} at the end; {cold.below_h:.0f} h at or below {cold.limit_c:.0f} °C"
        words += say.by_air(cold)
    return Watched(
        kind=SubjectKind.FEED_STORE,
        id=store.id,
        name=store.name,
        place=place.name,
        outdoors=place.outdoors,
        words=words,
        positions=at,
        frost=cold,
        alarms=mine,
    )


def _words(at: Sequence[PositionReport], alarms: Sequence[AlarmLine]) -> str:
    """One line on a bin."""
    parts = []
    for quantity, what in (
        (Quantity.MOISTURE, "moist enough"),
        (Quantity.TEMPERATURE, "warm as it should be"),
    ):
        share = share_of(at, quantity, "this_week")
        if share is not None:
            parts.append(f"{what} {share:.0f} % of the time")
    if not parts:
        return "nothing is known of this week"
    standing = sum(alarm.standing for alarm in alarms)
    if alarms:
        parts.append(
            f"{len(alarms)} alarm{'s' if len(alarms) > 1 else ''}"
            + (f", {standing} standing" if standing else "")
        )
    return "; ".join(parts)


def _air_words(at: Sequence[PositionReport]) -> str:
    parts = []
    for each in at:
        if each.this_week is not None:
            unit = "°C" if each.quantity is Quantity.TEMPERATURE else "% humidity"
            low, high = each.this_week.lowest.value, each.this_week.highest.value
            parts.append(f"{low:.1f} to {high:.1f} {unit}".replace("-", "\N{MINUS SIGN}"))
    return "air " + ", ".join(parts) if parts else "no probe speaks of the air here"


def _totals(material: Material, things: Sequence[Watched], lines: Sequence[AlarmLine]) -> Totals:
    bins = [thing for thing in things if thing.kind is SubjectKind.BIN]
    at = [position for thing in bins for position in thing.positions]
    known = [p.this_week.known_pct if p.this_week is not None else 0.0 for p in at]
    harvests = [
        entry.amount_kg or 0.0
        for entries in material.log.values()
        for entry in entries
        if entry.kind == "harvest" and entry.at_ms >= material.week.from_ms
    ]
    foods = [thing.food for thing in bins if thing.food is not None]
    waters = [thing.water for thing in bins if thing.water is not None]
    return Totals(
        bins=len(bins),
        in_range_moisture_pct=share_of(at, Quantity.MOISTURE, "this_week"),
        in_range_temperature_pct=share_of(at, Quantity.TEMPERATURE, "this_week"),
        in_range_moisture_before_pct=share_of(at, Quantity.MOISTURE, "week_before"),
        in_range_temperature_before_pct=share_of(at, Quantity.TEMPERATURE, "week_before"),
        known_pct=round(sum(known) / len(known), 1) if known else None,
        fed_kg=round(sum(each.fed_kg for each in foods), 2),
        fed_before_kg=round(sum(each.fed_before_kg for each in foods), 2),
        litres=round(sum(each.litres for each in waters), 2),
        litres_before=round(sum(each.litres_before for each in waters), 2),
        harvested_kg=round(sum(harvests), 2),
        alarms=history.summary(lines, material.week.from_ms),
    )


def _standing(found: Sequence[history.Episode], names: dict[Subject, str]) -> list[Task]:
    """What the alarms that stand at the end ask for."""
    return [
        Task(
            subject_kind=episode.subject.kind,
            subject_id=episode.subject.id,
            name=names.get(episode.subject, episode.subject.id),
            priority=episode.latest.priority,
            by=None,
            words=episode.latest.advice or episode.latest.headline,
        )
        for episode in found
        if episode.returned_ms is None and episode.latest.priority is not Priority.INFO
    ]


def _told(tasks: Sequence[Task], task: Task) -> bool:
    return any((t.subject_kind, t.subject_id) == (task.subject_kind, task.subject_id) for t in tasks)


def _task_order(task: Task) -> tuple[int, str, str]:
    return list(Priority).index(task.priority), str(task.by or "9999"), task.name


def _log(material: Material) -> tuple[list[LogLine], list[LogLine]]:
    """The week's entries; and what was changed of the log since the week's report was first made."""
    entries = sorted(
        (entry for of_it in material.log.values() for entry in of_it), key=lambda e: (e.at_ms, e.id)
    )
    names, basis = material.basis.names, material.basis
    week = [_log_line(e, names) for e in entries if e.at_ms >= material.week.from_ms]
    later = [_log_line(e, names, "entered") for e in entries if e.id > basis.log_id]
    later += [
        _log_line(e, names, "corrected")
        for e in entries
        if e.id <= basis.log_id and (e.corrected_ms or 0) > basis.made_ms
    ]
    return week, later + [_log_line(e, names, "deleted") for e in material.deleted]


def _log_line(
    entry: LogEntry,
    names: dict[Subject, str],
    later: Literal["entered", "corrected", "deleted"] | None = None,
) -> LogLine:
    return LogLine(
        at=entry.at_ms,
        subject_kind=entry.subject.kind,
        subject_id=entry.subject.id,
        name=names.get(entry.subject, entry.subject.id),
        kind=entry.kind,
        kg=entry.amount_kg,
        litres=entry.amount_l,
        what=entry.what,
        note=entry.note,
        later=later,
    )


def _with_cautions(thing: Watched, found: Sequence[history.Episode]) -> Watched:
    """A thing with what to take care of at it, each said once."""
    mine = [e for e in found if (e.subject.kind, e.subject.id) == (thing.kind, thing.id)]
    said = _said(mine)
    if any(heating.too_hot for heating in thing.heatings):
        said.append(HEAT_CAUTION)
    tops = [
        each.this_week
        for each in thing.positions
        if each.quantity is Quantity.MOISTURE and each.position is Position.TOP
    ]
    if any(week is not None and (week.below_pct or 0.0) > 0.0 for week in tops):
        said.append(DUST_CAUTION)
    if thing.frost is not None and thing.frost.below_h > 0.0:
        said += [COLD_CAUTION, MAINS_CAUTION]
    return thing.model_copy(update={"cautions": list(dict.fromkeys(said))})


def _said(found: Sequence[history.Episode]) -> list[str]:
    return list(dict.fromkeys(episode.latest.caution for episode in found if episode.latest.caution))
