"""How fast tables go in and out: a year of one channel per minute, beside the bare csv-module reading the same file.

python tests/bench/exchange.py [ROWS]
"""

import csv
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np

from underlid.exchange import csv_out
from underlid.exchange.backup import Where, make_backup
from underlid.exchange.guess import guess
from underlid.exchange.restore import restore, verified
from underlid.exchange.sheet import chunks
from underlid.exchange.sources import sources
from underlid.exchange.stream import Span, channels_of
from underlid.exchange.take import Taking
from underlid.model import Reading
from underlid.store.ledger import Ledger
from underlid.store.sqlite_readings import SqliteReadings

ROWS = int(sys.argv[1]) if len(sys.argv) > 1 else 525_600
START_MS = 1_735_689_600_000  # 2025-01-01
NOW_MS = START_MS + 2 * 366 * 86_400_000
PROBE = "alder-1"


def tables(folder: Path) -> dict[str, Path]:
    """The same readings as a long table, as a wide one, and as a German spreadsheet would write them."""
    at = (START_MS + np.arange(ROWS) * 60_000).astype("M8[ms]")
    times = np.datetime_as_string(at, unit="s", timezone="UTC").tolist()
    values = np.round(20 + 5 * np.sin(np.arange(ROWS) / 229), 2).tolist()
    files = {name: folder / f"{name}.csv" for name in ("long", "wide", "german")}
    rows = list(zip(times, values, strict=True))
    files["long"].write_text(
        "probe,channel,unit,time,value\n" + "".join(f"{PROBE},temp,Cel,{t},{v}\n" for t, v in rows)
    )
    files["wide"].write_text("time,temp (Cel)\n" + "".join(f"{t},{v}\n" for t, v in rows))
    days = [f"{t[8:10]}.{t[5:7]}.{t[:4]} {t[11:16]};{str(v).replace('.', ',')}\n" for t, v in rows]
    files["german"].write_text("Zeit;Temperatur (°C)\n" + "".join(days))
    return files


def timed(work: Callable[[], object]) -> tuple[float, float]:
    """Seconds by the clock on the wall, and by that of this process's share of the processor."""
    wall, processor = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - wall, time.process_time() - processor


def bare(file: Path) -> None:
    with file.open(newline="", encoding="utf-8") as text:
        for _ in csv.reader(text, delimiter=";" if file.stem == "german" else ","):
            pass


def importing(
    file: Path, ledger: Ledger, readings: SqliteReadings, *, trial: bool, fresh: bool = True
) -> None:
    [source] = sources(file)
    map_ = guess(source.sheet, "UTC", PROBE).map
    taking = Taking(ledger, readings, map_, NOW_MS, lambda _: [], trial=trial)
    for first, lines in chunks(source.open(), source.first_line):
        assert not taking.take(first, lines)
    assert (taking.tally.new, taking.tally.known) == ((ROWS, 0) if fresh else (0, ROWS))


def storing(readings: SqliteReadings) -> None:
    """The store alone: readings that stand ready, in batches as an import has them."""
    for start in range(0, ROWS, 20_000):
        batch = range(start, min(start + 20_000, ROWS))
        readings.add([Reading(1, START_MS + n * 60_000, 20.0, NOW_MS) for n in batch])


def show(name: str, spent: tuple[float, float], base: tuple[float, float] | None = None) -> None:
    share = f", {base[1] / spent[1]:6.3f} of bare csv" if base else ""
    print(
        f"{name:<34} {ROWS / spent[0]:>11,.0f} rows/s {ROWS / spent[1]:>11,.0f} per processor second{share}"
    )


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for kind, file in tables(folder).items():
            ledger, readings = (
                Ledger(f"sqlite:///{folder}/{kind}-c.db"),
                SqliteReadings(folder / f"{kind}-r.db"),
            )
            base = min(timed(partial(bare, file)) for _ in range(3))
            show(f"{kind}: bare csv-module", base)
            take = partial(importing, file, ledger, readings)
            show(f"{kind}: dry run", timed(partial(take, trial=True)), base)
            show(f"{kind}: import", timed(partial(take, trial=False)), base)
            show(f"{kind}: the same once more", timed(partial(take, trial=False, fresh=False)), base)
            if kind == "long":
                others(folder, ledger, readings, base)
            readings.close()
            ledger.close()


def others(folder: Path, ledger: Ledger, readings: SqliteReadings, base: tuple[float, float]) -> None:
    """The store alone, and out: as a table, and as a backup and back."""
    empty = SqliteReadings(folder / "empty.db")
    show("the store alone", timed(partial(storing, empty)))
    empty.close()
    with (folder / "out.csv").open("w", newline="") as out:
        pieces = csv_out.readings_long(readings, channels_of(ledger), Span(0, 2**53))
        show("export as CSV", timed(partial(out.writelines, pieces)), base)
    here = Where(folder / "data", folder / "long-c.db", folder / "long-r.db")
    here.data_dir.mkdir()
    show("backup", timed(partial(make_backup, here, folder / "backups", NOW_MS)), base)
    new = Where(folder / "new", folder / "new/c.db", folder / "new/r.db")
    show("verify and restore", timed(lambda: restore(verified(folder / "backups"), new)), base)


if __name__ == "__main__":
    main()
