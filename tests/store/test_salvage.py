"""Damaged SQLite files: found, what can be read saved, and the file as it was kept."""

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from underlid.model import Farm, Place, Probe, Quantity, Reading
from underlid.store import catalogue, salvage
from underlid.store.ledger import MIGRATIONS, Ledger
from underlid.store.sqlite_readings import SqliteReadings
from underlid.store.upgrade import copy_before_upgrade

NOW_MS = 1_800_000_000_000
CHANNELS, TIMES = 8, 3000
PAGE = 4096


def readings(folder: Path) -> Path:
    file = folder / "readings.db"
    store = SqliteReadings(file)
    for channel in range(1, CHANNELS + 1):
        store.add([Reading(channel, NOW_MS + n * 60_000, n / 7, NOW_MS) for n in range(TIMES)])
    store.close()
    return file


def overwrite(file: Path, *pages: int) -> None:
    """What a failing card does: whole pages of something else."""
    with file.open("r+b") as opened:
        for page in pages:
            opened.seek(page * PAGE)
            opened.write(b"\xa5" * PAGE)


def rows(file: Path) -> set[tuple[int, int, float]]:
    with closing(sqlite3.connect(file)) as connection:
        return set(connection.execute("SELECT channel, time_ms, value FROM reading"))


def test_a_sound_file_is_left_alone(tmp_path: Path) -> None:
    file = readings(tmp_path)
    assert salvage.trouble(file) is None
    assert not salvage.was_cut_off(file)


@pytest.mark.parametrize("damaged", [(40,), (40, 41, 42), (30, 90, 150), (20, 120)])
def test_all_but_the_damaged_pages_is_saved(tmp_path: Path, damaged: tuple[int, ...]) -> None:
    file = readings(tmp_path)
    before = rows(file)
    pages = file.stat().st_size // PAGE
    assert pages > max(damaged)
    overwrite(file, *damaged)
    content = file.read_bytes()
    assert salvage.trouble(file) is not None
    saved = salvage.save(file, "now")
    assert saved is not None
    assert saved.damaged == ("reading",)
    assert saved.aside.read_bytes() == content
    after = rows(file)
    assert after < before
    a_page = len(before) / pages
    assert len(before) - len(after) <= 2 * a_page * len(
        damaged
    )  # no more than lay on those pages, half-full ones too
    assert salvage.trouble(file) is None
    store = SqliteReadings(file)
    assert store.add([Reading(1, NOW_MS - 1, 1.0, NOW_MS)]) == 1
    store.close()


def test_of_a_catalogue_what_refers_to_lost_rows_goes_too(tmp_path: Path) -> None:
    file = tmp_path / "catalogue.db"
    ledger = Ledger(f"sqlite:///{file}")
    with ledger.writing() as connection:
        catalogue.save_farm(connection, Farm("Walled garden", "Europe/Vienna"))
        catalogue.save_place(connection, Place("shed", "Potting shed", outdoors=False))
        for number in range(400):
            catalogue.save_probe(connection, Probe(f"probe-{number}", "n" * 100, NOW_MS))
            catalogue.register_channel(connection, f"probe-{number}", "temp", "Cel", Quantity.TEMPERATURE)
    ledger.close()
    with closing(sqlite3.connect(file)) as connection:
        root = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'probe'").fetchone()[0]
    with file.open(
        "rb"
    ) as opened:  # the table's root names its leaves, four bytes in each cell (SQLite file format, 1.6)
        opened.seek((root - 1) * PAGE)
        page = opened.read(PAGE)
    assert page[0] == 5  # an interior page of a table
    cell = int.from_bytes(page[12:14], "big")
    overwrite(file, int.from_bytes(page[cell : cell + 4], "big") - 1)
    assert salvage.trouble(file) is not None
    saved = salvage.save(file, "now")
    assert saved is not None
    assert saved.damaged == ("probe",)
    ledger = Ledger(f"sqlite:///{file}")
    with ledger.reading() as connection:
        farm = catalogue.farm(connection)
        assert farm is not None
        assert farm.name == "Walled garden"
        probes = {probe.id for probe in catalogue.probes(connection)}
        assert 300 < len(probes) < 400
        assert {channel.probe_id for channel in catalogue.channels(connection)} == probes
    ledger.close()


def test_of_what_is_no_database_nothing_is_saved_and_nothing_changed(tmp_path: Path) -> None:
    file = tmp_path / "catalogue.db"
    file.write_bytes(b"no database at all, but longer than its header would be" * 200)
    before = file.read_bytes()
    assert salvage.trouble(file) == "file is not a database"
    assert salvage.save(file, "now") is None
    assert [each.name for each in tmp_path.iterdir()] == ["catalogue.db"]
    assert file.read_bytes() == before


def test_a_file_that_was_not_closed_is_recognised_and_its_log_saved_too(tmp_path: Path) -> None:
    file = readings(tmp_path)
    store = SqliteReadings(file)
    store.add([Reading(99, NOW_MS, 1.0, NOW_MS)])
    cut_off = tmp_path / "cut-off"
    cut_off.mkdir()
    for each in tmp_path.glob("readings.db*"):
        shutil.copy(each, cut_off / each.name)
    store.close()
    copy = cut_off / "readings.db"
    assert salvage.was_cut_off(copy)
    assert salvage.save(copy, "now") is not None
    assert (99, NOW_MS, 1.0) in rows(copy)


def test_an_older_catalogue_is_copied_before_it_is_changed(tmp_path: Path) -> None:
    file, folder = tmp_path / "catalogue.db", tmp_path / "backups"
    assert copy_before_upgrade(file, folder) is None
    older(file, "0007")
    copy = copy_before_upgrade(file, folder)
    assert copy is not None
    assert version(copy) == "0007"
    Ledger(f"sqlite:///{file}").close()
    assert version(file) == max(each.name[:4] for each in (MIGRATIONS / "versions").glob("[0-9]*.py"))
    assert copy_before_upgrade(file, folder) is None
    assert version(copy) == "0007"


def older(file: Path, to: str) -> None:
    """A catalogue as an earlier version left it."""
    from alembic import command
    from alembic.config import Config
    from sqlalchemy import create_engine

    engine = create_engine(f"sqlite:///{file}")
    with engine.begin() as connection:
        config = Config()
        config.set_main_option("script_location", str(MIGRATIONS))
        config.attributes["connection"] = connection
        command.upgrade(config, to)
    engine.dispose()


def version(file: Path) -> str:
    with closing(sqlite3.connect(file)) as connection:
        return str(connection.execute("SELECT version_num FROM alembic_version").fetchone()[0])
