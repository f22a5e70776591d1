"""`underlid import`: asks what a table leaves open, makes a dry run, then takes it in."""

import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal, get_args
from zoneinfo import available_timezones

from rich.console import Console
from rich.prompt import Confirm, Prompt

from underlid.calibrate import Calibrations
from underlid.commands import dialogue
from underlid.commands.line import which_farm
from underlid.exchange.columns import ReadingsMap, check
from underlid.exchange.guess import guess
from underlid.exchange.log_columns import KINDS, check_log, guess_log
from underlid.exchange.log_take import MOST_BYTES, take_log
from underlid.exchange.moments import ORDERS, Order
from underlid.exchange.refused import RefusedFile
from underlid.exchange.sheet import chunks
from underlid.exchange.sources import Source, What, sources
from underlid.exchange.take import Refused, Taking
from underlid.exchange.zones import Twice
from underlid.ground import farm_stores
from underlid.settings import Settings
from underlid.store.ledger import Ledger
from underlid.store.readings import Readings


@dataclass(frozen=True, slots=True)
class Told:
    """What was told of a table by options; None and '': to be guessed or asked."""

    what: What | None = None
    probe: str = ""
    bin: str = ""
    kind: str = ""
    zone: str | None = None
    order: Order | None = None
    decimal: Literal[".", ","] | None = None
    twice: Twice = "refuse"
    time: str = ""
    columns: tuple[
        str, ...
    ] = ()  # HEADER=CHANNEL, HEADER=PROBE/CHANNEL, either with ' UNIT' after it; HEADER=-


def told(
    what: str | None,
    probe: str,
    bin_: str,
    kind: str,
    zone: str | None,
    dates: str | None,
    decimal: str | None,
    twice: str,
    time: str,
    columns: Sequence[str],
) -> Told:
    """Options as they were typed. Raises ValueError for one that can't be."""
    for name, given, known in (
        ("what", what, get_args(What)),
        ("dates", dates, ORDERS),
        ("decimal", decimal, (".", ",")),
        ("twice", twice, get_args(Twice)),
        ("kind", kind or None, KINDS),
    ):
        if given is not None and given not in known:
            raise ValueError(f"--{name} {given}: not one of {', '.join(known)}")
    if zone is not None and zone not in available_timezones():
        raise ValueError(f"--zone {zone}: not an IANA time zone, for example Europe/Vienna")
    return Told(what, probe, bin_, kind, zone, dates, decimal, twice, time, tuple(columns))  # type: ignore[arg-type]


def import_file(
    settings: Settings, file: Path, told: Told, now_ms: int, *, only_try: bool, sure: bool
) -> bool:
    """Take a file in; gives whether every row was. Raises ValueError, OSError, StoreError and NoParquetError."""
    console = Console(stderr=True, highlight=False, markup=False)
    asks = sys.stdin.isatty() and not sure
    whole = True
    with farm_stores(settings) as (farm, ledger, readings):
        zone = told.zone or farm.time_zone
        found = sources(file)
        for source in found:
            beside = file if len(found) == 1 else file.with_suffix(f".{Path(source.name).name}")
            what = told.what or source.what
            by = (
                ""
                if told.what
                else f" by its header; --what {'readings' if what == 'log' else 'log'} if it is not"
            )
            console.print(f"{source.name}: a table of {what}{by}", style="bold")
            if what == "log":
                work = _log(ledger, source, told, zone, now_ms, console, asks)
            else:
                work = _readings(ledger, readings, source, told, zone, now_ms, console, asks)
            console.print("A dry run first:", style="bold")
            with RefusedFile(beside, source.sheet.header, source.sheet.separator) as refused:
                refused.put(work(True))
            dialogue.show_refused(console, refused)
            if only_try:
                whole = whole and not refused.count
                continue
            if not sure and not (asks and Confirm.ask("Take it in?", console=console, default=True)):
                raise ValueError("nothing was taken in; give --yes to do so without being asked")
            with RefusedFile(beside, source.sheet.header, source.sheet.separator) as refused:
                refused.put(work(False))
            if refused.count:
                console.print(
                    f"The rows that were not taken are in {refused.path}: mend and import them there."
                )
                whole = False
        if not only_try:
            console.print(which_farm(settings))
    return whole


Work = Callable[[bool], Iterable[Refused]]  # whether it is a trial -> the lines refused


