"""The notes say what is so: payloads decode, the battery table is computed, pins and limits are the program's."""

import importlib.util
import json
import re
import xml.etree.ElementTree as ET
from pathlib import Path
from types import ModuleType

import pytest

from firmware.conftest import PROBE, Interpreter
from underlid.intake.decode import decode
from underlid.science.calibration import oven_point

NOTES = PROBE.parent
README = (NOTES / "README.md").read_text()
PAYLOAD = (NOTES / "payload.md").read_text()
EXAMPLES = sorted((NOTES / "examples").glob("*.json"))
DRAWINGS = sorted((NOTES / "drawings").glob("*.svg"))
NOW_MS = 1_764_003_600_000
DEVICE = "urn:dev:mac:020000fffe4ff10a:"


@pytest.fixture(scope="module")
def budget() -> ModuleType:
    spec = importlib.util.spec_from_file_location("budget", NOTES / "budget.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def found(name: str) -> list[tuple[str, str, float, int]]:
    decoded = decode((NOTES / "examples" / name).read_bytes(), NOW_MS)
    assert decoded.problems == ()
    return [(s.channel, s.unit, s.value, (s.time_ms - NOW_MS) // 1000) for s in decoded.samples]


def test_every_example_decodes_in_the_service_to_what_the_notes_say() -> None:
    assert found("backlog-relative.json") == [
        ("moist", "V", 1.65, -1800),
        ("temp", "Cel", 21.0625, -1800),
        ("moist", "V", 1.662, -900),
        ("temp", "Cel", 21.1875, -900),
        ("rssi", "dBm", -67, 0),
    ]
    assert found("backlog-dated.json") == [
        ("pocket-temp", "Cel", 31.5, -3600),
        ("temp", "Cel", 22.5, -3600),
        ("pocket-temp", "Cel", 32.25, -2700),
        ("temp", "Cel", 22.5625, -2700),
        ("lost", "count", 12, -2700),
    ]
    assert found("air-and-battery.json") == [
        ("air-temp", "Cel", 11.4, 0),
        ("air-rh", "%RH", 84.5, 0),
        ("batt", "V", 3.912, 0),
    ]
    assert found("plain-now.json") == [
        ("temp", "Cel", 21.4, 0),
        ("moist", "count", 2310, 0),
        ("batt", "V", 3.91, 0),
        ("rssi", "dBm", -67, 0),
    ]
    assert found("plain-dated.json") == [("pocket-temp", "Cel", 31.5, -3600), ("temp", "Cel", 22.5, -3600)]
    assert len(EXAMPLES) == 5


def test_the_probe_itself_packs_the_examples_of_a_backlog(micropython: Interpreter) -> None:
    for name in ("backlog-relative.json", "backlog-dated.json"):
        records = json.loads((NOTES / "examples" / name).read_text())
        readings: list[tuple[int, dict[str, float]]] = []
        for record in records:
            if "bt" in record:
                readings.append((record["bt"], {}))
            readings[-1][1][record["n"]] = record["v"]
        body, _ = micropython.call("senml.pack", DEVICE, readings)
        samples = [(s.channel, s.unit, s.value, s.time_ms) for s in decode(body, NOW_MS).samples]
        expected = decode(json.dumps(records).encode(), NOW_MS).samples
        assert sorted(samples) == sorted((s.channel, s.unit, s.value, s.time_ms) for s in expected)


@pytest.mark.parametrize("text", [README, PAYLOAD], ids=["README", "payload"])
def test_every_json_shown_in_the_notes_decodes(text: str) -> None:
    shown = re.findall(r"```json\n(.*?)```", text, re.DOTALL)
    assert shown
    for body in shown:
        decoded = decode(body.encode(), NOW_MS)
        assert decoded.problems == ()
        assert decoded.samples


def test_channels_and_units_of_the_table_are_those_of_the_program(micropython: Interpreter) -> None:
    units = micropython.run("import senml\n_ = senml.UNITS")
    for word, unit in units.items():
        row = next(
            line for line in PAYLOAD.splitlines() if re.match(rf"\| `(air-)?{word}`|.*`air-{word}`", line)
        )
        assert f"`{unit}`" in row


def test_the_budget_gives_the_example_worked_by_hand(budget: ModuleType) -> None:
    # 80 mA for 5 s of 900 s, 10 uA for the rest: (400 + 8.95) mAs / 900 s; 1760 mAh over it, in days.
    mean = budget.mean_ma([(80, 5)], 900, 0.010)
    assert mean == pytest.approx(0.4544, abs=5e-5)
    assert budget.life_days(2200, mean) == pytest.approx(161.4, abs=0.05)
    assert "0.454 mA" in README
    assert "161 days" in README


def test_the_budget_refuses_more_time_awake_than_there_is(budget: ModuleType) -> None:
    with pytest.raises(ValueError, match="do not fit into 4 s"):
        budget.mean_ma([(80, 5)], 4, 0.01)


def test_the_battery_table_of_the_readme_is_the_computed_one(budget: ModuleType) -> None:
    assert budget.table() in README


def test_the_oven_example_of_the_readme_is_the_published_one() -> None:
    # Cornell Composting, 'Moisture content': a 4 g container, 10 g of sample, 6.3 g after drying: 77 %.
    weights = re.search(r"([\d.]+) g dish, ([\d.]+) g before, ([\d.]+) g after", " ".join(README.split()))
    assert weights is not None
    tare_g, before_g, after_g = map(float, weights.groups())
    assert (tare_g, before_g, after_g) == (4, 14, 6.3)
    assert oven_point(before_g, after_g, tare_g).pct_wb == pytest.approx(77)
    assert "= 77 %" in README


def test_pins_in_the_wiring_drawing_are_those_of_the_settings(micropython: Interpreter) -> None:
    pins = micropython.run("import settings\n_ = settings.PINS")
    drawing = (NOTES / "drawings" / "wiring.svg").read_text()
    shown = {int(pin) for pin in re.findall(r">GPIO(\d+)<", drawing)}
    assert shown == {pin for name, pin in pins.items() if name != "button"}


@pytest.mark.parametrize("drawing", DRAWINGS, ids=lambda path: path.stem)
def test_a_drawing_is_described_shown_and_fit_for_dark_screens(drawing: Path) -> None:
    root = ET.parse(drawing).getroot()
    name = "{http://www.w3.org/2000/svg}"
    assert root.get("role") == "img"
    for part in ("title", "desc"):
        element = root.find(name + part)
        assert element is not None
        assert element.text
        assert element.get("id", "?") in root.get("aria-labelledby", "")
    assert "prefers-color-scheme: dark" in drawing.read_text()
    assert f"](drawings/{drawing.name})" in README


def test_every_link_within_the_notes_leads_somewhere() -> None:
    for text in (README, PAYLOAD):
        heads = {
            re.sub(r"[^a-z0-9 -]", "", line.lstrip("# ").lower()).replace(" ", "-")
            for line in text.splitlines()
            if line.startswith("#")
        }
        for target in re.findall(r"\]\(([^)]+)\)", text):
            if target.startswith("#"):
                assert target[1:] in heads
            elif not target.startswith("http"):
                assert (NOTES / target).exists(), target
