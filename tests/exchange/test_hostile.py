"""Tables that nobody meant well: whatever stands in them, every row is taken or refused with a reason."""

import contextlib
import random
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.exchange.farm import NOW_MS, ZONE, map_of, opened

from underlid.exchange.guess import guess
from underlid.exchange.log_columns import LogMap, guess_log
from underlid.exchange.log_take import take_log
from underlid.exchange.rows import read_lines
from underlid.exchange.sheet import chunks, look_at, row_of
from underlid.exchange.take import Taking

ROWS = 100_000
CELLS = [
    "", " ", '"', '""', "'", "=1+1", "\0", "\x1a", "\u2028", "\x85", "\ufeff", "\udcff", "é", "٣", "１", "😀", "nan",
    "inf", "-inf", "1e999", "-1e-999", "1e308", "1_0", "0x1", "1,5", "1.5", "1;5", "-", "--", "true", "null",
    "2026-01-05", "2026-01-05 10:00", "2026-02-30 10:00", "0000-00-00", "9999-99-99 99:99", "10000-01-01",
    "2026-03-29 02:30",
    "2026-10-26T02:30:00+99:99", "32.13.2026", "1772692200", "99999999999999999999", "a" * 200_000, "../../etc/passwd",
    "%s%n", "<script>", "alder-1", "top-temp", "Cel", "°F", "degF", "K", "dBm", "%", "furlongs", "1" * 400, "-0", "+5",
]  # fmt: skip
SHORT = [cell for cell in CELLS if len(cell) < 1000]
GOOD = ["alder-1", "top-temp", "2026-01-05T10:00:00Z", "18.5", "Cel"]


def fuzzed(rng: random.Random) -> str:
    """A good row with something done to it."""
    cells = list(GOOD)
    for _ in range(rng.choice((0, 1, 1, 1, 2, 5))):
        cells[rng.randrange(5)] = rng.choice(SHORT if rng.random() < 0.99 else CELLS)
    match rng.randrange(12):
        case 0:
            cells.pop(rng.randrange(5))
        case 1:
            cells.insert(rng.randrange(6), rng.choice(CELLS[:20]))
        case 2:
            return "".join(chr(rng.randrange(1, 0x3000)) for _ in range(rng.randrange(40))).replace("\n", "")
        case 3:
            line = ",".join(cells)
            return line[: rng.randrange(len(line) + 1)]
        case 4:
            return ",".join(f'"{cell}"' for cell in cells)
    return ",".join(cells)


@pytest.mark.parametrize("seed", [1, 2])
def test_of_fuzzed_rows_each_is_taken_or_refused_with_a_reason(tmp_path: Path, seed: int) -> None:
    rng = random.Random(seed)
    lines = [f"{fuzzed(rng)}\n" for _ in range(ROWS // 2)]
    with opened(tmp_path) as stores:
        map_ = map_of("probe,channel,time,value,unit\n" + ",".join(GOOD) + "\n")
        taking = Taking(stores.ledger, stores.readings, map_, NOW_MS, lambda _: [])
        refused = {}
        for first, chunk in chunks(iter(lines), 2, 5000):
            refused |= {each.line: each for each in taking.take(first, chunk)}
        everything = stores.everything()
    tally = taking.tally
    blank = sum(not any(cell.strip() for cell in row_of(line, ",")) for line in lines)
    assert tally.rows == len(lines) - blank
    assert tally.new + tally.known + tally.refused == tally.rows  # a row is one reading
    assert len(refused) == tally.refused > ROWS / 5
    assert all(each.reason.strip() and each.reason.isprintable() for each in refused.values())
    assert tally.new > 3
    values = np.array([value for pairs in everything.values() for _, value in pairs])
    assert np.isfinite(values).all()
    for line in range(2, 2000):
        if lines[line - 2].removesuffix("\n") == ",".join(GOOD):
            assert line not in refused


@settings(deadline=None, max_examples=300)
@given(st.text(max_size=300))
def test_no_text_trips_up_the_guess_nor_the_reading_by_it(text: str) -> None:
    with contextlib.suppress(ValueError):  # what it says is looked at elsewhere
        sheet = look_at(text)
        with contextlib.suppress(ValueError):
            guess_log(sheet, ZONE)
        found = guess(sheet, ZONE, "a")
        read = read_lines(text.splitlines(keepends=True), found.map, NOW_MS)
        assert all(read.refused.values())


def test_a_log_of_fuzzed_rows_is_taken_or_refused_with_a_reason_too(tmp_path: Path) -> None:
    rng = random.Random(3)
    good = ["2026-01-05", "alder", "fed peelings", "2.5 kg", "fine"]
    words = [*CELLS, "watered", "fed", "birch", "north tub", "3 lb", "-3 kg", "1e9 kg", "9" * 30 + " l"]
    lines = []
    for _ in range(5000):
        cells = [rng.choice(words) if rng.random() < 0.2 else cell for cell in good]
        lines.append(",".join(cells[: rng.choice((5, 5, 5, 4))]).replace("a" * 200_000, "a" * 3000) + "\n")
    map_, _ = guess_log(look_at("date,bin,what,amount,note\n" + ",".join(good) + "\n"), ZONE)
    assert isinstance(map_, LogMap)
    with opened(tmp_path) as stores:
        tally, refused = take_log(stores.ledger, lines, 2, map_, NOW_MS)
    assert tally.new + tally.known + tally.refused == tally.rows
    assert tally.new > 50
    assert all(each.reason.strip() for each in refused)
