"""What `underlid import` shows and asks at a terminal."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace

from rich.console import Console
from rich.markup import escape
from rich.progress import Progress
from rich.prompt import Prompt
from rich.table import Table

from underlid.exchange import csv_out, refused
from underlid.exchange.columns import Column, ReadingsMap, unit_in
from underlid.exchange.guess import channel_in
from underlid.exchange.log_columns import HEADERS, KINDS, LogMap
from underlid.exchange.log_take import LogTally
from underlid.exchange.moments import EXAMPLES, ORDERS, Order
from underlid.exchange.refused import RefusedFile
from underlid.exchange.sources import Source
from underlid.exchange.take import FIRST_SHOWN, Tally


def with_column(map_: ReadingsMap, index: int, to: str, probe: str) -> ReadingsMap:
    """A map in which a column goes to 'PROBE/CHANNEL UNIT'; '-': nowhere."""
    others = [column for column in map_.columns if column.index != index]
    before = next((column for column in map_.columns if column.index == index), None)
    if to == "-":
        return replace(map_, columns=tuple(others))
    path, _, unit = to.strip().partition(" ")
    own, _, channel = path.rpartition("/")
    unit = unit_in(unit) or unit or (before.unit if before else "")
    probe = own or (before.probe if before else probe)
    columns = sorted([*others, Column(index, probe, channel, unit)], key=lambda column: column.index)
    return replace(map_, columns=tuple(columns), value=None)


def ask_column(console: Console, map_: ReadingsMap, index: int) -> ReadingsMap:
    before = next((column for column in map_.columns if column.index == index), None)
    now = f"{before.probe}/{before.channel} {before.unit}" if before else channel_in(f"column {index + 1}")
    to = Prompt.ask("PROBE/CHANNEL UNIT, or - to leave it out", console=console, default=now)
    return with_column(map_, index, to, "")


def ask_order(console: Console) -> Order:
    choices = ", ".join(f"{order} as in {example}" for order, example in EXAMPLES.items())
    answer: Order = Prompt.ask(f"How are its dates written: {choices}", console=console, choices=list(ORDERS))  # type: ignore[assignment]
    return answer


def unanswered(questions: Sequence[str]) -> str:
    how = {
        "probe": "which probe it is of (--probe ID)",
        "channel": "which channel it is of (--column VALUE-HEADER=CHANNEL)",
        "unit": "the unit of a column (--column HEADER=CHANNEL UNIT, or HEADER=- to leave it out)",
        "order": f"how its dates are written (--dates {'|'.join(ORDERS)}): it may be the day or the month first",
        "subject": "which bin it is of (--bin NAME)",
        "kind": f"what was done (--kind {'|'.join(KINDS)})",
    }
    return f"the table does not tell {', nor '.join(how[question] for question in questions)}"


def show_columns(console: Console, source: Source, map_: ReadingsMap) -> None:
    goes = {
        column.index: (f"{column.probe or '?'}/{column.channel}", column.unit or "?")
        for column in map_.columns
    }
    goes |= {map_.time: (f"time, {map_.order}, clocks of {map_.zone}", "")}
    goes |= {map_.clock: ("time of day", "")} if map_.clock is not None else {}
    for name in ("probe", "channel", "unit", "value"):
        if isinstance(part := getattr(map_, name), int):
            goes[part] = (name, "")
    _show(console, source, goes)


def show_log_columns(console: Console, source: Source, map_: LogMap) -> None:
    """How the columns of a log are taken, and which headers would be known where some are not."""
    goes = {
        index: (_LOG_WORDS.get(name, name), "")
        for name in LogMap.__dataclass_fields__
        if name != "width" and isinstance(index := getattr(map_, name), int)
    }
    goes |= {map_.time: (f"time, {map_.order}, clocks of {map_.zone}", "")}
    goes |= {index: ("amount", map_.unit) for index in (map_.amount,) if index is not None}
    _show(console, source, goes)
    unknown = [
        name
        for index, name in enumerate(source.sheet.header)
        if index not in goes and name not in refused.ADDED
    ]
    if unknown:
        known = "; ".join(", ".join(words) for words in HEADERS.values())
        console.print(
            f"Not known, so left out: {', '.join(unknown)}. Headers that are known: {known}; kg, l."
        )


def show_refused(console: Console, file: RefusedFile) -> None:
    """Why the first lines were refused, and where to find why the others were."""
    for each in file.first:
        console.print(f"  line {each.line}: {each.reason}", soft_wrap=True)
    if more := file.count - len(file.first):
        console.print(f"  and {more} more: each is in {file.path} with its reason", soft_wrap=True)


_LOG_WORDS = {
    "subject": "bin",
    "kind": "what was done",
    "clock": "time of day",
    "amount_kg": "amount in kg",
    "amount_l": "amount in L",
}


def _show(console: Console, source: Source, goes: Mapping[int, tuple[str, str]]) -> None:
    table = Table("", "column", "is taken as", "unit", "first")
    first = source.sheet.rows[0] if source.sheet.rows else ()
    for index, header in enumerate(source.sheet.header):
        to, unit = goes.get(index, ("-", ""))
        table.add_row(str(index + 1), header, to, unit, first[index] if index < len(first) else "")
    console.print(table)


def show_tally(console: Console, tally: Tally, trial: bool) -> None:
    if trial:
        table = Table("probe", "channel", "time", "value", "unit")
        seen: dict[tuple[str, str], int] = {}
        for each in tally.first:
            seen[each.probe, each.channel] = seen.get((each.probe, each.channel), 0) + 1
            if seen[each.probe, each.channel] <= FIRST_SHOWN:
                at = csv_out.moment(each.time_ms)
                table.add_row(each.probe, each.channel, at, f"{each.value:g}", each.unit)
        console.print(table)
    for (probe, channel, unit), count in sorted(tally.by_channel.items()):
        console.print(f"  {probe}/{channel} ({unit}): {count} readings")
    if tally.from_ms is not None and tally.to_ms is not None:
        console.print(f"  from {csv_out.moment(tally.from_ms)} to {csv_out.moment(tally.to_ms)}")
    console.print(_counts(tally.rows, tally.new, tally.known, tally.refused, "readings", trial))


def show_log(console: Console, tally: LogTally, trial: bool) -> None:
    """What came of a log; of a trial the first entries too."""
    table = Table("when (UTC)", "where", "done", "what", "kg", "L", "note")
    for e in tally.first if trial else ():
        amounts = ["" if amount is None else f"{amount:g}" for amount in (e.amount_kg, e.amount_l)]
        table.add_row(csv_out.moment(e.at_ms)[:16], str(e.subject), e.kind, e.what, *amounts, e.note)
    if table.rows:
        console.print(table)
    console.print(_counts(tally.rows, tally.new, tally.known, tally.refused, "entries", trial))


def _counts(rows: int, new: int, known: int, refused: int, things: str, trial: bool) -> str:
    does = "would go in" if trial else "went in"
    return f"{rows} rows: {new} {things} {does}, {known} are there already, {refused} rows refused."


@contextmanager
def progress(console: Console, source: Source) -> Iterator[Callable[[float], None]]:
    with Progress(console=console, transient=True) as bar:
        task = bar.add_task(escape(source.name), total=source.size)
        yield lambda step: bar.advance(task, step)
