"""Tables of readings taken in, held against pandas reading the same text."""

import io
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from tests.exchange.farm import NOW_MS, ZONE, begin, map_of, opened, take, underlid

from conftest import Service
from underlid.exchange.columns import check
from underlid.exchange.guess import guess
from underlid.exchange.sheet import SAMPLE_BYTES, encoding_of, look_at
from underlid.exchange.sources import sources
from underlid.exchange.trials import MOST_TRIALS, Seen, Trials
from underlid.model import Quantity

LONG = """probe,channel,time,value,unit
alder-1,top-temp,2026-01-05T10:00:00Z,18.5,Cel
alder-1,moist,2026-01-05T10:00:00Z,0.7,/
alder-1,top-temp,2026-01-05T10:15:00Z,65.3,degF
birch-1,batt,2026-01-05T10:15:00Z,3300,mV
alder-1,top-temp,2026-01-05T10:00:00Z,18.5,Cel
"""
WIDE = "Datum;Uhrzeit;Temperatur oben (°C);Feuchte (%);Bemerkung\r\n" + "".join(
    f"{day:02}.02.2026;{hour:02}:00;{18 + hour / 10:.1f};{70 - day / 10:.2f};ok\r\n".replace(".1;", ",1;")
    for day in range(1, 20)
    for hour in range(24)
).replace("02.2026", "02#2026").replace(".", ",").replace(",02#2026", ".02.2026")


def test_a_long_table_is_kept_in_the_units_that_the_intake_would_keep(tmp_path: Path) -> None:
    with opened(tmp_path) as stores:
        tally, refused = take(stores, LONG, map_of(LONG))
        found = stores.everything()
    assert refused == []
    assert (tally.rows, tally.new, tally.known) == (5, 4, 1)
    at = 1_767_607_200_000  # date -u -d 2026-01-05T10:00 +%s
    temps = found["alder-1", "top-temp", "Cel"]
    assert temps[0] == (at, 18.5)
    assert temps[1] == (at + 900_000, pytest.approx((65.3 - 32) / 1.8))  # NIST SP 811, B.8
    assert found["alder-1", "moist", "%"] == [(at, pytest.approx(70))]  # RFC 8428: / is of 1
    assert found["birch-1", "batt", "V"] == [(at + 900_000, 3.3)]


def test_a_german_table_of_columns_is_read_as_pandas_reads_it(tmp_path: Path) -> None:
    map_ = map_of(WIDE, "alder-1")
    assert (map_.separator, map_.order, map_.decimal, map_.clock) == (";", "dmy", ",", 1)
    frame = pd.read_csv(io.StringIO(WIDE), sep=";", decimal=",")
    times = pd.to_datetime(frame["Datum"] + " " + frame["Uhrzeit"], format="%d.%m.%Y %H:%M")
    theirs = times.dt.tz_localize(ZONE).dt.tz_convert("UTC").astype("datetime64[ms, UTC]").astype("int64")
    with opened(tmp_path) as stores:
        tally, refused = take(stores, WIDE, map_, size=100)
        temp, moist = stores.series("alder-1", "temp-oben"), stores.series("alder-1", "moist")
    assert refused == []
    assert tally.new == 2 * len(frame)
    assert temp.time_ms.tolist() == theirs.tolist()
    np.testing.assert_array_equal(temp.value, frame["Temperatur oben (°C)"])
    np.testing.assert_array_equal(moist.value, frame["Feuchte (%)"])


def test_a_dry_run_counts_what_the_import_then_does_and_a_second_import_changes_nothing(
    tmp_path: Path,
) -> None:
    rng = np.random.default_rng(7)
    minutes = rng.integers(0, 3000, 4000)  # out of order, many of them twice
    rows = [
        f"alder-1,temp,{pd.Timestamp(2026, 1, 1) + pd.Timedelta(minutes=int(m))},{m / 100},Cel"
        for m in minutes
    ]
    text = "\n".join(["probe,channel,time,value,unit", *rows[:3000], *rows])
    map_ = map_of(text)
    with opened(tmp_path) as stores:
        take(stores, "\n".join(text.splitlines()[:500]), map_)
        before = stores.everything()
        trial, _ = take(stores, text, map_, trial=True)
        assert stores.everything() == before
        real, _ = take(stores, text, map_)
        after = stores.everything()
        again, _ = take(stores, text, map_)
        assert stores.everything() == after
    assert (trial.rows, trial.new, trial.known) == (real.rows, real.new, real.known)
    assert len(after["alder-1", "temp", "Cel"]) == len(set(minutes.tolist()))
    assert (again.new, again.known) == (0, 7000)


