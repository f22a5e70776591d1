"""What the columns of a log kept in a spreadsheet mean, and what a row of it says. Pure."""

import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import get_args

from underlid.exchange.cells import NOTHING, Decimal, as_meant, number, short
from underlid.exchange.columns import check_form
from underlid.exchange.guess import order_of
from underlid.exchange.moments import Order
from underlid.exchange.sheet import Sheet
from underlid.exchange.zones import Twice
from underlid.model import LogEntry, LogKind, Subject, SubjectKind

KINDS: tuple[LogKind, ...] = get_args(LogKind)
NEEDS: Mapping[str, str] = {
    "fed": "kg",
    "wetted": "l",
    "harvest": "kg",
    "worms": "kg",
}  # else of no use to the rules
MOST = 100_000.0
LETTERS = {"what": 200, "corner": 40, "note": 2000}
_KINDS: dict[LogKind, str] = {
    "fed": "fed feed feeding food gefüttert füttern fütterung futter",
    "wetted": "wetted watered water watering wet gegossen gießen wasser befeuchtet",
    "turned": "turned turn turning gewendet wenden",
    "bedding": "bedding einstreu",
    "harvest": "harvest harvested ernte geerntet",
    "split": "split geteilt teilung",
    "worms": "worms weighed würmer gewogen",
    "seen": "seen saw observed looked gesehen beobachtet",
    "lid": "lid deckel",
}
_KIND_OF: dict[str, LogKind] = {word: kind for kind, words in _KINDS.items() for word in words.split()}
HEADERS = {
    "date": ("date", "datum", "day", "tag"),
    "time": ("time", "when", "date time", "date/time", "zeit", "uhrzeit", "wann"),
    "subject": ("bin", "subject", "box", "bed", "where", "kiste", "behälter", "beet", "wo"),
    "kind": ("kind", "action", "done", "art", "tätigkeit"),
    "what": ("what", "food", "was"),
    "amount": ("amount", "quantity", "menge"),
    "corner": ("corner", "ecke"),
    "note": ("note", "notes", "comment", "comments", "notiz", "bemerkung"),
    "key": ("key",),
}
_UNITS = {
    "kg": ("kg", 1.0), "g": ("kg", 0.001), "lb": ("kg", 0.45359237), "lbs": ("kg", 0.45359237),
    "oz": ("kg", 0.028349523125), "l": ("l", 1.0), "liter": ("l", 1.0), "litre": ("l", 1.0),
    "liters": ("l", 1.0), "litres": ("l", 1.0), "ml": ("l", 0.001), "gal": ("l", 3.785411784),
}  # fmt: skip  # pound, ounce and US gallon: NIST Handbook 44, appendix C (from memory)
_AMOUNT = re.compile(r"\s*([+-]?[\d.,]+)\s*([A-Za-z]*)\.?\s*")
_IN_BRACKETS = re.compile(r"([^(\[]*?)\s*[(\[]([^)\]]*)[)\]]")
_KEY = re.compile(r"[A-Za-z0-9-]{1,64}")


@dataclass(frozen=True, slots=True)
class LogMap:
    """How a table of log entries is read. Columns are counted from 0; a text stands for every row alike.

    `unit` is that of amounts that name none; '' where it goes by what was done: litres of water, else kg.
    """

    separator: str
    width: int
    time: int
    order: Order
    zone: str
    subject: int | str
    kind: int | str = ""
    clock: int | None = None
    twice: Twice = "refuse"
    decimal: Decimal = "."
    what: int | None = None
    amount: int | None = None
    unit: str = ""
    amount_kg: int | None = None
    amount_l: int | None = None
    corner: int | None = None
    note: int | None = None
    key: int | None = None


def guess_log(sheet: Sheet, zone: str, subject: str = "") -> tuple[LogMap, tuple[str, ...]]:
    """How a log may be read, and what must be asked. Raises ValueError where it has no dates."""
    roles: dict[str, int] = {}
    unit = ""
    for index, name in enumerate(sheet.header):
        found = _IN_BRACKETS.fullmatch(name.strip())
        words, in_brackets = (found[1], found[2].strip().lower()) if found else (name.strip(), "")
        role = next((role for role, known in HEADERS.items() if words.lower() in known), "")
        if not role and not in_brackets and words.lower() in _UNITS:
            role, in_brackets = "amount", words.lower()  # headed by its unit alone
        if role == "amount":
            named = _UNITS.get(in_brackets)
            role = f"amount_{named[0]}" if named and named[1] == 1 else role
            unit = in_brackets if role == "amount" else unit
        if role:
            roles.setdefault(role, index)
    time = roles.pop("date", None)
    clock = roles.pop("time", None)
    time, clock = (clock, None) if time is None else (time, clock)
    if time is None:
        raise ValueError("no column is headed date or time; name the one that tells when something was done")
    questions = []
    order = order_of([row[time].strip() for row in sheet.rows if time < len(row) and row[time].strip()])
    if order is None:
        questions.append("order")
    if "subject" not in roles and not subject:
        questions.append("subject")
    amounts = [roles[role] for role in ("amount", "amount_kg", "amount_l") if role in roles]
    written = [row[index] for row in sheet.rows for index in amounts if index < len(row)]
    commas = sum("," in cell for cell in written) > sum("." in cell for cell in written)
    if "kind" not in roles and "what" in roles:
        roles["kind"] = roles.pop("what")  # which then says both
    if "kind" not in roles:
        questions.append("kind")
    map_ = LogMap(
        sheet.separator,
        len(sheet.header),
        time,
        order or "dmy",
        zone,
        roles.pop("subject", subject),
        clock=clock,
        decimal="," if commas else ".",
        unit=unit if unit in _UNITS else "",
    )
    return replace(map_, **roles), tuple(questions)  # type: ignore[arg-type]


