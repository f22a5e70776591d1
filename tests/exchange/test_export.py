"""What export writes, read by others (pandas, pyarrow, the intake's own SenML reader, zipfile) and by import."""

import io
import json
import tracemalloc
import zipfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow.parquet as parquet
import pytest
from tests.exchange.farm import NOW_MS, Stores, opened, underlid

from underlid.commands.exporting import export
from underlid.commands.importing import Told, import_file
from underlid.exchange import csv_out, parquet_out, senml_out
from underlid.exchange.archive import archive
from underlid.exchange.stream import Span, channels_of
from underlid.intake.decode import decode
from underlid.model import (
    Alarm,
    AlarmState,
    Finding,
    LogEntry,
    Probe,
    Quantity,
    Reading,
    Subject,
    SubjectKind,
    Transition,
    Verdict,
)
from underlid.settings import load_settings
from underlid.store import alarms, catalogue, log

ALDER = Subject(SubjectKind.BIN, "alder")
ALL = Span(0, 2**53)
START_MS = 1_767_225_600_000  # 2026-01-01


@pytest.fixture
def farm(tmp_path: Path) -> Iterator[Stores]:
    """Two probes of five channels with gaps, a log with a formula in it, an alarm of two steps."""
    rng = np.random.default_rng(5)
    with opened(tmp_path / "data") as stores:
        kinds = [
            ("alder-1", "top-temp", "Cel", Quantity.TEMPERATURE),
            ("alder-1", "moist", "count", Quantity.MOISTURE_RAW),
            ("alder-1", "moist", "%", Quantity.MOISTURE),
            ("birch-1", "batt", "V", Quantity.BATTERY),
            ("birch-1", "rssi", "dBm", Quantity.SIGNAL),
        ]
        with stores.ledger.writing() as connection:
            for probe in ("alder-1", "birch-1"):
                catalogue.save_probe(connection, Probe(probe, probe, START_MS))
            channels = [catalogue.register_channel(connection, *kind) for kind in kinds]
            log.add(
                connection,
                LogEntry(0, START_MS, ALDER, "fed", 2.5, what="husks", note="=HYPERLINK(1)", key="k-1"),
            )
            log.add(
                connection,
                LogEntry(0, START_MS + 1, ALDER, "wetted", None, 0.8, note='said "enough",\nthen left'),
            )
            finding = Finding(
                "too-warm", Verdict.HOLDS, START_MS, value=31.5, limit=30.0, unit="Cel", headline="+warm"
            )
            alarm = alarms.save(
                connection, Alarm(0, ALDER, "too-warm", AlarmState.UNACKNOWLEDGED, finding=finding)
            )
            for at, cause in ((START_MS, "raised"), (START_MS + 60_000, "acknowledged")):
                state = AlarmState.ACKNOWLEDGED
                alarms.add_transition(
                    connection, Transition(alarm, at, AlarmState.UNACKNOWLEDGED, state, cause, "keeper")
                )
        for channel in channels:
            times = START_MS + np.cumsum(rng.integers(1000, 9_000_000, 300))
            values = rng.normal(20, 5, 300)
            rows = [
                Reading(channel.id, t, v, t) for t, v in zip(times.tolist(), values.tolist(), strict=True)
            ]
            stores.readings.add(rows)
        yield stores


def test_pandas_reads_the_long_table_to_the_last_bit(farm: Stores) -> None:
    text = "".join(csv_out.readings_long(farm.readings, channels_of(farm.ledger), ALL))
    frame = pd.read_csv(io.StringIO(text), parse_dates=["time (UTC)"])
    for (probe, channel, unit), pairs in farm.everything().items():
        own = frame[(frame.probe == probe) & (frame.channel == channel) & (frame.unit == unit)]
        at = own["time (UTC)"].astype("datetime64[ms, UTC]").astype("int64")
        assert list(zip(at.tolist(), own.value.tolist(), strict=True)) == pairs


def test_the_wide_table_has_a_column_with_its_unit_for_each_channel(farm: Stores) -> None:
    text = "".join(csv_out.readings_wide(farm.readings, channels_of(farm.ledger), ALL))
    frame = pd.read_csv(io.StringIO(text), parse_dates=["time (UTC)"])
    assert frame["time (UTC)"].is_monotonic_increasing
    for (probe, channel, unit), pairs in farm.everything().items():
        own = frame[f"{probe}/{channel} ({unit})"].dropna()
        assert own.tolist() == [value for _, value in pairs]


def test_parquet_has_types_and_units_and_is_read_by_pyarrow(farm: Stores) -> None:
    out = io.BytesIO()
    parquet_out.readings_parquet(farm.readings, channels_of(farm.ledger), ALL, out)
    frame = parquet.read_table(io.BytesIO(out.getvalue())).to_pandas()
    for (probe, channel, unit), pairs in farm.everything().items():
        own = frame[(frame.probe == probe) & (frame.channel == channel) & (frame.unit == unit)]
        assert own.value.tolist() == [value for _, value in pairs]
    out = io.BytesIO()
    parquet_out.table_parquet(csv_out.log(farm.ledger, ALL), csv_out.NUMBERS, out)
    rows = parquet.read_table(io.BytesIO(out.getvalue())).to_pylist()
    assert [row["amount (kg)"] for row in rows] == [None, 2.5]
    assert rows[1]["note"] == "=HYPERLINK(1)"


