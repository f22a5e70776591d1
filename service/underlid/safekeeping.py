"""`underlid backup` and `underlid restore`: what is backed up by the settings, and putting it back."""

import re
from collections.abc import Iterator
from pathlib import Path

from underlid.calibrate import recompute
from underlid.clock import Clock
from underlid.exchange.backup import FOLDER, Where
from underlid.exchange.restore import restore, verified
from underlid.exchange.rotation import HOUR_MS, Rotation
from underlid.ground import StartError, data_dir, stores
from underlid.settings import Settings
from underlid.store import calibrations
from underlid.store.readings import sqlite_file

_SPAN = re.compile(r"(\d+(?:\.\d+)?) ?(min|h|d)")
_HOURS = {"min": 1 / 60, "h": 1.0, "d": 24.0}


def hours(words: str) -> float:
    """'24h', '30min' or '7d' in hours. Raises ValueError."""
    found = _SPAN.fullmatch(words.strip())
    if found is None or not float(found[1]):
        raise ValueError(f"--every {words}: write how often as 24h, 30min or 7d")
    return float(found[1]) * _HOURS[found[2]]


def where(settings: Settings) -> Where:
    """What is backed up. Raises StartError where a server keeps it."""
    for name, url in (("readings", settings.readings_url), ("catalogue", settings.catalogue_url)):
        if not url.startswith("sqlite:///"):
            raise StartError(
                f"the {name} are kept by a server ({url.partition(':')[0]}); back it up by its own means: this is for "
                "SQLite"
            )
    return Where(settings.data_dir, sqlite_file(settings.catalogue_url), sqlite_file(settings.readings_url))


def folder(settings: Settings, to: Path | None = None) -> Path:
    """Where backups go."""
    return to or settings.backup_dir or settings.data_dir / FOLDER


def rotation(settings: Settings, clock: Clock, every_h: float, keep: int, to: Path | None = None) -> Rotation:
    """Backups made every so many hours. Raises StartError where a server keeps the data."""
    return Rotation(where(settings), folder(settings, to), every_h, keep, clock)


def restore_to(settings: Settings, path: Path, *, replace: bool) -> Iterator[str]:
    """Verify a backup and put it into the data directory, telling each step in a line.

    Raises BadBackupError, StoreError, StartError and OSError.
    """
    place = where(settings)
    backup = verified(path)
    yield f"{backup.folder} of {backup.made} is whole: {len(backup.files)} files"
    with data_dir(settings.data_dir, restores=True):
        if aside := restore(backup, place, replace=replace):
            yield f"what was there is in {aside}"
        with stores(settings) as (ledger, readings):
            with ledger.reading() as connection:
                records = calibrations.records(connection)
            # A calibration just made may have been copied before the moisture it gives was computed.
            latest = {record.channel_id: record for record in records}
            for record in latest.values():
                if backup.made_ms - HOUR_MS <= record.made_ms and record.from_ms < backup.made_ms:
                    recompute(record, readings, backup.made_ms)
    yield f"restored into {settings.data_dir}; start it with: underlid serve --data-dir {settings.data_dir}"
