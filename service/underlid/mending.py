"""Before SQLite's files are opened: is each sound, and copied where this version is about to change it?"""

from datetime import UTC, datetime
from pathlib import Path

import structlog

from underlid.exchange.backup import FOLDER
from underlid.settings import Settings
from underlid.store import salvage
from underlid.store.readings import StoreError, sqlite_file
from underlid.store.upgrade import copy_before_upgrade

log = structlog.get_logger("underlid")


def look_after(settings: Settings, now_ms: int) -> list[str]:
    """Save what can be read of damaged files, and copy an older catalogue; gives what was found damaged.

    The catalogue is looked through at each start, the readings, which may be many, after a stop that was no stop.
    Nobody else may be at work on them. Raises StoreError with one line.
    """
    told = []
    readings, catalogue = (_file(url) for url in (settings.readings_url, settings.catalogue_url))
    if readings is not None and salvage.was_cut_off(readings):
        size_mb = readings.stat().st_size / 1e6
        log.info(
            "the readings were not closed; looking through them", file=str(readings), size_mb=round(size_mb)
        )
        told += _saved(readings, now_ms)
    if catalogue is not None:
        told += _saved(catalogue, now_ms)
        if copy := copy_before_upgrade(catalogue, settings.backup_dir or settings.data_dir / FOLDER):
            log.info("this version changes the catalogue; it was copied as it was", to=str(copy))
    return told


def _file(url: str) -> Path | None:
    """The file of a SQLite store that there is."""
    if not url.startswith("sqlite:///"):
        return None
    return sqlite_file(url) if sqlite_file(url).exists() else None


def _saved(file: Path, now_ms: int) -> list[str]:
    wrong = salvage.trouble(file)
    if wrong is None:
        return []
    mark = f"{datetime.fromtimestamp(now_ms / 1000, UTC):%Y%m%dT%H%M%SZ}"
    saved = salvage.save(file, mark)
    if saved is None:
        raise StoreError(
            f"{file} is damaged ({wrong}), and nothing of it can be read; restore a backup (underlid restore), or move "
            "it away to begin anew"
        )
    words = f"{file.name} was damaged ({wrong}): {saved.words}"
    log.error("a store was damaged", what=words)
    return [words]
