"""Columns of text to moments: cells that look alike at once, the others one by one. Pure."""

import re
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from underlid.exchange.cells import short
from underlid.exchange.zones import MISSING, TWICE, Twice, to_utc

Order = Literal["ymd", "dmy", "mdy", "unix"]
ORDERS: tuple[Order, ...] = get_args(Order)

OLDEST_MS = 949_363_200_000  # 2000-02-01: clocks that were never set begin at 1970, or at 2000
AHEAD_MS = 600_000  # how far a clock may run ahead

_CLOCK = (
    r"(?:[T ,]+(?P<h>\d{1,2}):(?P<m>\d\d)(?::(?P<s>\d\d)(?:[.,](?P<f>\d{1,9}))?)?"
    r"(?: ?(?P<half>[AaPp])\.?[Mm]\.?)?(?: ?(?P<zone>Z|z|UTC|(?P<sign>[+-])(?P<oh>\d\d):?(?P<om>\d\d)))?)?"
)
_DATES = {
    "ymd": r"(?P<Y>\d{4})[-/.](?P<M>\d{1,2})[-/.](?P<D>\d{1,2})",
    "dmy": r"(?P<D>\d{1,2})[-/.](?P<M>\d{1,2})[-/.](?P<Y>\d{4}|\d\d)",
    "mdy": r"(?P<M>\d{1,2})[-/.](?P<D>\d{1,2})[-/.](?P<Y>\d{4}|\d\d)",
}
PATTERNS = {order: re.compile(date + _CLOCK, re.ASCII) for order, date in _DATES.items()}
_UNIX = re.compile(r"(\d{9,10})(\.\d{1,9})?|(\d{12,13})", re.ASCII)
EXAMPLES = {
    "ymd": "2026-03-05 07:30",
    "dmy": "05.03.2026 07:30",
    "mdy": "03/05/2026 07:30",
    "unix": "1772692200",
}
_DAYS = np.array([0, 31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
_FIELDS = ("Y", "M", "D", "h", "m", "s", "f", "oh", "om")
_BAD = int(np.iinfo(np.int64).min)
_EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001


def moments(
    cells: Sequence[str], order: Order, zone: str, twice: Twice, now_ms: int
) -> tuple[NDArray[np.int64], dict[int, str]]:
    """The moments in a column, in milliseconds since 1970, and by row what is wrong with a cell.

    Times without an offset of their own are those of clocks in `zone`.
    """
    wall_ms = np.full(len(cells), _BAD)
    offset_ms = np.full(len(cells), _BAD)  # where the cell names none
    rest = np.ones(len(cells), dtype=bool)
    if order != "unix" and cells:
        lengths = np.fromiter(map(len, cells), dtype=np.int64, count=len(cells))
        for length in np.unique(lengths)[:8].tolist():
            rows = np.flatnonzero(lengths == length)
            alike = cells if len(rows) == len(cells) else [cells[row] for row in rows.tolist()]
            wall, offset = _alike(alike, order)
            wall_ms[rows], offset_ms[rows] = wall, offset
        rest = wall_ms == _BAD
    wrong: dict[int, str] = {}
    for row in np.flatnonzero(rest).tolist():
        try:
            wall_ms[row], offset_ms[row] = _unix(cells[row]) if order == "unix" else _one(cells[row], order)
        except ValueError as error:
            wrong[row] = str(error)
    return _in_utc(cells, wall_ms, offset_ms, zone, twice, wrong, now_ms)


def _in_utc(
    cells: Sequence[str],
    wall_ms: NDArray[np.int64],
    offset_ms: NDArray[np.int64],
    zone: str,
    twice: Twice,
    wrong: dict[int, str],
    now_ms: int,
) -> tuple[NDArray[np.int64], dict[int, str]]:
    time_ms = wall_ms - np.where(offset_ms == _BAD, 0, offset_ms)
    local = (offset_ms == _BAD) & (wall_ms != _BAD)
    if local.any():
        found, trouble = to_utc(wall_ms[local], zone, twice)
        time_ms[local] = found
        rows = np.flatnonzero(local)
        for place in np.flatnonzero(trouble).tolist():
            row = int(rows[place])
            cell = short(cells[row])
            if trouble[place] == MISSING:
                wrong[row] = f"'{cell}' was on no clock in {zone}: the clocks went forward over it"
            elif trouble[place] == TWICE:
                wrong[row] = (
                    f"'{cell}' came twice in {zone}, as the clocks went back; say which is meant, or write an "
                    "offset such as +01:00"
                )
    strange = (wall_ms != _BAD) & ((time_ms < OLDEST_MS) | (time_ms > now_ms + AHEAD_MS))
    for row in np.flatnonzero(strange).tolist():
        is_old = time_ms[row] < OLDEST_MS
        wrong.setdefault(
            row,
            f"'{short(cells[row])}' lies "
            + ("before February 2000, as by a clock never set" if is_old else "in the future"),
        )
    time_ms[list(wrong)] = 0
    return time_ms, wrong


def _alike(cells: Sequence[str], order: Order) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Clock time and offset, ms, of cells of one length; _BAD where one does not look like the first that fits."""
    bad = np.full(len(cells), _BAD)
    first = next((match for cell in cells[:20] if (match := PATTERNS[order].fullmatch(cell))), None)
    joined = "".join(cells)
    if first is None or first["half"] or not joined.isascii():
        return bad, bad
    text = np.frombuffer(joined.encode(), dtype=np.uint8).reshape(len(cells), -1)
    digit = text - np.uint8(48)
    spans = {name: first.span(name) for name in _FIELDS if first[name] is not None}
    is_digit = np.zeros(text.shape[1], dtype=bool)
    for start, end in spans.values():
        is_digit[start:end] = True
    same = ~is_digit
    if first["sign"]:
        same[first.start("sign")] = False
    model = np.frombuffer(first[0].encode(), dtype=np.uint8)
    fits = (digit[:, is_digit] <= 9).all(axis=1) & (text[:, same] == model[same]).all(axis=1)
    part = {name: np.zeros(len(cells), dtype=np.int64) for name in _FIELDS}
    for name, (start, end) in spans.items():
        for place in range(start, end):
            part[name] = part[name] * 10 + digit[:, place]
    if "f" in spans:
        part["f"] = _thousandths(part["f"], spans["f"][1] - spans["f"][0])
    if "Y" in spans and spans["Y"][1] - spans["Y"][0] == 2:
        part["Y"] += 2000
    fits &= _exists(part["Y"], part["M"], part["D"], part["h"], part["m"], part["s"])
    offset = np.full(len(cells), _BAD)
    if first["sign"]:
        sign = text[:, first.start("sign")]
        fits &= ((sign == 43) | (sign == 45)) & (part["oh"] <= 14) & (part["om"] <= 59)
        offset = np.where(sign == 45, -1, 1) * (part["oh"] * 60 + part["om"]) * 60_000
    elif first["zone"]:
        offset = np.zeros(len(cells), dtype=np.int64)
    wall = _milliseconds(part["Y"], part["M"], part["D"], part["h"], part["m"], part["s"], part["f"])
    return np.where(fits, wall, _BAD), np.where(fits, offset, _BAD)


def _one(cell: str, order: Order) -> tuple[int, int]:
    """Clock time and offset, ms, of one cell. Raises ValueError with the reason."""
    found = PATTERNS[order].fullmatch(cell.strip())
    if found is None:
        raise ValueError(f"'{short(cell)}' is not a time such as {EXAMPLES[order]}")
    year, month, day = int(found["Y"]), int(found["M"]), int(found["D"])
    year += 2000 if year < 100 else 0
    hour, minute, second = (int(found[name] or 0) for name in ("h", "m", "s"))
    if found["half"]:
        if not 1 <= hour <= 12:
            raise ValueError(f"'{short(cell)}' has no such hour before or after noon")
        hour = hour % 12 + (12 if found["half"] in "Pp" else 0)
    try:
        date = datetime(year, month, day, hour, minute, second)  # noqa: DTZ001  # a clock's, zone and all apart
    except ValueError:
        raise ValueError(f"'{short(cell)}' is no time that there is") from None
    offset = _BAD
    if found["zone"]:
        hours, minutes = int(found["oh"] or 0), int(found["om"] or 0)
        if hours > 14 or minutes > 59:
            raise ValueError(f"'{short(cell)}' has an offset that no clock has")
        offset = (-1 if found["sign"] == "-" else 1) * (hours * 60 + minutes) * 60_000
    thousandths = int((found["f"] or "0")[:3].ljust(3, "0"))
    return (date - _EPOCH) // timedelta(milliseconds=1) + thousandths, offset


def _unix(cell: str) -> tuple[int, int]:
    """Seconds, or milliseconds, since 1970."""
    found = _UNIX.fullmatch(cell.strip())
    if found is None:
        raise ValueError(
            f"'{short(cell)}' is not a time in seconds or milliseconds since 1970, such as {EXAMPLES['unix']}"
        )
    return int(found[3]) if found[3] else round(float(found[0]) * 1000), 0


def _thousandths(digits: NDArray[np.int64], count: int) -> NDArray[np.int64]:
    """The milliseconds that so many decimals of a second are, rounded down as a clock shows them."""
    scaled: NDArray[np.int64] = digits * 10 ** max(0, 3 - count) // 10 ** max(0, count - 3)
    return scaled


def _exists(
    year: NDArray[np.int64],
    month: NDArray[np.int64],
    day: NDArray[np.int64],
    hour: NDArray[np.int64],
    minute: NDArray[np.int64],
    second: NDArray[np.int64],
) -> NDArray[np.bool_]:
    in_year = (month >= 1) & (month <= 12) & (year >= 1) & (year <= 9999)
    is_leap = (year % 4 == 0) & ((year % 100 != 0) | (year % 400 == 0))
    days = _DAYS[np.where(in_year, month, 0)] - ((month == 2) & ~is_leap)
    in_day = (hour <= 23) & (minute <= 59) & (second <= 59)
    found: NDArray[np.bool_] = in_year & (day >= 1) & (day <= days) & in_day
    return found


def _milliseconds(
    year: NDArray[np.int64],
    month: NDArray[np.int64],
    day: NDArray[np.int64],
    hour: NDArray[np.int64],
    minute: NDArray[np.int64],
    second: NDArray[np.int64],
    thousandth: NDArray[np.int64],
) -> NDArray[np.int64]:
    """Milliseconds from 1970 to a time of the Gregorian calendar, counted in years that begin in March."""
    from_march = (month + 9) % 12
    y = year - (month <= 2)
    days = 365 * y + y // 4 - y // 100 + y // 400 + (153 * from_march + 2) // 5 + day - 719_469
    return (((days * 24 + hour) * 60 + minute) * 60 + second) * 1000 + thousandth
