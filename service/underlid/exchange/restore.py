"""A backup verified, and put back into a data directory."""

import json
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from underlid.exchange.backup import (
    ASIDE,
    CATALOGUE,
    FILES,
    FOLDER,
    FORMAT,
    LOCK,
    MANIFEST,
    READINGS,
    RESTORING,
    Kept,
    Where,
    backups_in,
    checksum,
    sync,
)
from underlid.store.copies import check_whole
from underlid.store.look import look


class BadBackupError(Exception):
    """A backup can't be used, or not there: one line that says what, where and what would be right."""


@dataclass(frozen=True, slots=True)
class Backup:
    """A backup that was found whole."""

    folder: Path
    made: str
    made_ms: int
    files: tuple[Kept, ...]


def verified(path: Path) -> Backup:
    """The backup at a path, or the newest in that folder, checked: manifest, checksums, databases, versions.

    Raises BadBackupError and StoreError.
    """
    folder = path
    if not (path / MANIFEST).is_file():
        found = backups_in(path)
        if not found:
            raise BadBackupError(
                f"{path} is no backup, nor a folder with one; a backup holds {MANIFEST}, and one whose name ends "
                "in .partial was never finished"
            )
        folder = found[-1][1]
    manifest = _manifest(folder)
    backup = Backup(
        folder,
        str(manifest["made"]),
        int(manifest["made_ms"]),
        tuple(Kept(str(e["path"]), int(e["size"]), str(e["sha256"])) for e in manifest["files"]),
    )
    if missing := {CATALOGUE, READINGS} - {kept.path for kept in backup.files}:
        raise BadBackupError(f"{folder}: lacks {missing.pop()}; take another backup")
    for kept in backup.files:
        _check(folder, kept)
    for name in (CATALOGUE, READINGS):
        look(folder / name)
        check_whole(folder / name)
    return backup


def restore(backup: Backup, where: Where, *, replace: bool = False) -> Path | None:
    """Put a verified backup into a data directory that is empty; with `replace`, what is there is moved aside.

    Whoever calls holds the data directory. Broken off, it leaves a file by which the service refuses to start,
    and can be called again. Gives where it moved what was there. Raises BadBackupError and OSError.
    """
    where.data_dir.mkdir(parents=True, exist_ok=True)
    marker = where.data_dir / RESTORING
    there = [
        each
        for each in sorted(where.data_dir.iterdir())
        if each.name not in (LOCK, FOLDER, RESTORING) and not each.name.startswith(ASIDE)
    ]
    there += [
        file
        for database in (where.catalogue, where.readings)
        for end in ("", "-wal", "-shm")
        if (file := Path(f"{database}{end}")).exists() and file.parent != where.data_dir
    ]
    if there and not replace and not marker.exists():
        raise BadBackupError(
            f"{where.data_dir} is not empty ({there[0].name} is there); give an empty --data-dir, or --replace to "
            "move what is there aside"
        )
    if any(backup.folder.resolve().is_relative_to(each.resolve()) for each in there):
        raise BadBackupError(
            f"{backup.folder} lies in {where.data_dir}, where all would be moved aside; move the backup out of it"
        )
    marker.write_text(f"{backup.folder}\n")
    sync(marker)
    aside = where.data_dir / f"{ASIDE}{backup.made_ms}"
    while aside.exists():
        aside = aside.with_name(f"{aside.name}-")
    for each in there:
        aside.mkdir(exist_ok=True)
        shutil.move(each, aside / each.name)
    # The catalogue last: without it, nothing here looks like a farm.
    for kept in sorted(backup.files, key=lambda each: each.path == CATALOGUE):
        _put(backup.folder / kept.path, _place(kept, where), kept)
    marker.unlink()
    sync(where.data_dir)
    return aside if there else None


def _manifest(folder: Path) -> Mapping[str, Any]:
    try:
        found = json.loads((folder / MANIFEST).read_text())
        version = int(found["underlid_backup"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise BadBackupError(f"{folder / MANIFEST}: not the manifest of a backup") from error
    if version > FORMAT:
        raise BadBackupError(
            f"{folder}: a backup of format {version}, by a later program than this one, which knows up to {FORMAT}; "
            "restore it by the program that made it, or a later one"
        )
    if missing := {"made", "made_ms", "files"} - set(found):
        raise BadBackupError(f"{folder / MANIFEST}: lacks '{missing.pop()}'")
    return dict(found)


def _check(folder: Path, kept: Kept) -> None:
    path = PurePosixPath(kept.path)
    if path.is_absolute() or ".." in path.parts or (path.parts[0] != FILES and len(path.parts) > 1):
        raise BadBackupError(f"{folder}: its manifest names {kept.path}, which lies outside")
    file = folder / path
    if not file.is_file() or file.is_symlink():
        raise BadBackupError(f"{folder}: lacks {kept.path}; take another backup")
    if file.stat().st_size != kept.size or checksum(file) != kept.sha256:
        raise BadBackupError(f"{folder}: {kept.path} is not what was written; take another backup")


def _place(kept: Kept, where: Where) -> Path:
    if kept.path == CATALOGUE:
        return where.catalogue
    if kept.path == READINGS:
        return where.readings
    return where.data_dir / PurePosixPath(kept.path).relative_to(FILES)


def _put(source: Path, place: Path, kept: Kept) -> None:
    place.parent.mkdir(parents=True, exist_ok=True)
    partial = place.with_name(f"{place.name}.partial")
    shutil.copy2(source, partial)
    sync(partial)
    if checksum(partial) != kept.sha256:
        raise BadBackupError(f"{place}: could not be written whole; see to the disk")
    partial.replace(place)
    sync(place.parent)