def _readings(
    ledger: Ledger,
    readings: Readings,
    source: Source,
    told: Told,
    zone: str,
    now_ms: int,
    console: Console,
    asks: bool,
) -> Work:
    map_, questions = _map_of(source, told, zone)
    dialogue.show_columns(console, source, map_)
    if questions and not asks:
        raise ValueError(dialogue.unanswered(questions))
    if "probe" in questions:
        probe = Prompt.ask("Which probe (its id, for example alder-1)", console=console)
        columns = tuple(replace(c, probe=c.probe or probe) for c in map_.columns)
        map_ = replace(
            map_, columns=columns, probe=map_.probe if map_.value is not None and map_.probe != "" else probe
        )
    if "channel" in questions:
        map_ = replace(map_, channel=Prompt.ask("Which channel (for example top-temp)", console=console))
    if "order" in questions:
        map_ = replace(map_, order=dialogue.ask_order(console))
    while asks and map_.value is None:
        answer = Prompt.ask(
            "The number of a column to change, or Enter to go on", console=console, default=""
        )
        if not answer and not any(not c.unit for c in map_.columns):
            break
        if answer.isdecimal() and 0 < int(answer) <= map_.width:
            map_ = dialogue.ask_column(console, map_, int(answer) - 1)
            dialogue.show_columns(console, source, map_)
    check(map_)

    def work(trial: bool) -> Iterator[Refused]:
        taking = Taking(ledger, readings, map_, now_ms, Calibrations(ledger, readings).derived, trial=trial)
        with dialogue.progress(console, source) as advance:
            for first, lines in chunks(source.open(), source.first_line):
                yield from taking.take(first, lines)
                advance(sum(map(len, lines)))
        dialogue.show_tally(console, taking.tally, trial)

    return work


def _log(
    ledger: Ledger, source: Source, told: Told, zone: str, now_ms: int, console: Console, asks: bool
) -> Work:
    if source.size > MOST_BYTES:
        raise ValueError(f"{source.name}: a log of more than {MOST_BYTES >> 20} MB; split it")
    map_, questions = guess_log(source.sheet, zone, told.bin)
    map_ = replace(
        map_, twice=told.twice, order=told.order or map_.order, decimal=told.decimal or map_.decimal
    )
    map_ = replace(map_, kind=told.kind) if told.kind else map_
    dialogue.show_log_columns(console, source, map_)
    answered = {"order": told.order, "subject": told.bin, "kind": told.kind}
    questions = tuple(each for each in questions if not answered[each])
    if questions and not asks:
        raise ValueError(dialogue.unanswered(questions))
    if "subject" in questions:
        map_ = replace(map_, subject=Prompt.ask("Which bin", console=console))
    if "kind" in questions:
        map_ = replace(map_, kind=Prompt.ask("What was done", console=console, choices=list(KINDS)))
    if "order" in questions:
        map_ = replace(map_, order=dialogue.ask_order(console))
    check_log(map_)

    def work(trial: bool) -> Iterator[Refused]:
        tally, refused = take_log(ledger, list(source.open()), source.first_line, map_, now_ms, trial=trial)
        yield from refused
        dialogue.show_log(console, tally, trial)

    return work


def _map_of(source: Source, told: Told, zone: str) -> tuple[ReadingsMap, tuple[str, ...]]:
    """The map of a table of readings by what was guessed and told, and what is still open."""
    sheet = source.sheet
    if told.time:
        names = [
            "time" if name == told.time else f"({name})" if name == "time" else name for name in sheet.header
        ]
        if told.time not in sheet.header:
            raise ValueError(
                f"--time: no column is headed '{told.time}'; there are {', '.join(sheet.header)}"
            )
        sheet = replace(sheet, header=tuple(names))
    found = guess(sheet, zone, told.probe)
    map_ = replace(found.map, twice=told.twice, decimal=told.decimal or found.map.decimal)
    map_ = replace(map_, order=told.order) if told.order else map_
    for words in told.columns:
        name, equals, to = words.rpartition("=")
        if not equals or name not in sheet.header:
            raise ValueError(
                f"--column {words}: write HEADER=PROBE/CHANNEL UNIT, with one of {', '.join(sheet.header)}"
            )
        map_ = dialogue.with_column(map_, sheet.header.index(name), to, told.probe)
    open_ = {question for question in found.questions if question == "channel"}
    open_ |= {"order"} if "order" in found.questions and not told.order else set()
    if map_.value is None:
        open_ |= {"probe"} if any(not column.probe for column in map_.columns) else set()
        open_ |= {"unit"} if any(not column.unit for column in map_.columns) else set()
    elif map_.probe == "":
        open_.add("probe")
    return map_, tuple(sorted(open_))