def check_log(map_: LogMap) -> None:
    """Raises ValueError with what is wrong or missing."""
    check_form(map_.separator, map_.zone)
    indices = [getattr(map_, name) for name in LogMap.__dataclass_fields__ if name != "width"]
    if wrong := [index for index in indices if isinstance(index, int) and not 0 <= index < map_.width]:
        raise ValueError(f"there is no column {wrong[0] + 1}; the table has {map_.width}")
    if map_.subject == "":
        raise ValueError("no column, and no option, names the bin")
    if isinstance(map_.kind, str) and map_.kind not in KINDS:
        raise ValueError(f"what was done is one of {', '.join(KINDS)}, or a column that says it")
    if map_.unit and map_.unit not in _UNITS:
        raise ValueError(f"'{map_.unit}' is no unit of an amount; known are {', '.join(_UNITS)}")


def entry_of(row: Sequence[str], at_ms: int, map_: LogMap, subjects: Mapping[str, Subject]) -> LogEntry:
    """What a row says was done. Raises ValueError with the reason why it can't be used."""

    def cell(column: int | str | None) -> str:
        text = row[column] if isinstance(column, int) else column or ""
        return as_meant(text.strip())

    named = cell(map_.subject)
    subject = subjects.get(named.lower())
    if subject is None:
        raise ValueError(
            f"there is no bin or tub '{short(named)}'; make it first, or write its name as it is"
        )
    kind, rest = _kind(cell(map_.kind))
    what = cell(map_.what) or rest
    texts = {"what": what, "corner": cell(map_.corner), "note": cell(map_.note)}
    for name, text in texts.items():
        if len(text) > LETTERS[name]:
            raise ValueError(f"its {name} is {len(text)} letters long; at most {LETTERS[name]} are taken")
        if not text.isprintable() and any(
            "\ud800" <= letter <= "\udfff" or letter == "\0" for letter in text
        ):
            raise ValueError(f"its {name} holds bytes that are no letters; save the table as UTF-8")
    amounts = _amounts(cell(map_.amount), map_.unit, kind, map_.decimal)
    for unit, column in (("kg", map_.amount_kg), ("l", map_.amount_l)):
        if (text := cell(column)).lower() not in NOTHING:
            amounts[unit] = _in_range(number(text, map_.decimal))
    needed = NEEDS.get(kind)
    if needed and not amounts.get(needed):
        raise ValueError(f"'{kind}' needs an amount in {needed}, more than 0")
    key = cell(map_.key)
    entry = LogEntry(
        0, at_ms, subject, kind, amounts.get("kg"), amounts.get("l"), what, texts["corner"], texts["note"]
    )
    return replace(entry, key=key if _KEY.fullmatch(key) else key_for(entry))


def key_for(entry: LogEntry) -> str:
    """A key that the same entry always gets."""
    words = repr(content(entry)).encode("utf-8", "surrogatepass")
    return f"import-{hashlib.sha256(words).hexdigest()[:40]}"


def content(entry: LogEntry) -> tuple[object, ...]:
    """What makes two entries the same."""
    return (
        entry.at_ms, str(entry.subject), entry.kind, entry.amount_kg, entry.amount_l,
        entry.what, entry.corner, entry.note,
    )  # fmt: skip


def subjects_by_word(names: Mapping[Subject, str]) -> dict[str, Subject]:
    """Subjects by all that a log may call them, small letters: a bin goes before a tub, and that before a place."""
    found: dict[str, Subject] = {}
    rank = {SubjectKind.BIN: 0, SubjectKind.FEED_STORE: 1, SubjectKind.PLACE: 2, SubjectKind.PROBE: 3}
    for subject in sorted(names, key=lambda each: (rank.get(each.kind, 4), each.id)):
        for words in (str(subject), subject.id, names[subject]):
            found.setdefault(words.lower(), subject)
    return found


def _kind(cell: str) -> tuple[LogKind, str]:
    """'fed coffee grounds' as what was done and the rest."""
    first, _, rest = cell.partition(" ")
    kind = _KIND_OF.get(first.strip(":,;.-").lower())
    if kind is None:
        raise ValueError(
            f"'{short(cell)}' does not say what was done; begin with one of {', '.join(KINDS)}"
            if cell
            else f"does not say what was done, as one of {', '.join(KINDS)}"
        )
    return kind, rest.strip(" :,;-")


def _amounts(cell: str, unit: str, kind: LogKind, decimal: Decimal) -> dict[str, float]:
    if cell.lower() in NOTHING:
        return {}
    found = _AMOUNT.fullmatch(cell)
    if found is None:
        raise ValueError(f"'{short(cell)}' is not an amount such as 2.5 kg")
    word = found[2].lower() or unit or NEEDS.get(kind, "kg")
    if word not in _UNITS:
        raise ValueError(f"'{short(found[2])}' is no unit of an amount; known are {', '.join(_UNITS)}")
    stored, factor = _UNITS[word]
    return {stored: _in_range(number(found[1], decimal) * factor)}


def _in_range(amount: float) -> float:
    if not 0 <= amount <= MOST:
        raise ValueError(f"an amount of {amount:g} lies outside 0 to {MOST:,.0f}")
    return amount
