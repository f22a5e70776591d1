"""What a table of readings may mean, guessed from its header and first rows. Pure."""

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from underlid.exchange.cells import Decimal, number
from underlid.exchange.columns import CHANNEL, Column, ReadingsMap, unit_for, unit_in
from underlid.exchange.moments import PATTERNS, Order
from underlid.exchange.sheet import Sheet

_ROLES = {
    "date": ("date", "datum", "day", "tag"),
    "time": ("time", "timestamp", "datetime", "date time", "date/time", "zeit", "zeitpunkt", "uhrzeit", "zeitstempel"),
    "probe": ("probe", "probe id", "sensor", "device", "logger", "sonde", "gerät"),
    "channel": ("channel", "quantity", "measurement", "parameter", "kanal", "messgröße", "größe"),
    "value": ("value", "reading", "wert", "messwert"),
    "unit": ("unit", "units", "einheit"),
}  # fmt: skip
_NAMES = {
    "temperatur": "temp", "temperature": "temp", "luftfeuchte": "rh", "luftfeuchtigkeit": "rh", "humidity": "rh",
    "feuchte": "moist", "feuchtigkeit": "moist", "bodenfeuchte": "moist", "moisture": "moist",
    "batterie": "batt", "battery": "batt", "akku": "batt", "signal": "rssi",
}  # fmt: skip
SOME = 200  # cells, from which the rest of a column is judged
_IN_BRACKETS = re.compile(r"(.*?)\s*[(\[]([^()\[\]]*)[)\]]\s*")


@dataclass(frozen=True, slots=True)
class Guess:
    """A map as far as the table tells it, and what must be asked."""

    map: ReadingsMap
    questions: tuple[str, ...]


def guess(sheet: Sheet, zone: str, probe: str = "") -> Guess:
    """How a table may be read. `zone` is that of clock times without an offset, `probe` where none is named.

    Raises ValueError where no column holds times.
    """
    questions = []
    roles = _roles(sheet.header)
    cells = [_column(sheet, index) for index in range(len(sheet.header))]
    time, clock = roles.get("date", roles.get("time")), None
    if time is None:
        time = next((index for index, column in enumerate(cells) if order_of(column) is not None), None)
    if time is None:
        raise ValueError("no column holds times such as 2026-03-05 07:30; name the one that does")
    if "date" in roles and "time" in roles and not _has_clock(cells[time]):
        clock = roles["time"]
    order = order_of(cells[time])
    if order is None:
        questions.append("order")
    decimal: Decimal = "," if _has_decimal_commas(sheet, cells, time) else "."
    map_ = ReadingsMap(
        sheet.separator,
        len(sheet.header),
        time,
        order or "dmy",
        zone,
        clock=clock,
        decimal=decimal,
        probe=probe,
    )
    if "value" in roles:
        map_ = replace(
            map_,
            value=roles["value"],
            probe=roles.get("probe", probe),
            channel=roles.get("channel", ""),
            unit=roles.get("unit", _in_brackets(sheet.header[roles["value"]])[1]),
        )
        questions += [part for part in ("probe", "channel") if getattr(map_, part) == ""]
        return Guess(map_, tuple(questions))
    taken = {time, clock}
    if "refused because" in sheet.header and "line" in sheet.header:
        taken.add(sheet.header.index("line"))  # of rows that were kept apart once
    columns = []
    for index, name in enumerate(sheet.header):
        values = [] if index in taken else _numbers(cells[index], decimal)
        if values or (index not in taken and _in_brackets(name)[1]):
            columns.append(_guess_column(index, name, values, probe))
    if not columns:
        raise ValueError("no column holds numbers; readings have a column of values, or one for each channel")
    if any(not column.probe for column in columns):
        questions.append("probe")
    if any(not column.unit for column in columns):
        questions.append("unit")
    return Guess(replace(map_, columns=tuple(columns)), tuple(questions))


def channel_in(words: str) -> str:
    """A channel's name from a header."""
    plain = unicodedata.normalize("NFKD", words.replace("ß", "ss")).encode("ascii", "ignore").decode()
    parts = [part for part in re.split(r"[^A-Za-z0-9._]+", plain) if part]
    return "-".join(_NAMES.get(part.lower(), part) for part in parts)[:64].lstrip("._-")


def _guess_column(index: int, name: str, values: list[float], probe: str) -> Column:
    words, unit = _in_brackets(name)
    own, _, last = words.rpartition("/")
    is_path = bool(own) and CHANNEL.fullmatch(own) is not None
    channel = last if is_path and CHANNEL.fullmatch(last) else channel_in(last if is_path else words)
    channel = channel or f"column-{index + 1}"
    return Column(index, own if is_path else probe, channel, unit or unit_for(channel, values))


def _in_brackets(name: str) -> tuple[str, str]:
    """'temp (°C)' as its words and its unit."""
    found = _IN_BRACKETS.fullmatch(name)
    unit = unit_in(found[2]) if found else ""
    return (found[1], unit) if found and unit else (name, "")


def _roles(header: Sequence[str]) -> Mapping[str, int]:
    roles: dict[str, int] = {}
    for index, name in enumerate(header):
        words = re.sub(r"\s*[(\[].*", "", name).strip().lower().replace("_", " ")
        for role, known in _ROLES.items():
            if words in known:
                roles.setdefault(role, index)
    return roles


def _column(sheet: Sheet, index: int) -> list[str]:
    return [row[index].strip() for row in sheet.rows if index < len(row) and row[index].strip()]


def order_of(cells: Sequence[str]) -> Order | None:
    """In which order the dates of a column are written; None where that can't be told."""
    some = cells[:SOME]
    if some and sum(bool(re.fullmatch(r"\d{9,10}(\.\d+)?|\d{12,13}", cell)) for cell in some) * 2 > len(some):
        return "unix"
    fits: list[Order] = []
    for order in ("ymd", "dmy", "mdy"):
        found = [match for cell in some if (match := PATTERNS[order].fullmatch(cell))]
        if (
            found
            and len(found) * 2 > len(some)
            and all(int(m["M"]) <= 12 and int(m["D"]) <= 31 for m in found)
        ):
            fits.append(order)
    if len(fits) == 2 and any("." in cell.split(" ")[0] for cell in some):
        return "dmy"  # nobody writes the month first with points
    return fits[0] if len(fits) == 1 else None


def _has_clock(cells: Sequence[str]) -> bool:
    return any(":" in cell for cell in cells)


def _has_decimal_commas(sheet: Sheet, cells: Sequence[Sequence[str]], time: int) -> bool:
    if sheet.separator == "," and sheet.header_line == 0:
        return False
    commas = points = 0
    for index, column in enumerate(cells):
        if index != time:
            commas += sum(bool(re.fullmatch(r"[+-]?\d*,\d+", cell)) for cell in column)
            points += sum(bool(re.fullmatch(r"[+-]?\d*\.\d+", cell)) for cell in column)
    return commas > points


def _numbers(cells: Sequence[str], decimal: Decimal) -> list[float]:
    """The numbers in a column; none where most cells hold something else."""
    found = []
    for cell in cells:
        try:
            found.append(number(cell, decimal))
        except ValueError as error:
            if not str(error):
                continue
    return found if len(found) * 2 >= len(cells) else []