def test_the_intake_reads_the_senml_pack(farm: Stores) -> None:
    # RFC 8428: base fields hold until others come, also for the records that name nothing.
    text = "".join(senml_out.senml(farm.readings, channels_of(farm.ledger, ["birch-1"]), ALL))
    assert isinstance(json.loads(text), list)
    decoded = decode(text.encode(), NOW_MS)
    assert decoded.problems == ()
    found: dict[tuple[str, str], list[tuple[int, float]]] = {}
    for sample in decoded.samples:
        found.setdefault((sample.channel, sample.unit), []).append((sample.time_ms, sample.value))
    everything = farm.everything()
    assert found == {(c, u): pairs for (p, c, u), pairs in everything.items() if p == "birch-1"}


def test_a_spreadsheet_finds_no_formula_in_log_and_alarms(farm: Stores) -> None:
    for text in ("".join(csv_out.log(farm.ledger, ALL)), "".join(csv_out.alarms(farm.ledger, ALL))):
        cells = pd.read_csv(io.StringIO(text), dtype=str).fillna("").to_numpy().ravel().tolist()
        assert not [cell for cell in cells if cell[:1] in ("=", "+", "-", "@") and not cell[1:2].isdigit()]
    alarm_rows = pd.read_csv(io.StringIO("".join(csv_out.alarms(farm.ledger, ALL))))
    assert alarm_rows.cause.tolist() == ["raised", "acknowledged"]
    assert alarm_rows.value.tolist() == [31.5, 31.5]
    assert alarm_rows.unit.tolist() == ["Cel", "Cel"]


def test_the_archive_holds_everything_and_describes_it(farm: Stores) -> None:
    whole = zipfile.ZipFile(io.BytesIO(b"".join(archive(farm.ledger, farm.readings, ALL, NOW_MS))))
    assert whole.testzip() is None
    named = {name.rpartition("/")[2]: whole.read(name).decode() for name in whole.namelist()}
    package = json.loads(named["datapackage.json"])
    for resource in package["resources"]:  # Data Package: a field for each column, in the order of the file
        header = named[resource["path"]].splitlines()[0].split(",")
        assert [field["name"] for field in resource["schema"]["fields"]] == header
    assert {bin_["id"] for bin_ in json.loads(named["farm.json"])["bins"]} == {"alder", "birch"}
    assert all(path in named["README.txt"] for path in named if path != "README.txt")


@pytest.mark.parametrize("what", ["csv", "wide", "parquet", "senml", "all"])
def test_what_export_wrote_import_takes_to_the_same_readings_and_log(
    farm: Stores, tmp_path: Path, what: str, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / f"export.{what}"
    with opened(tmp_path / "new"):
        pass
    old, new = (load_settings(data_dir=folder) for folder in (farm.folder, tmp_path / "new"))
    kind = {"all": ("all", "csv"), "wide": ("readings", "csv")}.get(what, ("readings", what))
    export(old, *kind, what == "wide", None, None, (), file, NOW_MS)
    assert import_file(new, file, Told(), NOW_MS, only_try=False, sure=True)
    with opened(tmp_path / "new") as other:
        assert other.everything() == farm.everything()
        if what == "all":
            with other.ledger.reading() as there, farm.ledger.reading() as here:
                ours, theirs = ([_content(e) for e in log.entries(c, 0, NOW_MS)] for c in (here, there))
            assert ours == theirs
    for again in (new, old):
        capsys.readouterr()
        assert import_file(again, file, Told(), NOW_MS, only_try=False, sure=True)
        said = capsys.readouterr().err
        assert " 0 readings went in" in said
        assert what != "all" or " 0 entries went in" in said


def _content(entry: LogEntry) -> tuple[object, ...]:
    return entry.at_ms, entry.subject, entry.kind, entry.amount_kg, entry.amount_l, entry.what, entry.note


def test_an_export_of_a_year_holds_no_more_of_it_in_memory_than_a_few_days(tmp_path: Path) -> None:
    with opened(tmp_path) as stores:
        with stores.ledger.writing() as connection:
            catalogue.save_probe(connection, Probe("a", "a", START_MS))
            channel = catalogue.register_channel(connection, "a", "temp", "Cel", Quantity.TEMPERATURE)
        for day in range(200):
            at = START_MS + day * 86_400_000
            stores.readings.add([Reading(channel.id, at + m * 60_000, m / 10, at) for m in range(1440)])
        tracemalloc.start()
        size = sum(map(len, archive(stores.ledger, stores.readings, ALL, NOW_MS)))
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    assert size > 500_000
    assert peak < 6_000_000  # the CSV alone is of 12 MB


def test_dates_are_of_the_farms_clocks_and_strange_wishes_are_told(farm: Stores) -> None:
    data = str(farm.folder)
    done = underlid("export", "readings", "--data-dir", data, "--from", "2026-01-02", "--until", "2026-01-03")
    times = [line.split(",")[3] for line in done.stdout.splitlines()[1:]]
    assert times
    assert min(times) >= "2026-01-01T23:00"  # midnight in Vienna
    assert max(times) <= "2026-01-02T23:00"
    assert "no probe" in underlid("export", "readings", "--data-dir", data, "--probe", "oak-1").stderr
    assert (
        "SenML is for readings" in underlid("export", "log", "--data-dir", data, "--format", "senml").stderr
    )
    assert "csv, parquet, senml" in underlid("export", "log", "--data-dir", data, "--format", "xls").stderr
