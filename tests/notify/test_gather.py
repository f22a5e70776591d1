"""One cause, one message; quiet hours; the digest; what is over is told only where its beginning was."""

from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st
from tests.notify.desk import HOUR_MS, MINUTE_MS, VIENNA, Desk, at, target

from underlid.model import AlarmState, Notice, Priority
from underlid.notify.compose import RETURNED
from underlid.notify.gather import Kind, Story
from underlid.notify.hours import quiet_until_ms
from underlid.notify.words import RULE_WORDS, say, together
from underlid.rules.catalogue import RULES
from underlid.target import Target

QUIET = "22:00-06:30"
NOON = at("25 12:00")


def titles(said: list[tuple[str, str]]) -> list[str]:
    return [title for title, _ in said]


def test_a_cold_night_that_touches_ten_bins_is_one_message_that_lists_them() -> None:
    desk = Desk(target())
    for number in range(10):
        desk.take(number, "raised", NOON + number * 10_000)
    [(title, body)] = desk.until(NOON, NOON + HOUR_MS)
    assert title == "Bins too cold: Bin 0, Bin 1 and 8 more"
    assert all(f"Bin {number} is at 4.0 °C\nInsulate bin {number}." in body for number in range(10))
    assert body.count("Mind the heater.") == 1
    assert body.endswith(f"[bin/bin-0/too-cold/raised/{NOON}+9]")


def test_another_rule_is_another_cause() -> None:
    desk = Desk(target())
    desk.take(1, "raised", NOON)
    desk.take(2, "raised", NOON, rule="too-wet")
    assert sorted(titles(desk.until(NOON, NOON + HOUR_MS))) == ["Bin 1 is at 4.0 °C", "Bin 2 is at 4.0 °C"]


def test_what_is_urgent_gathers_for_twenty_seconds_and_the_rest_for_two_minutes() -> None:
    desk = Desk(target())
    desk.take(1, "raised", NOON, Priority.URGENT)
    desk.take(2, "raised", NOON, Priority.TODAY, rule="too-wet")
    desk.until(NOON, NOON + HOUR_MS, 1000)
    assert [now_ms - NOON for now_ms, _ in desk.told] == [20_000, 120_000]
    desk = Desk(target(at_once=True))
    desk.take(2, "raised", NOON)
    desk.until(NOON, NOON + HOUR_MS, 1000)
    assert [now_ms - NOON for now_ms, _ in desk.told] == [20_000]


def test_all_that_is_over_is_one_message_too_and_only_where_it_was_told() -> None:
    desk = Desk(target(least="urgent"))
    for number, priority in enumerate([Priority.URGENT, Priority.URGENT, Priority.TODAY]):
        desk.take(number, "raised", NOON, priority)
    assert titles(desk.until(NOON, NOON + HOUR_MS)) == ["Bins too cold: Bin 0 and Bin 1"]
    for number in range(3):
        desk.take(number, "returned", NOON + HOUR_MS)
    [(title, body)] = desk.until(NOON + HOUR_MS, NOON + 2 * HOUR_MS)
    assert title == "Over: bins too cold: Bin 0 and Bin 1"
    assert body.startswith("Bin 0 is fine\nBin 1 is fine\n\n[")


def test_the_night_is_told_in_the_morning_as_what_still_stands() -> None:
    desk = Desk(target(quiet=QUIET))
    for number in (1, 2, 3):
        desk.take(number, "raised", at("25 23:00"))
    assert desk.until(at("25 23:00"), at("26 02:00")) == []
    desk.take(2, "returned", at("26 02:00"))
    desk.now_at(1, 3.0)
    desk.put(3, AlarmState.ACKNOWLEDGED)
    said = desk.until(at("26 02:00"), at("26 09:00"))
    assert titles(said) == ["In the quiet hours: Bin 1 and Bin 3"]
    body = said[0][1]
    assert "Bin 1 is at 3.0 °C\nInsulate bin 1." in body  # as it is now
    assert "Bin 3 is at 4.0 °C (acknowledged)" in body
    assert "Came and went: Bin 2 (too-cold)" in body
    assert [now_ms for now_ms, _ in desk.told] == [at("26 06:30")]


