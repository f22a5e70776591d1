"""Tables in and out, whatever keeps the readings: SQLite, PostgreSQL, InfluxDB."""

import io
from contextlib import closing
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from tests.exchange.farm import NOW_MS, opened
from tests.store.conftest import influx_server, influx_url, postgres_server, postgres_url

from underlid.commands.exporting import export
from underlid.commands.importing import Told, import_file
from underlid.settings import load_settings
from underlid.store.influx_readings import InfluxReadings
from underlid.store.postgres_readings import PostgresReadings
from underlid.store.sqlite_readings import SqliteReadings

__all__ = ["influx_server", "influx_url", "postgres_server", "postgres_url"]  # fixtures


def table() -> pd.DataFrame:
    """Two channels that speak when they like, one of them with a hole of a week, and a row that comes twice."""
    random = np.random.default_rng(11)
    parts = []
    for channel, unit in (("top-temp", "Cel"), ("moist", "%")):
        at = pd.Timestamp("2026-02-01", tz="UTC") + pd.to_timedelta(
            np.cumsum(random.integers(1, 4000, 1500)), "s"
        )
        if channel == "moist":
            at = at[(at < "2026-02-08") | (at > "2026-02-15")]
        values = random.normal(20.0 if unit == "Cel" else 70.0, 3.0, len(at)).round(3)
        parts.append(
            pd.DataFrame({"probe": "alder-1", "channel": channel, "time": at, "value": values, "unit": unit})
        )
    rows = pd.concat(parts)
    rows["time"] = rows["time"].dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    return pd.concat([rows, rows.iloc[[100]]])


@pytest.mark.parametrize("kind", ["sqlite", "postgres", "influx"])
def test_a_table_goes_in_comes_out_the_same_and_goes_in_once(
    kind: str, request: pytest.FixtureRequest, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with opened(tmp_path / "data"):
        pass
    url = "" if kind == "sqlite" else request.getfixturevalue(f"{kind}_url")
    settings = load_settings(data_dir=tmp_path / "data", **({"readings": url} if url else {}))
    rows = table()
    file = tmp_path / "in.csv"
    rows.to_csv(file, index=False)
    for expected in (f" {len(rows) - 1} readings went in", " 0 readings went in"):
        capsys.readouterr()
        assert import_file(settings, file, Told(), NOW_MS, only_try=False, sure=True)
        said = capsys.readouterr().err
        assert expected in said
        dry = expected.replace("went in", "would go in")
        assert dry in said  # the dry run foretold it
    out = tmp_path / "out.csv"
    export(settings, "readings", "csv", False, None, None, (), out, NOW_MS)
    found = pd.read_csv(io.StringIO(out.read_text("utf-8")))
    found["time"] = pd.to_datetime(found["time (UTC)"]).dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    columns = ["probe", "channel", "time", "value", "unit"]
    expected_rows = rows.drop_duplicates().sort_values(["channel", "time"])[columns].reset_index(drop=True)
    pd.testing.assert_frame_equal(
        found.sort_values(["channel", "time"])[columns].reset_index(drop=True), expected_rows
    )
    if url:
        with closing((PostgresReadings if kind == "postgres" else InfluxReadings)(url)) as store:
            assert sum(len(store.window(id_, 0, 2**53)) for id_ in (1, 2)) == len(rows) - 1
        with closing(SqliteReadings(tmp_path / "data" / "readings.db")) as beside:
            assert len(beside.window(1, 0, 2**53)) == 0  # nothing went into the file beside it
