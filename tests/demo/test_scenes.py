"""What a newcomer finds at "now", by the readings alone, whatever the date, the time of day and the seed."""

import numpy as np
import pytest

from demo.pasts import STARTS, SUMMER, fresh, level, past, per_hour
from underlid.demo.farm import (
    DROPOUT_PROBE,
    DRY_BIN,
    DRYING_BIN,
    FLAT_PROBE,
    FREEZING_TUB,
    FROZEN_TUB,
    HEATING_BIN,
    NOISY_CHANNEL,
    the_farm,
)
from underlid.demo.history import EVERY_MS, History
from underlid.demo.weather import DAY_MS, HOUR_MS
from underlid.model import Position, Quantity, SubjectKind

# Limits of E. fetida that the scenes play with: top at least 65 % (Reinecke & Venter 1987), 4 to 30 C and at
# most 90 % (Edwards 1988; we keep 2 points), 35 C survived (Dominguez & Edwards, from memory).
DRY_PCT, WET_PCT, WARM_C, HOT_C, COLD_C = 65.0, 88.0, 30.0, 35.0, 4.0
CASES = [*((start, 1) for start in STARTS), (SUMMER, 2)]


@pytest.fixture(params=CASES, ids=lambda case: f"{case[0][:16]} seed {case[1]}")
def history(request: pytest.FixtureRequest) -> History:
    start, seed = request.param
    return past(start, seed=seed)


def test_one_top_is_below_its_limit_and_drying(history: History) -> None:
    probe = f"{DRY_BIN}-1"
    assert 60.0 < level(history, probe, "top-moist") < DRY_PCT - 0.5
    assert level(history, probe, "top-moist", hours_ago=48.0) > DRY_PCT
    assert per_hour(history, probe, "top-moist", 24.0) < -0.05


def test_another_top_will_cross_its_limit_within_half_a_day(history: History) -> None:
    probe = f"{DRYING_BIN}-1"
    now_pct = level(history, probe, "top-moist")
    rate = per_hour(history, probe, "top-moist", 24.0)
    assert now_pct > DRY_PCT + 0.2
    assert 1.0 < (DRY_PCT - now_pct) / rate < 13.0


def test_a_fresh_feeding_heats_and_will_pass_what_worms_stand(history: History) -> None:
    probe = f"{HEATING_BIN}-1"
    assert 28.0 < level(history, probe, "pocket-temp") < HOT_C - 1.0
    assert per_hour(history, probe, "pocket-temp", 3.0) > 0.6
    assert level(history, probe, "pocket-temp", hours_ago=20.0) < 16.0
    fed = [e for e in history.log if e.subject.id == HEATING_BIN and e.kind == "fed"][-1]
    assert 12 * HOUR_MS < history.start_ms - fed.at_ms < DAY_MS
    assert fed.amount_kg is not None
    assert fed.amount_kg > 4.0
    assert fed.corner


def test_one_tub_freezes_and_the_other_is_frozen_through(history: History) -> None:
    freezing, frozen = f"{FREEZING_TUB}-1", f"{FROZEN_TUB}-1"
    # Vegetables start to freeze at -0.1 to -1.4 C (ASHRAE Handbook, Refrigeration, Foods, table 3).
    assert -1.4 < level(history, freezing, "feed-temp") < -0.1
    assert level(history, freezing, "feed-temp", hours_ago=30.0) > 5.0
    assert 0.05 < history.garden.tubs[FREEZING_TUB].ice_share < 0.5
    assert level(history, frozen, "feed-temp") < -4.0
    assert history.garden.tubs[FROZEN_TUB].ice_share > 0.7
    assert level(history, "lean-to-air", "temp") < -1.0


def test_all_other_bins_are_calm_and_healthy(history: History) -> None:
    for bin_ in history.farm.bins:
        probe = f"{bin_.id}-1"
        if probe == FLAT_PROBE:
            continue
        for position in ("top", "core", "base"):
            if bin_.id not in (DRY_BIN, DRYING_BIN) and (probe, f"{position}-moist") != NOISY_CHANNEL:
                assert 70.0 < level(history, probe, f"{position}-moist") < WET_PCT - 2.0
            assert COLD_C + 2.0 < level(history, probe, f"{position}-temp") < WARM_C - 3.0
        if bin_.id not in (DRY_BIN, DRYING_BIN):
            assert per_hour(history, probe, "top-moist", 24.0) > -0.1
        if bin_.id != HEATING_BIN:
            pocket = history.readings[probe, "pocket-temp"].since(history.start_ms - 7 * DAY_MS)
            assert pocket.value.max() < WARM_C
            assert per_hour(history, probe, "pocket-temp", 6.0) < 0.5