def test_a_night_in_which_all_came_and_went_is_no_news() -> None:
    desk = Desk(target(quiet=QUIET))
    desk.take(1, "raised", at("25 23:00"))
    desk.until(at("25 23:00"), at("26 02:00"))
    desk.take(1, "returned", at("26 02:00"))
    assert desk.until(at("26 02:00"), at("26 09:00")) == []
    assert all(notice.due_ms is None and notice.outcome for notice in desk.notices)


def test_what_is_urgent_breaks_the_quiet_unless_nothing_may() -> None:
    for breaks, when in (("urgent", "26 03:01"), ("none", "26 06:30"), ("today", "26 03:01")):
        desk = Desk(target(quiet=QUIET, breaks_quiet=breaks))
        desk.take(1, "raised", at("26 03:00"), Priority.URGENT)
        desk.until(at("26 03:00"), at("26 09:00"))
        assert [now_ms for now_ms, _ in desk.told] == [at(when)], breaks


def test_that_an_urgent_alarm_is_over_waits_for_the_morning() -> None:
    desk = Desk(target(quiet=QUIET))
    desk.take(1, "raised", at("26 01:00"), Priority.URGENT)
    desk.until(at("26 01:00"), at("26 03:00"))
    desk.take(1, "returned", at("26 03:00"))
    desk.until(at("26 03:00"), at("26 09:00"))
    assert [now_ms for now_ms, _ in desk.told] == [at("26 01:01"), at("26 06:30")]


def test_the_digest_has_what_is_below_the_least_once_a_day() -> None:
    desk = Desk(target(least="urgent", digest="07:30"))
    desk.take(1, "raised", NOON)
    desk.take(2, "raised", NOON, Priority.INFO, rule="feed-thawed")
    desk.take(3, "raised", NOON)
    desk.until(NOON, at("25 20:00"))
    desk.take(3, "returned", at("25 20:00"))
    said = desk.until(at("25 20:00"), at("27 09:00"))
    assert titles(said) == ["Today's digest: Bin 1 and Bin 2"]
    assert "Came and went: Bin 3 (too-cold)" in said[0][1]
    assert [now_ms for now_ms, _ in desk.told] == [at("26 07:30")]
    desk.take(1, "returned", at("27 09:00"))
    assert titles(desk.until(at("27 09:00"), at("28 09:00"))) == ["Today's digest: nothing stands any more"]
    assert desk.told[-1][0] == at("28 07:30")


def test_a_target_that_was_away_for_hours_gets_one_summary_late() -> None:
    desk = Desk(target())
    desk.take(1, "raised", NOON)
    desk.take(2, "raised", NOON + HOUR_MS, rule="too-wet")
    desk.take(3, "raised", NOON + HOUR_MS)
    desk.take(3, "returned", NOON + 2 * HOUR_MS)
    [(title, body)] = desk.until(NOON + 5 * HOUR_MS, NOON + 6 * HOUR_MS)
    assert title == "Told late: Bin 1 and Bin 2"
    assert "Came and went: Bin 3" in body


def test_behind_a_message_that_is_not_taken_only_what_is_urgent_goes_on() -> None:
    desk = Desk(target())
    desk.take(1, "raised", NOON)
    desk.take(2, "raised", NOON, Priority.URGENT)
    [told] = desk.gather(NOON + 3 * MINUTE_MS, urgent_only=True)
    assert [story.alarm.id for story in told.stories] == [2]


def test_what_was_acknowledged_or_shelved_before_it_was_told_is_not_told() -> None:
    for state in (AlarmState.ACKNOWLEDGED, AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE):
        desk = Desk(target())
        desk.take(1, "raised", NOON)
        desk.put(1, state)
        assert desk.until(NOON, NOON + HOUR_MS) == []
        assert desk.notices[0].due_ms is None