def test_bad_rows_are_told_by_line_and_the_rows_around_them_are_taken(tmp_path: Path) -> None:
    rows = [
        "2026-01-05 10:00,18.5,70",
        "2026-01-05 10:15,warm,71",
        "2026-02-30 10:15,18.5,71",
        "",
        ",,",
        '2026-01-05 10:30,"18.5,71',
        "2026-01-05 10:45,18.5",
        "2026-01-05 11:00,18.5,71,,",
        "2026-01-05 11:15,18.5,71,9",
        "2026-03-29 02:30,18.5,71",
        "2026-01-05 11:30,,72",
        "2026-01-05 11:45,18.5,73",
    ]
    text = "\n".join(["time,temp (Cel),moist (%)", *rows]) + "\n"
    with opened(tmp_path) as stores:
        tally, refused = take(stores, text, map_of(text, "alder-1"))
        temps, moist = stores.series("alder-1", "temp"), stores.series("alder-1", "moist")
    told = {each.line: each.reason for each in refused}
    assert sorted(told) == [3, 4, 7, 8, 10, 11]
    assert told[3] == "temp: 'warm' is not a number"
    assert "no time that there is" in told[4]
    assert told[7] == told[8] == "has 2 cells, where the header has 3"
    assert told[10] == "has 4 cells, where the header has 3"
    assert "went forward" in told[11]
    assert len(temps) == 3
    assert moist.value.tolist() == [70, 71, 71, 72, 73]
    assert tally.rows == 10
    assert tally.refused == 6


@pytest.mark.parametrize(
    ("header", "cells", "expected"),
    [
        ("time,temp", "01/02/2026 10:00,20", {"order", "probe"}),
        ("time,temp", "13/02/2026 10:00,20", {"probe"}),
        ("time,colour", "2026-01-01 10:00,20", {"probe", "unit"}),
        ("time,value", "2026-01-01 10:00,20", {"probe", "channel"}),
        ("time,a-1/temp,b-1/rh", "2026-01-01 10:00,20,30", set()),
    ],
)
def test_what_a_table_does_not_tell_is_asked(header: str, cells: str, expected: set[str]) -> None:
    assert set(guess(look_at(f"{header}\n{cells}\n"), ZONE).questions) == expected


def test_a_number_that_is_too_large_in_its_stored_unit_is_refused(tmp_path: Path) -> None:
    text = "time,moist (/)\n2026-01-01 10:00,0.5\n2026-01-01 11:00,1e308\n"
    with opened(tmp_path) as stores:
        tally, refused = take(stores, text, map_of(text, "a"))
    assert (tally.new, [each.reason for each in refused]) == (1, ["moist: is too large"])


def test_two_columns_for_one_channel_and_a_column_that_is_not_there_are_refused() -> None:
    text = "time,a/temp (Cel),a/temp (°C)\n2026-01-01,1,2\n"
    with pytest.raises(ValueError, match="same channel"):
        check(guess(look_at(text), ZONE).map)


@pytest.mark.parametrize(
    ("encoding", "mark"),
    [("utf-8-sig", ""), ("utf-16", ""), ("cp1252", ""), ("utf-16-be", "\ufeff"), ("utf-8", "")],
)
def test_the_encodings_that_spreadsheets_write_are_told_apart(
    encoding: str, mark: str, tmp_path: Path
) -> None:
    file = tmp_path / "table.csv"
    file.write_bytes((mark + "Zeit\tWärme (°C)\n2026-01-01 10:00\t21,5\n").encode(encoding))
    [source] = sources(file)
    assert source.sheet.header == ("Zeit", "Wärme (°C)")
    assert guess(source.sheet, ZONE, "a").map.columns[0].unit == "Cel"
    assert list(source.open()) == ["2026-01-01 10:00\t21,5\n"]
    start = b"a" * (SAMPLE_BYTES - 2) + "ä".encode()
    assert encoding_of(start[: SAMPLE_BYTES - 1] + b"\xc3") == "utf-8"  # cut within a letter
    assert encoding_of("naß\n".encode("cp1252")) == "cp1252"


def test_the_command_takes_a_file_keeps_bad_rows_beside_it_and_takes_those_once_mended(
    tmp_path: Path,
) -> None:
    file, data = tmp_path / "shed.csv", str(begin(tmp_path / "data"))
    file.write_text("time,temp (°C)\n2026-01-05 10:00,18.5\n2026-01-05 10:15,18;6\n")
    done = underlid("import", str(file), "--data-dir", data, "--probe", "alder-1", "--dry-run")
    assert done.returncode == 3
    assert "1 readings would go in" in done.stderr
    assert "shed.csv: a table of readings by its header; --what log if it is not" in done.stderr
    assert "  line 3: " in done.stderr
    done = underlid("import", str(file), "--data-dir", data, "--probe", "alder-1")
    assert done.returncode == 1
    assert "--yes" in done.stderr
    assert underlid("export", "readings", "--data-dir", data).stdout.count("\n") == 1
    done = underlid("import", str(file), "--data-dir", data, "--probe", "alder-1", "--yes")
    assert done.returncode == 3
    beside = tmp_path / "shed.refused.csv"
    assert beside.read_text().splitlines()[1].startswith("2026-01-05 10:15,18;6,3,")
    beside.write_text(beside.read_text().replace("18;6", "18.6"))
    done = underlid("import", str(beside), "--data-dir", data, "--probe", "alder-1", "--yes")
    assert done.returncode == 0, done.stderr
    assert f"The farm is that in {data}." in done.stderr
    assert underlid("export", "readings", "--data-dir", data).stdout.splitlines()[1:] == [
        "alder-1,temp,Cel,2026-01-05T09:00:00.000Z,18.5",
        "alder-1,temp,Cel,2026-01-05T09:15:00.000Z,18.6",
    ]


