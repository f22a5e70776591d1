"""Any readings store: the same promises, tested on each engine there is, against real servers."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from underlid.model import Buckets, Reading
from underlid.store.blocks import DAY_MS
from underlid.store.influx_readings import InfluxReadings
from underlid.store.postgres_readings import PostgresReadings
from underlid.store.readings import Readings, StoreError
from underlid.store.sqlite_readings import SqliteReadings

NOON = 20_000 * DAY_MS + DAY_MS // 2  # in October 2024
LATER = NOON + 1000 * DAY_MS
Open = Callable[[], Readings]


class SealedAtOnce(SqliteReadings):
    """The same file, with everything in blocks whatever is asked of it."""

    def add(self, readings: Sequence[Reading]) -> int:
        new = super().add(readings)
        self._seal()
        return new

    def rewrite(self, channel_id: int, from_ms: int, to_ms: int, readings: Sequence[Reading]) -> None:
        super().rewrite(channel_id, from_ms, to_ms, readings)
        self._seal()

    def _seal(self) -> None:
        while self.upkeep(LATER):
            pass


@pytest.fixture(params=["sqlite", "sealed", "postgres", "influx"])
def open_store(request: pytest.FixtureRequest, tmp_path: Path) -> Open:
    """Opens the store of one test, as often as it is called."""
    if request.param == "postgres":
        url = request.getfixturevalue("postgres_url")
        return lambda: PostgresReadings(url)
    if request.param == "influx":
        url = request.getfixturevalue("influx_url")
        return lambda: InfluxReadings(url)
    kind = SqliteReadings if request.param == "sqlite" else SealedAtOnce
    return lambda: kind(tmp_path / "readings.db")


@pytest.fixture
def store(open_store: Open) -> Iterator[Readings]:
    with closing(open_store()) as opened:
        yield opened


def at(*minutes: float, channel: int = 1, value: float | None = None) -> list[Reading]:
    """Readings some minutes after noon; the value is the minute if none is given."""
    times = [NOON + round(60_000 * minute) for minute in minutes]
    return [
        Reading(channel, time_ms, minute if value is None else value, time_ms + 7)
        for time_ms, minute in zip(times, minutes, strict=True)
    ]


def minutes(store: Readings, channel: int = 1) -> list[float]:
    return [(time_ms - NOON) / 60_000 for time_ms in store.window(channel, 0, LATER).time_ms.tolist()]


def test_a_repeat_changes_nothing_and_the_first_value_stays(store: Readings) -> None:
    assert store.add(at(1, 2)) == 2
    assert store.add([*at(1, value=99.0), *at(3)]) == 1
    series = store.window(1, 0, LATER)
    assert series.time_ms.tolist() == [NOON + 60_000, NOON + 120_000, NOON + 180_000]
    assert series.value.tolist() == [1.0, 2.0, 3.0]


def test_of_two_at_one_moment_in_a_batch_the_first_stays(store: Readings) -> None:
    assert store.add([*at(1, value=5.0), *at(2), *at(1, value=6.0)]) == 2
    assert store.window(1, 0, LATER).value.tolist() == [5.0, 2.0]


def test_a_window_holds_both_its_ends_and_late_readings_in_their_place(store: Readings) -> None:
    store.add(at(5, 1, 3))
    store.add(at(2, channel=2))
    store.add(at(4, -9000))
    assert minutes(store) == [-9000, 1, 3, 4, 5]
    inside = store.window(1, NOON + 60_000, NOON + 180_000)
    assert inside.time_ms.tolist() == [NOON + 60_000, NOON + 180_000]
    assert len(store.window(1, NOON + 60_001, NOON + 179_999)) == 0


def test_what_is_empty_is_empty(store: Readings) -> None:
    assert store.add([]) == 0
    store.rewrite(1, 0, LATER, [])
    store.add(at(1))
    for channel, from_ms, to_ms in ((2, 0, LATER), (1, 0, NOON), (1, LATER, LATER + 1)):
        assert len(store.window(channel, from_ms, to_ms)) == 0
        assert len(store.buckets(channel, from_ms, to_ms, 10).time_ms) == 0
    assert store.latest([]) == {}
    assert store.first_ms([]) is None


def test_latest_and_first_leave_out_channels_without_a_reading(store: Readings) -> None:
    store.add([*at(1, 2), *at(-30, channel=2)])
    assert store.latest([1, 2, 3]) == {1: at(2)[0], 2: at(-30, channel=2)[0]}
    store.add(at(-5000))
    assert store.latest([1]) == {1: at(2)[0]}
    assert store.first_ms([1, 3]) == NOON - 5000 * 60_000
    assert store.first_ms([3]) is None


@pytest.mark.parametrize("wrong", [float("nan"), float("inf"), float("-inf")])
def test_what_is_no_number_is_refused_and_its_batch_is_not_half_kept(store: Readings, wrong: float) -> None:
    with pytest.raises(StoreError, match="channel 1"):
        store.add([*at(1), *at(2, value=wrong)])
    store.add(at(5))
    with pytest.raises(StoreError, match="channel 1"):
        store.rewrite(1, 0, LATER, [*at(3), *at(4, value=wrong)])
    assert minutes(store) == [5]


def test_numbers_come_back_to_the_last_bit(store: Readings) -> None:
    numbers = [0.1 + 0.2, -0.0625, 1 / 3, 2.0**53 + 2, 5e-300, -1.7e300, 21.37, 0.0]
    store.add([Reading(1, NOON + n, value, 0) for n, value in enumerate(numbers)])
    assert store.window(1, 0, LATER).value.tolist() == numbers


def test_computed_readings_take_the_place_of_a_range_and_leave_the_rest(store: Readings) -> None:
    store.add([*at(-2000, 1, 2, 3, 4), *at(2, channel=2)])
    store.rewrite(1, NOON + 120_000, NOON + 180_000, at(2.5))
    assert minutes(store) == [-2000, 1, 2.5, 4]
    assert minutes(store, channel=2) == [2]
    store.rewrite(1, NOON - 3000 * 60_000, NOON + 120_000, at(-1000))
    assert minutes(store) == [-1000, 2.5, 4]
    assert store.latest([1]) == {1: at(4)[0]}
    store.rewrite(1, 0, LATER, [])
    assert (minutes(store), store.latest([1]), store.first_ms([1])) == ([], {}, None)


def test_what_add_returned_survives_a_second_opening(open_store: Open) -> None:
    with closing(open_store()) as first:
        first.add(at(1))
        with closing(open_store()) as second:  # as after a crash: the first was never closed
            assert minutes(second) == [1]
            assert second.add(at(1, 2)) == 1


def reference(readings: dict[int, float], from_ms: int, to_ms: int, points: int) -> Buckets:
    """numpy.histogram as the reference for which reading falls into which bucket, in numbers of a dictionary."""
    inside = sorted(time_ms for time_ms in readings if from_ms <= time_ms <= to_ms)
    width = -(-(to_ms - from_ms + 1) // points)
    edges = from_ms + np.arange(points + 1) * width
    values = np.array([readings[time_ms] for time_ms in inside])
    count, _ = np.histogram(inside, edges)
    total, _ = np.histogram(inside, edges, weights=values)
    filled = np.flatnonzero(count)
    parts = np.split(values, np.cumsum(count[filled])[:-1]) if len(inside) else []
    return Buckets(
        edges[filled],
        np.array([part.min() for part in parts]),
        total[filled] / count[filled],
        np.array([part.max() for part in parts]),
        count[filled],
    )


BATCH = st.lists(
    st.tuples(st.integers(1, 2), st.integers(0, 12), st.floats(-60, 100)), min_size=1, max_size=30
)
SPAN = st.tuples(st.integers(0, 12), st.integers(0, 12)).map(sorted)
STEP = st.one_of(BATCH, st.tuples(SPAN, BATCH))
SIXTH = DAY_MS // 6  # thirteen moments lie on three days


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=st.lists(STEP, min_size=1, max_size=6), span=SPAN, points=st.integers(1, 40))
def test_whatever_is_done_to_it_a_store_says_what_a_dictionary_would(
    open_store: Open, steps: list[object], span: list[int], points: int
) -> None:
    with closing(open_store()) as store:
        for channel in (1, 2):
            store.rewrite(channel, 0, LATER, [])
        held: dict[int, dict[int, float]] = {1: {}, 2: {}}
        for step in steps:
            if isinstance(step, tuple):
                (start, end), batch = step
                inside = {NOON + SIXTH * n: value for _, n, value in reversed(batch) if start <= n <= end}
                from_ms, to_ms = NOON + SIXTH * start, NOON + SIXTH * end
                store.rewrite(1, from_ms, to_ms, [Reading(1, t, v, t) for t, v in inside.items()])
                held[1] = {t: v for t, v in held[1].items() if not from_ms <= t <= to_ms} | inside
            else:
                assert isinstance(step, list)
                before = sum(map(len, held.values()))
                new = store.add([Reading(channel, NOON + SIXTH * n, value, 0) for channel, n, value in step])
                for channel, n, value in step:
                    held[channel].setdefault(NOON + SIXTH * n, value)
                assert new == sum(map(len, held.values())) - before
        from_ms, to_ms = (NOON + SIXTH * n for n in span)
        for channel, numbers in held.items():
            series = store.window(channel, from_ms, to_ms)
            assert dict(zip(series.time_ms.tolist(), series.value.tolist(), strict=True)) == {
                t: v for t, v in numbers.items() if from_ms <= t <= to_ms
            }
            assert series.time_ms.tolist() == sorted(series.time_ms.tolist())
            found, wanted = (
                store.buckets(channel, from_ms, to_ms, points),
                reference(numbers, from_ms, to_ms, points),
            )
            assert found.time_ms.tolist() == wanted.time_ms.tolist()
            assert found.count.tolist() == wanted.count.tolist()
            assert found.low.tolist() == wanted.low.tolist()
            assert found.high.tolist() == wanted.high.tolist()
            np.testing.assert_allclose(found.mean, wanted.mean, rtol=1e-12, atol=1e-12)
        newest = {channel: max(numbers) for channel, numbers in held.items() if numbers}
        latest = {
            channel: (reading.time_ms, reading.value) for channel, reading in store.latest([1, 2]).items()
        }
        assert latest == {channel: (time_ms, held[channel][time_ms]) for channel, time_ms in newest.items()}
        assert store.first_ms([1, 2]) == min(map(min, filter(None, held.values())), default=None)


@pytest.mark.slow
def test_a_million_readings_are_all_there_and_thin_to_what_they_are(store: Readings) -> None:
    rng = np.random.default_rng(4)
    minutes = 250_000
    time_ms = NOON - 60_000 * np.arange(minutes)[::-1]
    values = {channel: np.round(rng.normal(20, 4, minutes), 2) for channel in range(1, 5)}
    for channel, value in values.items():
        for start in range(0, minutes, 10_000):
            part = slice(start, start + 10_000)
            batch = zip(time_ms[part].tolist(), value[part].tolist(), strict=True)
            assert store.add([Reading(channel, t, v, t) for t, v in batch]) == 10_000
    for channel, value in values.items():
        series = store.window(channel, 0, LATER)
        assert np.array_equal(series.time_ms, time_ms)
        assert np.array_equal(series.value, value)
        thinned = store.buckets(channel, int(time_ms[0]), NOON, 800)
        assert thinned.count.sum() == minutes
        np.testing.assert_allclose((thinned.mean * thinned.count).sum(), value.sum())
        assert (thinned.low.min(), thinned.high.max()) == (value.min(), value.max())
    assert store.add([Reading(1, t, 0.0, t) for t in time_ms[:5000].tolist()]) == 0
