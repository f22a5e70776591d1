"""Numbers in tables, held against Python's own reading of them; texts that a spreadsheet would run."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from underlid.exchange.cells import as_meant, defused, numbers

finite = st.floats(allow_nan=False, allow_infinity=False)


@given(st.lists(finite, min_size=1, max_size=50))
def test_numbers_come_back_to_the_last_bit_with_either_decimal_sign(values: list[float]) -> None:
    for decimal in (".", ","):
        cells = [repr(value).replace(".", decimal) for value in values]
        found, wrong = numbers(cells, decimal)  # type: ignore[arg-type]
        assert wrong == {}
        assert found.tolist() == values


@pytest.mark.parametrize(
    ("cell", "decimal", "reason"),
    [
        ("21,4", ".", "decimal sign"),
        ("21.4", ",", "decimal sign"),
        ("1_000", ".", "not a number"),
        ("٢١", ".", "not a number"),
        ("inf", ".", "not a number"),
        ("1e999", ".", "too large"),
        ("0x10", ".", "not a number"),
        ("12 °C", ".", "not a number"),
        ("\0", ".", "not a number"),
        ("", ".", ""),
        ("NaN", ".", ""),
        ("n/a", ",", ""),
    ],
)
def test_what_is_no_number_is_refused_and_those_beside_it_are_taken(
    cell: str, decimal: str, reason: str
) -> None:
    found, wrong = numbers(["1", cell, "2"], decimal)  # type: ignore[arg-type]
    assert list(wrong) == [1]
    assert reason in wrong[1]
    assert bool(wrong[1]) == bool(reason)
    assert (found[0], found[2]) == (1, 2)
    assert np.isnan(found[1])


def test_points_part_thousands_only_where_the_decimal_sign_is_a_comma() -> None:
    assert numbers(["1.234,5", "1.234.567"], ",")[0].tolist() == [1234.5, 1234567]


@given(st.text(max_size=20))
def test_no_text_begins_as_a_formula_does_and_each_comes_back_as_it_was(text: str) -> None:
    # OWASP, "CSV Injection": = + - @, tab and carriage return, and the full-width ones (from memory)
    cell = defused(text)
    assert not cell.startswith(tuple("=+-@\t\r＝＋－＠"))
    assert as_meant(cell) == text


def test_a_formula_gets_an_apostrophe() -> None:
    assert defused("=1+1") == "'=1+1"
    assert defused("coffee") == "coffee"
    assert as_meant(defused("'=1")) == "'=1"
