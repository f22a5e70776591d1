"""Limits: the most specific value wins, and is known by where it comes from."""

import math

import pytest

from underlid.model import SubjectKind
from underlid.rules.catalogue import RULES
from underlid.rules.limits import SPECIES, effective_limits


def test_the_profile_of_eisenia_fetida_lies_within_its_published_limits() -> None:
    limits = effective_limits("eisenia-fetida")
    # Edwards 1988 in Earthworm Ecology, table 18.3: 4 to 30 C, 60 to 90 % moisture.
    assert limits["temp_low_c"] >= 4.0
    assert limits["temp_high_c"] <= 30.0
    assert 60.0 <= limits["moist_low_pct_wb"] < limits["moist_high_pct_wb"] <= 90.0
    # Kaplan et al. 1980: best growth at 70 to 85 % moisture.
    assert 70.0 <= limits["moist_target_pct_wb"] <= 85.0
    # Dominguez & Edwards: 0 to 35 C is survived.
    assert limits["temp_danger_high_c"] <= 35.0


def test_eudrilus_eugeniae_is_warned_for_well_above_the_7_c_at_which_it_dies() -> None:
    # FAO, On-farm composting methods (2003), ch. 4: E. eugeniae dies below 7 C.
    assert effective_limits("eudrilus-eugeniae")["temp_low_c"] > 7.0


@pytest.mark.parametrize("species", SPECIES)
def test_every_limit_of_every_species_has_unit_source_and_origin(species: str) -> None:
    for limit in effective_limits(species):
        assert limit.unit
        assert limit.source
        assert limit.origin == "species"


def test_the_most_specific_value_wins_and_says_where_it_was_set() -> None:
    limits = effective_limits(
        "eisenia-fetida",
        {"temp_high_c": 29.0, "moist_low_pct_wb": 66.0, "freeze_c": 0.5},
        {"temp_high_c": 28.0, "moist_low_pct_wb": 67.0},
        {"temp_high_c": 27.0},
    )
    told = {name: (limits[name], limits.rows[name].origin) for name in limits.rows}
    assert told["temp_high_c"] == (27.0, "bin")
    assert told["moist_low_pct_wb"] == (67.0, "place")
    assert told["freeze_c"] == (0.5, "farm")
    assert told["moist_high_pct_wb"][1] == "species"


def test_a_feed_store_has_no_limits_of_worms_and_passes_over_those_of_the_farm() -> None:
    limits = effective_limits(None, {"temp_high_c": 29.0, "freeze_c": 0.5}, {}, {"freezing_horizon_h": 6.0})
    assert "temp_high_c" not in limits
    assert (limits["freeze_c"], limits.rows["freezing_horizon_h"].origin) == (0.5, "feed-store")


def test_an_unknown_name_is_refused_with_the_known_ones() -> None:
    with pytest.raises(ValueError, match=r"place sets the unknown limit 'temp_hi'; known are .*temp_high_c"):
        effective_limits("eisenia-fetida", {}, {"temp_hi": 30.0})


def test_an_unknown_species_is_refused_with_the_known_ones() -> None:
    with pytest.raises(ValueError, match=r"no profile for species 'lumbricus'.*eisenia-fetida"):
        effective_limits("lumbricus")


@pytest.mark.parametrize("value", [9.9, 45.1, math.nan, math.inf])
def test_a_value_out_of_its_bounds_is_refused_with_them(value: float) -> None:
    with pytest.raises(ValueError, match="the bin's temp_high_c must lie within 10 to 45 Cel"):
        effective_limits("eisenia-fetida", {}, {}, {"temp_high_c": value})


def test_limits_that_contradict_each_other_are_refused_with_where_they_come_from() -> None:
    with pytest.raises(ValueError, match=r"moist_low_pct_wb \(80, from the bin\) must be below moist_target"):
        effective_limits("eisenia-fetida", {}, {}, {"moist_low_pct_wb": 80.0})


def test_every_rule_has_its_delays_among_the_limits_of_what_it_judges() -> None:
    for rule in RULES:
        limits = effective_limits("eisenia-fetida" if rule.applies_to is SubjectKind.BIN else None)
        assert rule.on_delay_ms(limits) >= 0
        assert rule.off_delay_ms(limits) >= 0
        assert rule.inputs


@pytest.mark.parametrize(
    ("month", "value", "season"),
    [(10, 4.0, None), (11, 2.0, "11-3"), (1, 2.0, "11-3"), (3, 2.0, "11-3"), (4, 4.0, None)],
)
def test_a_season_holds_in_its_months_and_says_so(month: int, value: float, season: str | None) -> None:
    row = effective_limits("eisenia-fetida", own={"temp_low_c@11-3": 2.0}, month=month).rows["temp_low_c"]
    assert (row.value, row.season) == (value, season)
    assert ("November to March" in row.source) is (season is not None)


def test_a_season_stands_before_the_whole_year_of_its_level_and_behind_a_closer_level() -> None:
    def low(month: int) -> float:
        farm = {"temp_low_c": 5.0, "temp_low_c@6-8": 8.0, "temp_low_c@12-2": 3.0}
        place = {"temp_low_c@1-1": 1.0}
        return effective_limits("eisenia-fetida", farm, place, month=month)["temp_low_c"]

    assert [low(month) for month in (4, 7, 12, 1, 2)] == [5.0, 8.0, 3.0, 1.0, 3.0]


def test_a_season_that_can_not_be_is_refused_whatever_the_month() -> None:
    for key in ("temp_low_c@13-2", "temp_low_c@winter", "temp_low_c@0-3"):
        with pytest.raises(ValueError, match="month-month"):
            effective_limits("eisenia-fetida", own={key: 2.0})
    with pytest.raises(ValueError, match="unknown limit"):
        effective_limits("eisenia-fetida", own={"tmp@1-2": 2.0})
    with pytest.raises(ValueError, match="must lie within"):
        effective_limits("eisenia-fetida", own={"temp_low_c@1-2": 99.0})
    with pytest.raises(ValueError, match="must be below"):  # only in July, and found all the same
        effective_limits("eisenia-fetida", own={"moist_low_pct_wb@7-7": 85.0})