def test_one_probe_went_flat_days_ago_after_its_voltage_fell(history: History) -> None:
    for channel in ("top-temp", "batt"):
        last_ms = int(history.readings[FLAT_PROBE, channel].time_ms[-1])
        assert 4 * DAY_MS < history.start_ms - last_ms < 5 * DAY_MS
    volts = history.readings[FLAT_PROBE, "batt"].value
    assert volts[0] > 3.4
    assert volts[-1] < 3.1
    assert (
        min(s.value.min() for (p, c), s in history.readings.items() if c == "batt" and p != FLAT_PROBE) > 3.7
    )


def test_one_probe_was_not_heard_for_hours_and_came_back(history: History) -> None:
    gaps = np.diff(history.readings[DROPOUT_PROBE, "top-temp"].time_ms)
    assert (gaps > 5 * HOUR_MS).sum() == 1
    assert history.start_ms - history.readings[DROPOUT_PROBE, "top-temp"].time_ms[-1] < HOUR_MS


def test_one_channel_is_noisy_beyond_its_twins(history: History) -> None:
    probe, channel = NOISY_CHANNEL

    def wild(name: str) -> float:
        return float((np.abs(np.diff(history.readings[probe, name].value)) > 8.0).mean())

    assert wild(channel) > 0.1
    assert wild("core-moist") < 0.01


def test_probes_speak_about_every_ten_minutes_and_lose_a_few(history: History) -> None:
    expected = 21 * DAY_MS / EVERY_MS
    for probe in history.farm.probes:
        first = history.readings[probe.id, probe.channels[0].name].time_ms
        assert np.all(np.diff(first) > 0)
        assert int(first[-1]) <= history.start_ms
        if probe.id not in (FLAT_PROBE, DROPOUT_PROBE):
            assert 0.97 * expected < len(first) < expected + 1
            assert history.start_ms - first[-1] < 30 * 60_000
        for channel in probe.channels:
            series = history.readings[probe.id, channel.name]
            assert np.array_equal(series.time_ms, first)
            assert np.all(np.isfinite(series.value))


def test_the_log_tells_what_was_done_in_order_and_before_now(history: History) -> None:
    times = [e.at_ms for e in history.log]
    assert times == sorted(times)
    assert times[-1] < history.start_ms
    assert times[0] >= history.start_ms - 21 * DAY_MS
    kinds = {e.kind for e in history.log}
    assert {"fed", "wetted", "turned", "harvest", "bedding", "seen", "lid"} <= kinds
    bins, stores = {b.id for b in history.farm.bins}, {s.id for s in history.farm.feed_stores}
    for entry in history.log:
        assert entry.subject.id in (bins if entry.subject.kind == SubjectKind.BIN else stores)
        if entry.kind == "fed":
            assert entry.amount_kg is not None
            assert entry.amount_kg > 0.2
            assert entry.corner
        if entry.kind == "wetted":
            assert entry.amount_l is not None
            assert entry.amount_l > 0.0
    fed = {b: sum(e.kind == "fed" and e.subject.id == b for e in history.log) for b in bins}
    assert min(fed.values()) >= 3


def test_the_scenes_do_not_hang_on_how_much_of_the_past_is_asked_for() -> None:
    short, long = past(SUMMER, days=2.0), past(SUMMER)
    assert min(int(s.time_ms[0]) for s in short.readings.values() if len(s)) >= short.start_ms - 2 * DAY_MS
    for probe, channel in ((f"{DRY_BIN}-1", "top-moist"), (f"{HEATING_BIN}-1", "pocket-temp")):
        assert level(short, probe, channel) == pytest.approx(level(long, probe, channel), abs=0.2)
    assert short.garden.beds.temp_c == pytest.approx(long.garden.beds.temp_c)
    assert all(e.at_ms >= short.start_ms - 2 * DAY_MS for e in short.log)
    assert len(short.readings[FLAT_PROBE, "batt"]) == 0


def test_the_same_seed_gives_the_same_past_and_another_seed_another() -> None:
    one, again, other = past(SUMMER), fresh(SUMMER), past(SUMMER, seed=2)
    assert one.log == again.log
    assert one.log != other.log
    for key, series in one.readings.items():
        assert np.array_equal(series.time_ms, again.readings[key].time_ms)
        assert np.array_equal(series.value, again.readings[key].value)
    assert not np.array_equal(
        one.readings["alder-1", "top-moist"].value, other.readings["alder-1", "top-moist"].value
    )


def test_a_past_of_no_days_is_refused() -> None:
    with pytest.raises(ValueError, match="days must be positive"):
        fresh(SUMMER, days=0.0)


def test_readings_cover_every_channel_of_the_farm() -> None:
    channels = {(p.id, c.name): c for p in the_farm(0).probes for c in p.channels}
    assert past(SUMMER).readings.keys() == channels.keys()
    for key, channel in channels.items():
        value = past(SUMMER).readings[key].value
        if channel.quantity in (Quantity.MOISTURE, Quantity.HUMIDITY):
            assert 0.0 <= value.min() <= value.max() <= 100.0
        if channel.position is Position.CORE and channel.quantity is Quantity.TEMPERATURE:
            assert np.allclose(value / 0.0625, np.round(value / 0.0625))  # steps of a 12-bit sensor