def test_every_rule_has_words_for_many() -> None:
    assert set(RULE_WORDS) == {rule.id for rule in RULES}
    desk = Desk(target())
    desk.take(1, "raised", NOON, forecast=True)
    assert together(desk.notices) == "Bins soon too cold"
    assert together([replace(desk.notices[0], rule="too-dusty")]) == "Too dusty"


def test_a_hundred_alarms_are_counted_not_all_described() -> None:
    desk = Desk(target())
    for number in range(100):
        desk.take(number, "raised", NOON)
    [told] = desk.gather(NOON + 2 * MINUTE_MS)
    title, body = say(told)
    assert title == "Bins too cold: Bin 0, Bin 1 and 98 more"
    assert "And 70 more" in body
    assert len(body) < 4000


targets = st.builds(
    lambda least, quiet, breaks, digest: target(
        least=least, quiet=quiet, breaks_quiet=breaks, digest=None if least == "info" else digest
    ),
    st.sampled_from(["urgent", "today", "round", "info"]),
    st.sampled_from([None, QUIET, "12:00-14:00", "00:00-23:00"]),
    st.sampled_from(["urgent", "today", "none"]),
    st.sampled_from([None, "07:30", "23:00"]),
)
# Per step: which alarm, how many minutes later, how pressing, and whether it is the other thing an alarm can do.
steps = st.lists(
    st.tuples(st.integers(1, 4), st.integers(0, 400), st.sampled_from(list(Priority)), st.booleans()),
    min_size=1,
    max_size=12,
)


@settings(max_examples=120, deadline=None)
@given(targets, steps)
def test_every_step_is_told_once_or_dropped_with_a_reason(
    who: Target, taken: list[tuple[int, int, Priority, bool]]
) -> None:
    desk = Desk(who)
    now_ms = NOON
    for number, minutes, priority, other in taken:
        desk.until(now_ms, now_ms + minutes * MINUTE_MS, 10 * MINUTE_MS)
        now_ms += minutes * MINUTE_MS + 1
        alarm = desk.alarms.get(number)
        up = alarm is not None and alarm.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
        if not up:
            desk.take(number, "raised", now_ms, priority, rule=("too-cold", "too-wet")[number % 2])
        elif not other:
            desk.take(number, "returned", now_ms, rule=("too-cold", "too-wet")[number % 2])
        elif alarm is not None and alarm.state is AlarmState.UNACKNOWLEDGED and minutes % 2:
            desk.put(number, AlarmState.ACKNOWLEDGED)
        else:
            desk.take(number, "worsened", now_ms, priority, rule=("too-cold", "too-wet")[number % 2])
    desk.until(now_ms, now_ms + 72 * HOUR_MS, 10 * MINUTE_MS)

    messages = [told for _, told in desk.told]
    assert all(n.due_ms is None and n.outcome for n in desk.notices), "everything is settled"
    assert len({told.key for told in messages}) == len(messages)
    listed = [notice.key for told in messages for notice in told.notices]
    assert len(listed) == len(set(listed)), "nothing is told twice"
    assert set(listed) == {n.key for n in desk.notices if n.told_ms is not None}
    for told_ms, told in desk.told:
        if quiet_until_ms(desk.target.quiet, told_ms, VIENNA) is not None:
            assert all(desk.target.breaks(story.breaks_as) for story in told.stories)
        for story in told.stories:
            assert all(notice.at_ms <= told_ms for notice in story.notices)
            assert desk.target.is_told(story.priority) or desk.target.digest is not None
    for number in desk.alarms:
        own = [s for _, told in desk.told for s in told.stories if s.alarm.id == number]
        _over_only_after_a_beginning(own)


def _over_only_after_a_beginning(own: list[Story]) -> None:
    stands = False
    for story in own:
        if story.kind is Kind.OVER:
            assert stands
        else:
            begins: list[Notice] = [n for n in story.notices if n.cause != RETURNED]
            assert begins
        stands = story.kind is Kind.STANDS
