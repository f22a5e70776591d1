"""Columns of text to numbers: whole columns at once where they are plain, else cell by cell. Pure."""

import re
from collections.abc import Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Decimal = Literal[".", ","]

NOTHING = frozenset(("", "-", "--", "na", "n/a", "nan", "null", "none"))  # what loggers write for no value

_NUMBER = {
    ".": re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII),
    ",": re.compile(r"[+-]?(\d{1,3}(\.\d{3})+|\d+),?\d*([eE][+-]?\d{1,3})?|[+-]?,\d+", re.ASCII),
}
_FORMULA = re.compile(r"'*[=+\-@\t\r＝＋－＠]")


def numbers(cells: Sequence[str], decimal: Decimal) -> tuple[NDArray[np.float64], dict[int, str]]:
    """The numbers in a column (NaN where there is none), and by row what is wrong with a cell.

    A cell that says in one of the usual ways that there is no value has the reason ''.
    """
    joined = "\0".join(cells)
    # What float() takes and a table does not mean by a number: 1_000, digits of other scripts.
    plain = joined.isascii() and "_" not in joined
    if plain and decimal == ",":
        plain = "." not in joined  # 1.234 may be a thousand
        joined = joined.replace(",", ".")
    if plain:
        try:
            values = np.array(list(map(float, joined.split("\0"))))
        except ValueError:
            pass
        else:
            if len(values) == len(cells) and np.isfinite(values).all():
                return values, {}
    values = np.full(len(cells), np.nan)
    wrong = {}
    for row, cell in enumerate(cells):
        try:
            values[row] = number(cell, decimal)
        except ValueError as error:
            wrong[row] = str(error)
    return values, wrong


def number(cell: str, decimal: Decimal) -> float:
    """One number. Raises ValueError with the reason, '' where the cell says that there is none."""
    text = cell.strip()
    if text.lower() in NOTHING:
        raise ValueError("")
    if not _NUMBER[decimal].fullmatch(text):
        other: Decimal = "." if decimal == "," else ","
        if _NUMBER[other].fullmatch(text):
            raise ValueError(f"'{short(cell)}' is not written with the decimal sign '{decimal}'")
        raise ValueError(f"'{short(cell)}' is not a number")
    if decimal == ",":
        text = text.replace(".", "").replace(",", ".")
    value = float(text)
    if not np.isfinite(value):
        raise ValueError(f"'{short(cell)}' is too large")
    return value


def defused(text: str) -> str:
    """A text as a cell that no spreadsheet takes for a formula: such a one gets an apostrophe in front."""
    return f"'{text}" if _FORMULA.match(text) else text


def as_meant(cell: str) -> str:
    """A cell's text without the apostrophe of `defused`."""
    return cell[1:] if cell.startswith("'") and _FORMULA.match(cell) else cell


def short(cell: str) -> str:
    """A cell as it can be told in one line."""
    plain = "".join(letter if letter.isprintable() else "?" for letter in cell[:41])
    return f"{plain[:40]}..." if len(cell) > 40 else plain
