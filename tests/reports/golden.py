"""Writes the golden reports anew, to be looked at: `python -m tests.reports.golden`."""

import json
import tempfile
from pathlib import Path

from tests.reports.weeks import HOUR_MS, WEEKS

from underlid.reports.desk import weekly
from underlid.reports.text import as_text

GOLDEN = Path(__file__).parent / "golden"


def made(name: str, folder: Path) -> tuple[str, str]:
    """Text and JSON of an invented week."""
    garden = WEEKS[name](folder)
    try:
        report = weekly(garden.ledger, garden.readings, garden.week.name, garden.week.to_ms + HOUR_MS)
    finally:
        garden.close()
    body = json.dumps(report.model_dump(mode="json"), indent=1, ensure_ascii=False)
    return as_text(report), body + "\n"


if __name__ == "__main__":
    GOLDEN.mkdir(exist_ok=True)
    for week in WEEKS:
        with tempfile.TemporaryDirectory() as folder:
            text, body = made(week, Path(folder))
        (GOLDEN / f"{week}.txt").write_text(text, "utf-8")
        (GOLDEN / f"{week}.json").write_text(body, "utf-8")
