"""Backups of everything, made while the service runs: a folder with both databases, the files, and a manifest.

A folder is written under a name that ends in `.partial`; the manifest, with the size and checksum of every file,
comes last, and only then does the folder get its name. So what has its name is whole.
"""

import contextlib
import hashlib
import json
import os
import re
import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

import underlid
from underlid.store.copies import Step, copy_both
from underlid.store.readings import StoreError

FORMAT = 1
MANIFEST, CATALOGUE, READINGS, FILES = "manifest.json", "catalogue.db", "readings.db", "files"
ASIDE = "before-restore-"  # what a restore moved out of the way
FOLDER = "backups"  # in the data directory, where none is told
PARTIAL = ".partial"
LOCK = "underlid.lock"
RESTORING = "restoring"
_NAME = re.compile(r"underlid-(\d{8}T\d{6}Z)")
_STAMP = "%Y%m%dT%H%M%SZ"


@dataclass(frozen=True, slots=True)
class Where:
    """What is backed up: the databases and the data directory with the other files."""

    data_dir: Path
    catalogue: Path
    readings: Path


@dataclass(frozen=True, slots=True)
class Kept:
    """A file in a backup, by its path there."""

    path: str
    size: int
    sha256: str


def make_backup(where: Where, into: Path, now_ms: int, step: Step = lambda _left, _of: None) -> Path:
    """Make a backup in a folder of its own in `into`; gives that folder. Raises StoreError and OSError."""
    for database in (where.catalogue, where.readings):
        if not database.exists():
            raise StoreError(
                f"{database}: there is no such database; give the data directory with --data-dir"
            )
    into.mkdir(parents=True, exist_ok=True, mode=0o700)
    moment = datetime.fromtimestamp(now_ms // 1000, UTC)
    whole = into / f"underlid-{moment.strftime(_STAMP)}"
    partial = into / f"{whole.name}{PARTIAL}"
    with _alone(into):
        if whole.exists():
            raise FileExistsError(f"{whole} is there already; wait a second")
        for left in into.glob(f"underlid-*{PARTIAL}"):
            shutil.rmtree(left)  # of a try that was broken off
        partial.mkdir(mode=0o700)
        copy_both(where.catalogue, where.readings, partial / CATALOGUE, partial / READINGS, step)
        # After the databases: a photo they speak of is there, unless it was deleted meanwhile.
        for file in other_files(where, into):
            copy = partial / FILES / file.relative_to(where.data_dir)
            copy.parent.mkdir(parents=True, exist_ok=True)
            with contextlib.suppress(FileNotFoundError):
                shutil.copy2(file, copy)
        files = [_kept(file, partial) for file in sorted(partial.rglob("*")) if file.is_file()]
        manifest = {
            "underlid_backup": FORMAT,
            "program": underlid.__version__,
            "made": moment.isoformat().replace("+00:00", "Z"),
            "made_ms": now_ms,
            "files": [asdict(each) for each in files],
        }
        (partial / MANIFEST).write_text(json.dumps(manifest, indent=1))
        for file in partial.rglob("*"):
            sync(file)
        sync(partial)
        partial.rename(whole)
        sync(into)
    return whole


def other_files(where: Where, into: Path) -> Iterator[Path]:
    """The files of the data directory but for the databases, locks, backups and what a restore moved aside."""
    databases = {f"{file.resolve()}{end}" for file in (where.catalogue, where.readings) for end in _ENDS}
    for folder, subfolders, names in os.walk(where.data_dir):
        here = Path(folder)
        subfolders[:] = [
            name
            for name in subfolders
            if not (
                name.startswith(ASIDE)
                or name.endswith(PARTIAL)
                or (here == where.data_dir and name == FOLDER)
            )
            and (here / name).resolve() != into.resolve()
        ]
        for name in names:
            file = here / name
            is_ours = here == where.data_dir and name in (LOCK, RESTORING)
            if (
                file.is_file()
                and not file.is_symlink()
                and not is_ours
                and str(file.resolve()) not in databases
            ):
                yield file


_ENDS = ("", "-wal", "-shm", "-journal")


def backups_in(folder: Path) -> list[tuple[int, Path]]:
    """The whole backups in a folder, oldest first, each with when it was made."""
    found = []
    for each in folder.iterdir() if folder.is_dir() else ():
        name = _NAME.fullmatch(each.name)
        if name and (each / MANIFEST).is_file():
            with contextlib.suppress(ValueError):
                made = datetime.strptime(name[1], _STAMP).replace(tzinfo=UTC)
                found.append((round(made.timestamp() * 1000), each))
    return sorted(found)


def prune(folder: Path, keep: int, now_ms: int) -> list[Path]:
    """Take away all whole backups but the newest; gives those that went.

    What is dated ahead, by a clock that was wrong then or is now, stays and is not counted.
    """
    gone = [path for made_ms, path in backups_in(folder) if made_ms <= now_ms][:-keep]
    for path in gone:
        doomed = path.rename(path.with_name(f"{path.name}{PARTIAL}"))  # half gone, it is not taken for whole
        shutil.rmtree(doomed)
    return gone


def checksum(file: Path) -> str:
    with file.open("rb") as opened:
        return hashlib.file_digest(opened, "sha256").hexdigest()


def sync(path: Path) -> None:
    """See that a file, or a folder's list of names, is on the disk before going on."""
    if sys.platform == "win32" and path.is_dir():
        return
    number = os.open(path, os.O_RDONLY)
    try:
        os.fsync(number)
    finally:
        os.close(number)


def _kept(file: Path, top: Path) -> Kept:
    return Kept(file.relative_to(top).as_posix(), file.stat().st_size, checksum(file))


@contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """One backup at a time in a folder, or a second would take the first's for one that was broken off."""
    with (folder / "underlid-backup.lock").open("w") as lock:
        if sys.platform != "win32":
            import fcntl

            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError as error:
                raise BlockingIOError(
                    f"{folder}: another backup is being written there; wait for it"
                ) from error
        yield
