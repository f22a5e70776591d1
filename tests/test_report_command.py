"""`underlid report`: what it prints, writes and refuses."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from tests.reports.golden import GOLDEN
from tests.reports.weeks import dry_week


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("farm")
    dry_week(made).close()
    return made


def report(folder: Path, *options: str) -> subprocess.CompletedProcess[bytes]:
    clean = {name: value for name, value in os.environ.items() if not name.startswith("UNDERLID_")}
    command = [sys.executable, "-m", "underlid", "report", *options, "--data-dir", str(folder)]
    return subprocess.run(command, capture_output=True, env=clean, cwd=folder, timeout=60)


def test_a_week_is_printed_as_text_and_json(folder: Path) -> None:
    done = report(folder, "2026-W43")
    assert (done.returncode, done.stderr) == (0, b"")
    assert done.stdout.decode() == (GOLDEN / "dry.txt").read_text("utf-8")
    body = json.loads(report(folder, "2026-W43", "--format", "json").stdout)
    assert body == json.loads((GOLDEN / "dry.json").read_text("utf-8"))


def test_a_page_on_one_bin_is_written_to_a_file(folder: Path) -> None:
    to = folder / "alder.html"
    done = report(folder, "2026-W43", "--bin", "alder", "--format", "html", "--to", str(to))
    assert (done.returncode, done.stdout) == (0, b"")
    assert "<h1>Alder: the week</h1>" in to.read_text("utf-8")


def test_today_is_three_lines(folder: Path) -> None:
    lines = report(folder, "today").stdout.decode().splitlines()
    assert lines[0].startswith("Walled garden: ")
    assert [line.partition(":")[0] for line in lines[1:4]] == ["Today", "Coming", "Fine"]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["2026-43"], "'2026-43' is not a week; write it as 2026-W47"),
        (["2199-W01"], "the week 2199-W01 has not begun yet"),
        (["2026-W43", "--bin", "oak"], "the report has no bin 'oak'; there are alder"),
        (
            ["2026-W43", "--format", "docx"],
            "'docx' is no form of a report; there are text, html, csv, json, pdf",
        ),
        (["today", "--keep"], "today's summary is for the whole farm"),
    ],
)
def test_a_mistake_is_one_line(folder: Path, options: list[str], words: str) -> None:
    done = report(folder, *options)
    assert done.returncode == 1
    assert words in done.stderr.decode()
    assert len(done.stderr.decode().splitlines()) == 1