def test_what_is_left_open_is_one_line_that_names_the_option(tmp_path: Path) -> None:
    file = tmp_path / "shed.csv"
    file.write_text("time,temp\n01/02/2026 10:00,20\n")
    done = underlid("import", str(file), "--data-dir", str(begin(tmp_path / "data")), "--yes")
    assert done.returncode == 1
    line = done.stderr.strip().splitlines()[-1]
    assert "--dates" in line
    assert "--probe" in line
    done = underlid(
        "import", str(file), "--data-dir", str(tmp_path / "data"), "--yes", "--dates", "backwards"
    )
    assert "ymd, dmy, mdy, unix" in done.stderr


def test_an_import_that_was_killed_is_repeated_to_the_same_end(tmp_path: Path) -> None:
    file, data = tmp_path / "year.csv", begin(tmp_path / "data")
    times = pd.date_range("2025-01-01", periods=150_000, freq="min").strftime("%Y-%m-%dT%H:%M:%SZ")
    file.write_text("time,temp (Cel)\n" + "".join(f"{at},{n % 50}\n" for n, at in enumerate(times)))
    command = [
        sys.executable,
        "-m",
        "underlid",
        "import",
        str(file),
        "--data-dir",
        str(data),
        "--probe",
        "a",
        "--yes",
    ]
    environment = {k: v for k, v in os.environ.items() if not k.startswith("UNDERLID_")}
    with subprocess.Popen(command, stderr=subprocess.PIPE, env=environment) as process:
        wal = data / "readings.db-wal"
        while not (wal.exists() and wal.stat().st_size > 1_000_000) and process.poll() is None:
            time.sleep(0.01)
        assert process.poll() is None, "it was over before it could be killed"
        process.send_signal(signal.SIGKILL)
    with opened(data) as stores:
        part = len(stores.series("a", "temp"))
    assert 0 < part < 150_000
    done = underlid("import", str(file), "--data-dir", str(data), "--probe", "a", "--yes")
    assert done.returncode == 0, done.stderr
    assert f"{150_000 - part} readings went in, {part} are there already" in done.stderr
    with opened(data) as stores:
        found = stores.series("a", "temp")
    assert len(found) == 150_000
    assert found.value.tolist() == [n % 50 for n in range(150_000)]
    assert int(found.time_ms[-1]) < NOW_MS


def test_what_the_store_has_sealed_meanwhile_is_not_taken_twice(tmp_path: Path) -> None:
    times = pd.date_range("2025-01-01", periods=20_000, freq="min").strftime("%Y-%m-%d %H:%M")
    text = "time,temp (Cel)\n" + "".join(f"{at},{n % 70 / 7}\n" for n, at in enumerate(times))
    map_ = map_of(text, "a")
    with opened(tmp_path) as stores:
        take(stores, text, map_)
        before = stores.everything()
        while stores.readings.upkeep(NOW_MS):
            pass
        trial, _ = take(stores, text, map_, trial=True)
        again, _ = take(stores, text, map_)
        assert (trial.new, again.new, again.known) == (0, 0, 20_000)
        assert stores.everything() == before


def test_a_table_is_taken_in_beside_a_running_service(service: Service, tmp_path: Path) -> None:
    file = tmp_path / "shed.csv"
    rows = "".join(
        f"2026-01-05T{hour:02}:{minute:02}:00Z,{hour}\n" for hour in range(24) for minute in range(60)
    )
    file.write_text(f"time,temp (Cel)\n{rows}")
    done = underlid("import", str(file), "--data-dir", str(service.data_dir), "--probe", "shed-1", "--yes")
    assert done.returncode == 0, done.stderr
    [probe] = service.items("/probes")
    channel = probe["channels"][0]["id"]  # type: ignore[index]
    path = f"/readings?channel={channel}&from=2026-01-05T00:00:00Z&to=2026-01-05T23:59:59Z&points=24"
    found = service.api("GET", path)
    assert found["count"] == [60] * 24
    assert found["mean"] == list(range(24))


def test_a_trial_remembers_no_more_than_it_may() -> None:
    key = ("alder-1", "top-temp", "Cel", Quantity.TEMPERATURE)
    seen = Seen(10)
    assert len(seen.fresh(2, key, np.arange(8))) == 8
    assert len(seen.fresh(10, key, np.arange(6, 12))) == 4  # 8 and 4 would be too many: these are not kept
    assert len(seen.fresh(16, key, np.arange(8, 12))) == 4
    seen.begin(2)
    assert len(seen.fresh(2, key, np.arange(8))) == 8
    assert len(seen.fresh(20, key, np.arange(8))) == 0


def test_only_so_many_trials_are_remembered_the_latest() -> None:
    trials = Trials()
    first = trials.of("first")
    others = [trials.of(f"trial {number}") for number in range(MOST_TRIALS - 1)]
    assert trials.of("first") is first
    trials.of("one more")
    assert trials.of("first") is first
    assert trials.of("trial 0") is not others[0]
