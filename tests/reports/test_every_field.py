"""No figure without a check: each field of the report, and the test that works it out again or compares it.

A new field fails here until its check is named; a check that is named must be there.
"""

import importlib
import inspect
from collections.abc import Iterator
from typing import get_args

import pytest
from pydantic import BaseModel

from underlid.reports.report import WeeklyReport

POSITIONS = "test_figures.test_every_figure_of_every_position_in_four_weeks"
TOTALS = "test_lines.test_totals_are_the_sums_over_the_bins"
SHARES = "test_figures.test_totals_weigh_each_position_by_its_known_time"
FOOD = "test_outlook.test_food_left_is_that_of_first_order_decay_with_the_warmth_of_the_bedding"
HEAT = "test_husbandry.test_each_feeding_heats_from_its_median_before_to_its_highest_after"
PEAK = "test_husbandry.test_a_forecast_is_what_the_service_would_have_said_six_hours_after_the_feeding"
BESIDE = "test_husbandry.test_a_forecast_stands_beside_what_came_and_is_scored"
LEFT_OUT = "test_left_out.test_feedings_without_a_forecast_for_their_number_are_told"
WATER = "test_husbandry.test_water_is_told_with_what_it_did_and_what_the_mass_balance_expects"
FROST = "test_husbandry.test_frost_is_counted_by_time_and_in_spells"
BY_AIR = "test_tub_by_air.test_a_tub_without_a_probe_is_told_by_the_air"
ALARMS = "test_lines.test_each_alarm_is_told_as_it_was_raised_and_as_it_ended"
DEALT = "test_husbandry.test_alarms_are_told_with_how_fast_they_were_dealt_with"
PROBE = "test_husbandry.test_probes_are_told_with_their_silences_and_completeness"
RAGGED = "test_husbandry.test_a_ragged_probe_is_told_with_its_faulty_readings_its_rhythm_and_its_signal"
FORETOLD = "test_husbandry.test_what_was_foretold_is_held_against_the_readings"
TASKS = "test_lines.test_tasks_are_the_standing_alarms_advice_and_what_the_figures_ask_for"
DAY = "test_husbandry.test_what_to_do_names_the_day_a_drying_top_asks_for_water"
WORMS = "test_outlook.test_worms_their_ration_and_their_growth_follow_the_published_equations"
CASTINGS = "test_outlook.test_castings_are_ready_by_degree_days_since_the_last_harvest"
LOG = "test_lines.test_the_weeks_log_is_told_as_it_was_written"
LATER = "test_lines.test_what_was_changed_of_the_log_after_the_first_report_is_said"
THINGS = "test_lines.test_everything_of_the_farm_is_in_it_once"
WEEK = "test_lines.test_a_report_says_of_which_farm_and_week_it_is"
WORDS = "test_golden.test_the_report_on_an_invented_week_reads_as_it_did"  # words, looked at and kept

CHECKED: dict[str, dict[str, str]] = {
    "Extreme": {POSITIONS: "value at"},
    "Figures": {
        POSITIONS: "known_pct in_range_pct below_pct above_pct lowest median highest trend_per_day trend"
    },
    "PositionReport": {
        POSITIONS: "position quantity low high this_week week_before curve",
        THINGS: "probes",
        WORDS: "unit",
    },
    "Feeding": {FOOD: "at kg what corner left_kg"},
    "Food": {FOOD: "fed_kg fed_before_kg unweighed left_kg left_low_kg left_high_kg goes_kg feedings"},
    "PeakForecast": {BESIDE: "made_at at_c", PEAK: "peak_c low_c high_c confidence"},
    "Heating": {
        HEAT: "fed_at kg what position before_c peak rise_c limit_c too_hot watched_h over",
        PEAK: "forecast",
        LEFT_OUT: "forecast_left_out",
    },
    "Wetting": {WATER: "at litres position before_pct after_pct gained_pct expected_pct"},
    "Water": {WATER: "litres litres_before wettings"},
    "Spell": {FROST: "start end hours lowest_c"},
    "FrostDay": {FROST: "day state lowest_c"},
    "Frost": {FROST: "limit_c below_h hard_frozen_h lowest spells days", BY_AIR: "from_air"},
    "AlarmLine": {
        ALARMS: "subject_kind subject_id name rule priority forecast headline advice raised acknowledged returned "
        "dealt_h standing"
    },
    "AlarmSummary": {DEALT: "raised urgent dealt median_dealt_h longest_dealt_h standing"},
    "ProbeLine": {
        PROBE: "known_pct longest_silence_h battery battery_unit battery_left_days silent_at_end",
        RAGGED: "id name readings faulty spacing_min signal_dbm",
    },
    "Score": {
        BESIDE: "of unit count confidence coverage_pct mean_error bias width mean_error_if_nothing_changed"
    },
    "Foretold": {FORETOLD: "name rule told headline eta_h low_h high_h came_h outcome"},
    "Task": {TASKS: "subject_kind subject_id name priority words", DAY: "by"},
    "Outlook": {
        WORMS: "worm_kg worm_told_kg worm_told worm_in_4_weeks_kg worm_low_kg worm_high_kg ration_kg_per_week "
        "split_on split_due density_kg_m2",
        CASTINGS: "harvest_share_pct harvest_on harvest_low harvest_high",
        WORDS: "words",
    },
    "LogLine": {LOG: "at subject_kind subject_id name kind kg litres what note", LATER: "later"},
    "Watched": {
        THINGS: "kind id name place outdoors",
        POSITIONS: "positions",
        FOOD: "food",
        HEAT: "heatings",
        WATER: "water",
        FROST: "frost",
        ALARMS: "alarms",
        WORMS: "outlook",
        WORDS: "words cautions",
    },
    "Totals": {
        THINGS: "bins",
        SHARES: "in_range_moisture_pct in_range_temperature_pct in_range_moisture_before_pct "
        "in_range_temperature_before_pct known_pct",
        TOTALS: "fed_kg fed_before_kg litres litres_before harvested_kg",
        DEALT: "alarms",
    },
    "WeeklyReport": {
        WEEK: "farm time_zone week start end whole about",
        TOTALS: "totals",
        THINGS: "things",
        RAGGED: "probes",
        ALARMS: "alarms",
        FORETOLD: "foretold",
        BESIDE: "scores",
        TASKS: "tasks",
        LOG: "log",
        LATER: "log_changed_later",
        WORDS: "cautions",
    },
}


def parts(model: type[BaseModel]) -> Iterator[type[BaseModel]]:
    """A model and those of its fields, however deep."""
    yield model
    for field in model.model_fields.values():
        for inner in _models(field.annotation):
            yield from parts(inner)


def _models(annotation: object) -> Iterator[type[BaseModel]]:
    if inspect.isclass(annotation) and issubclass(annotation, BaseModel):
        yield annotation
    for inner in get_args(annotation):
        yield from _models(inner)


def test_every_field_of_the_report_has_a_check() -> None:
    fields = {model.__name__: set(model.model_fields) for model in parts(WeeklyReport)}
    named = {
        model: [field for words in checks.values() for field in words.split()]
        for model, checks in CHECKED.items()
    }
    assert {model: sorted(of_it) for model, of_it in named.items()} == {
        model: sorted(of_it) for model, of_it in fields.items()
    }


@pytest.mark.parametrize("check", sorted({check for checks in CHECKED.values() for check in checks}))
def test_each_check_is_there(check: str) -> None:
    module, name = check.split(".")
    assert callable(getattr(importlib.import_module(f"tests.reports.{module}"), name))
