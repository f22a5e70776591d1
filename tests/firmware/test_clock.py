"""How readings are dated: without a time server, with one, over a drifting clock and power cuts."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from firmware.conftest import Interpreter

NOON_S = 1_764_072_000  # 25 November 2025, 12:00 UTC


def when(micropython: Interpreter, steps: str, era: int, board_s: int, now_s: int) -> int:
    found: int = micropython.run(
        f"from clock import Clock\nc = Clock()\n{steps}\nc = Clock.from_text(c.to_text())\n"
        f"_ = c.when({era}, {board_s}, {now_s})"
    )
    return found


def test_without_a_time_server_a_reading_is_as_old_as_the_boards_clock_says(micropython: Interpreter) -> None:
    assert when(micropython, "c.power_came([])", 1, 100, 1000) == -900
    assert when(micropython, "c.power_came([])", 1, 1000, 1000) == 0


def test_with_one_answer_readings_before_and_after_it_are_dated(micropython: Interpreter) -> None:
    steps = f"c.power_came([])\nc.sync(500, {NOON_S})"
    assert when(micropython, steps, 1, 100, 1000) == NOON_S - 400
    assert when(micropython, steps, 1, 900, 1000) == NOON_S + 400


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.floats(0.93, 1.07), st.integers(0, 86_400))
def test_between_two_answers_a_drifting_clock_is_put_right(
    micropython: Interpreter, rate: float, true_s: int
) -> None:
    # The ESP32's slow oscillator may be some per cent off (150 kHz RC; common practice, no source).
    def board(t: int) -> int:
        return int(t * rate)

    steps = f"c.power_came([])\nc.sync({board(0)}, {NOON_S})\nc.sync({board(86_400)}, {NOON_S + 86_400})"
    found = when(micropython, steps, 1, board(true_s), board(86_400))
    assert found == pytest.approx(NOON_S + true_s, abs=2.2)  # a whole second of each clock


def test_readings_from_before_a_power_cut_keep_their_order_and_distance(micropython: Interpreter) -> None:
    cut = "c.power_came([])\nc.power_came([1, 900, {}])\nc.power_came([2, 300, {}])"
    # Era 1 ended at 900, era 2 at 300; now era 3 is 60 s old.
    assert [when(micropython, cut, *at, 60) for at in ((1, 0), (1, 900), (2, 0), (2, 300), (3, 0))] == [
        -60 - 300 - 900,
        -60 - 300,
        -60 - 300,
        -60,
        -60,
    ]
    # Once the present era is dated, those before it hang on to its start.
    dated = cut + f"\nc.sync(60, {NOON_S})"
    assert when(micropython, dated, 1, 0, 60) == NOON_S - 60 - 300 - 900


def test_an_era_that_was_dated_stays_dated_after_the_power_cut(micropython: Interpreter) -> None:
    steps = f"c.power_came([])\nc.sync(10, {NOON_S})\nc.power_came([1, 900, {{}}])"
    assert when(micropython, steps, 1, 900, 5) == NOON_S + 890


def test_a_time_server_that_lives_in_1970_is_not_believed(micropython: Interpreter) -> None:
    assert micropython.run("from clock import Clock\nc = Clock()\n_ = (c.sync(5, 12345), c.is_set(0))") == (
        False,
        False,
    )


@pytest.mark.parametrize("text", [b"", b"{", b"7", b"[1, 2, 3, 4]"])
def test_a_clock_file_that_can_not_be_read_gives_a_new_clock(micropython: Interpreter, text: bytes) -> None:
    assert micropython.run(f"from clock import Clock\n_ = Clock.from_text({text!r}).era") == 0


def test_tries_to_send_grow_rarer_while_the_network_is_away_and_stay_bounded(
    micropython: Interpreter,
) -> None:
    tried = micropython.run(
        "import schedule\n_, waited, failures = [], 0, 0\n"
        "for wake in range(1, 60):\n"
        "    waited += 1\n"
        "    if schedule.is_due(waited, failures, 1):\n"
        "        _.append(wake)\n        waited = 0\n        failures += 1"
    )
    assert tried == [1, 3, 7, 15, 23, 31, 39, 47, 55]
    assert micropython.call("schedule.is_due", 4, 0, 4) is True
    assert micropython.call("schedule.is_due", 3, 0, 4) is False


def test_the_time_is_asked_for_at_first_then_every_six_hours(micropython: Interpreter) -> None:
    assert micropython.call("schedule.wants_time", None, 0) is True
    assert micropython.call("schedule.wants_time", 100, 100 + 6 * 3600 - 1) is False
    assert micropython.call("schedule.wants_time", 100, 100 + 6 * 3600) is True
    assert micropython.call("schedule.wants_time", 100, 50) is True  # the board's clock went back


def test_a_nap_keeps_wakes_apart_by_the_interval(micropython: Interpreter) -> None:
    assert micropython.call("schedule.sleep_s", 900, 7) == 893
    assert micropython.call("schedule.sleep_s", 30, 45) == 1
