"""Numbers as people say them; and what is written of the rules is complete."""

import re
from pathlib import Path

import pytest

import underlid.rules
from underlid.rules.catalogue import RULES
from underlid.rules.limits import LIMIT_NAMES
from underlid.rules.words import amount, degrees, hours, in_hours, span

README = Path(underlid.rules.__file__).with_name("README.md").read_text()


@pytest.mark.parametrize(
    ("value", "told"),
    [(0.04, "0.04"), (0.81, "0.8"), (3.44, "3.4"), (11.6, "12"), (138.0, "140"), (9.96, "10")],
)
def test_amounts_have_two_figures_at_most(value: float, told: str) -> None:
    assert amount(value) == told


@pytest.mark.parametrize(
    ("value_h", "told"),
    [(0.02, "10 min"), (0.7, "40 min"), (1.0, "1 h"), (9.4, "9 h"), (47.0, "47 h"), (60.0, "2 days")],
)
def test_hours_are_told_as_one_speaks(value_h: float, told: str) -> None:
    assert hours(value_h) == told


def test_an_interval_has_one_unit_where_it_can() -> None:
    assert span(7.2, 12.4) == "7 to 12 h"
    assert span(30.0, 80.0) == "30 h to 3 days"
    assert span(9.0, float("inf")) == "9 h or later"
    assert in_hours(9.1, 7.2, 12.4) == "in about 9 h (7 to 12 h)"


def test_frost_has_a_minus_sign_and_one_decimal() -> None:
    assert degrees(-0.84) == "\N{MINUS SIGN}0.8 °C"
    assert degrees(31.6) == "32 °C"


def test_the_table_names_every_rule_and_only_limits_that_are_there() -> None:
    rows = [line.split("|")[1:-1] for line in README.splitlines() if line.startswith("| `")]
    assert [row[0].strip(" `") for row in rows] == [rule.id for rule in RULES]
    for row, rule in zip(rows, RULES, strict=True):
        assert row[1].strip().replace(" ", "-") == rule.applies_to.value
        for name in re.findall(r"`(\w+)`", row[3]):
            assert name in LIMIT_NAMES
