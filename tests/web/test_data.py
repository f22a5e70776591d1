"""Tables in and out over the API."""

import io
import json
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pandas as pd
import pyarrow.parquet as parquet
import pytest
from tests.web.inside import NOW_MS, Inside, running

TABLE = "Zeit;Temperatur oben (°C);Feuchte (%)\r\n"
ROWS = "05.01.2026 10:00;18,5;70\r\n05.01.2026 10:15;warm;71\r\n05.01.2026 10:30;18,7;72\r\n"
LOG = "date,bin,what,amount\n"
LOG_ROWS = "2026-01-05,Alder,fed peelings,2 kg\n2026-01-06,Rowan,fed,1\n"


@pytest.fixture
def inside(tmp_path: Path) -> Iterator[Inside]:
    with running(tmp_path) as there:
        yield there


def test_a_table_is_looked_at_tried_and_taken_and_a_second_time_changes_nothing(inside: Inside) -> None:
    looked = inside.ask("POST", "/api/v1/imports/look", json={"text": TABLE + ROWS}).json()
    assert looked["what"] == "readings"
    assert looked["questions"] == ["probe"]
    assert looked["header_line"] == 1
    map_ = looked["readings"]
    for column in map_["columns"]:
        column["probe"] = "alder-7"
    body = {"map": map_, "lines": ROWS, "first_line": 2, "dry_run": True}
    tried = inside.ask("POST", "/api/v1/imports/readings", json=body).json()
    assert (tried["rows"], tried["new"], tried["known"]) == (3, 5, 0)
    assert tried["refused"] == [
        {
            "line": 3,
            "reason": "temp-oben: 'warm' is not a number",
            "cells": ["05.01.2026 10:15", "warm", "71"],
        }
    ]
    assert tried["readings"][0]["at"] == "2026-01-05T09:00:00.000Z"
    probes = inside.ask("GET", "/api/v1/probes").json()["items"]
    assert "alder-7" not in [probe["id"] for probe in probes]
    taken = inside.ask("POST", "/api/v1/imports/readings", json=body | {"dry_run": False}).json()
    assert taken["new"] == 5
    again = inside.ask("POST", "/api/v1/imports/readings", json=body | {"dry_run": False}).json()
    assert (again["new"], again["known"]) == (0, 5)
    assert "everything" in inside.told
    frame = pd.read_csv(io.StringIO(inside.ask("GET", "/api/v1/export/readings?probe=alder-7").text))
    assert sorted(frame.value) == [18.5, 18.7, 70, 71, 72]


def test_a_dry_run_in_pieces_knows_a_row_that_was_in_an_earlier_piece(inside: Inside) -> None:
    map_ = inside.ask("POST", "/api/v1/imports/look", json={"text": TABLE + ROWS}).json()["readings"]
    for column in map_["columns"]:
        column["probe"] = "alder-7"

    def tried(first_line: int, trial: str) -> tuple[int, int]:
        body = {"map": map_, "lines": ROWS, "first_line": first_line, "dry_run": True, "trial": trial}
        answer = inside.ask("POST", "/api/v1/imports/readings", json=body).json()
        return answer["new"], answer["known"]

    assert tried(2, "one") == (5, 0)
    assert tried(5, "one") == (0, 5)
    assert tried(5, "one") == (0, 5)
    assert tried(2, "one") == (5, 0)  # a piece that is sent again is not its own double
    assert tried(5, "another") == (5, 0)


def test_a_log_is_taken_and_its_bins_are_judged_anew(inside: Inside) -> None:
    looked = inside.ask("POST", "/api/v1/imports/look", json={"text": LOG + LOG_ROWS}).json()
    assert (looked["what"], looked["questions"]) == ("log", [])
    body = {"map": looked["log"], "lines": LOG_ROWS, "first_line": 2, "dry_run": False}
    taken = inside.ask("POST", "/api/v1/imports/log", json=body).json()
    assert taken["new"] == 1
    assert [each["line"] for each in taken["refused"]] == [3]
    assert "bin/alder" in inside.told
    frame = pd.read_csv(io.StringIO(inside.ask("GET", "/api/v1/export/log").text))
    assert frame["amount (kg)"].tolist() == [2]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"time": 9}, "no column 10"),
        ({"zone": "../../etc/passwd"}, "not an IANA time zone"),
        ({"separator": "x"}, "separator"),
        ({"columns": []}, "no column of values"),
    ],
)
def test_a_map_that_can_not_be_is_refused_in_words(
    inside: Inside, change: dict[str, object], words: str
) -> None:
    map_ = inside.ask("POST", "/api/v1/imports/look", json={"text": TABLE + ROWS}).json()["readings"]
    body = {"map": map_ | change, "lines": ROWS, "first_line": 2, "dry_run": True}
    refused = inside.ask("POST", "/api/v1/imports/readings", json=body)
    assert refused.status_code == 422
    assert words in refused.json()["detail"]


def test_what_is_no_table_is_told(inside: Inside) -> None:
    for text in ("", "no table at all\n", "a,b\nc,d\n"):
        answer = inside.ask("POST", "/api/v1/imports/look", json={"text": text})
        assert answer.status_code == 422
        assert "can't be read as a table" in answer.json()["detail"]


def test_exports_are_files_of_their_kind(inside: Inside) -> None:
    day = pd.Timestamp(NOW_MS, unit="ms").strftime("%Y-%m-%d")
    answer = inside.ask("GET", "/api/v1/export/readings?wide=true")
    assert answer.headers["content-type"].startswith("text/csv")
    assert f'filename="underlid-readings-{day}.csv"' in answer.headers["content-disposition"]
    assert "alder-1/temp (Cel)" in pd.read_csv(io.StringIO(answer.text)).columns
    answer = inside.ask("GET", "/api/v1/export/readings?format=senml")
    assert answer.headers["content-type"].startswith("application/senml+json")  # RFC 8428, section 12.3.1
    assert len(json.loads(answer.text)) == 360
    answer = inside.ask("GET", "/api/v1/export/readings?format=parquet&from=2020-01-01T00:00:00Z")
    assert parquet.read_table(io.BytesIO(answer.content)).num_rows == 360
    answer = inside.ask("GET", "/api/v1/export/alarms?format=parquet")
    assert parquet.read_table(io.BytesIO(answer.content)).num_rows == 0
    answer = inside.ask("GET", "/api/v1/export/all")
    assert zipfile.ZipFile(io.BytesIO(answer.content)).testzip() is None
    assert inside.ask("GET", "/api/v1/export/readings?probe=oak").status_code == 404
    assert (
        inside.ask("GET", "/api/v1/export/log?from=2026-01-02T00:00Z&to=2026-01-01T00:00Z").status_code == 422
    )
