"""Readings that wait in flash for Wi-Fi and broker: bounded, the oldest give way, and are counted.

A folder of small files of JSON lines, named by number. A reading is appended, and taken away only when the
broker has it. Both steps leave a whole file behind when the power fails between two instructions.
"""

import json
import os

import flash


class Backlog:
    """At least `keep` readings, in files of `per_file`."""

    def __init__(self, folder: str, keep: int = 4096, per_file: int = 32) -> None:
        self._folder = folder
        self._per_file = per_file
        self._most_files = (keep + per_file - 1) // per_file + 1  # the oldest may be half sent
        try:
            os.mkdir(folder)
        except OSError:
            pass  # it is there

    def __len__(self) -> int:
        return sum(len(self._good(name)) for name in self._files())

    def append(self, reading: list) -> None:
        """Keep a reading (anything JSON can say) behind all others. Raises OSError where none can be kept."""
        line = json.dumps(reading, separators=(",", ":")).encode() + b"\n"
        files = self._files()
        while len(files) > self._most_files:
            self._drop(files.pop(0))
        name = self._to_append(files)
        while True:
            try:
                self._write(name, line)
                return
            except OSError:  # no room
                if not files or files[0] == name:
                    raise
                self._drop(files.pop(0))

    def oldest(self, count: int) -> list:
        """Up to `count` readings, the oldest first."""
        found = []
        for name in self._files():
            found += self._good(name)
            if len(found) >= count:
                break
        return found[:count]

    def newest(self) -> list:
        """The latest reading, or an empty list."""
        for name in reversed(self._files()):
            good = self._good(name)
            if good:
                return good[-1]
        return []

    def trim(self, count: int) -> None:
        """Take away the `count` oldest; lines that can't be read go with them, and count as dropped."""
        for name in self._files():
            lines = self._lines(name)
            at = 0
            unreadable = 0
            while at < len(lines) and (count or _parse(lines[at]) is None):
                if _parse(lines[at]) is None:
                    unreadable += 1
                else:
                    count -= 1
                at += 1
            self._count_dropped(unreadable)
            if at < len(lines):
                if at:
                    flash.write(self._path(name), b"\n".join(lines[at:]) + b"\n")
                return
            os.remove(self._path(name))

    def dropped(self) -> int:
        """How many readings gave way since `forget_dropped`."""
        return int(flash.read(self._path("dropped")) or 0)

    def forget_dropped(self) -> None:
        if self.dropped():
            flash.write(self._path("dropped"), b"0")

    def _count_dropped(self, more: int) -> None:
        if more:
            flash.write(self._path("dropped"), str(self.dropped() + more).encode())

    def _drop(self, name: str) -> None:
        count = len(self._lines(name))
        os.remove(self._path(name))
        self._count_dropped(count)

    def _files(self) -> list:
        return sorted(name for name in os.listdir(self._folder) if name.endswith(".jsonl"))

    def _path(self, name: str) -> str:
        return self._folder + "/" + name

    def _to_append(self, files: list) -> str:
        if files and len(self._lines(files[-1])) < self._per_file:
            return files[-1]
        number = int(files[-1][:8]) + 1 if files else 0
        return f"{number:08d}.jsonl"

    def _write(self, name: str, line: bytes) -> None:
        data = flash.read(self._path(name))
        with open(self._path(name), "ab") as file:
            # A line that was cut off must not take the next one with it.
            file.write(b"\n" + line if data and not data.endswith(b"\n") else line)

    def _lines(self, name: str) -> list:
        return [line for line in flash.read(self._path(name)).split(b"\n") if line]

    def _good(self, name: str) -> list:
        parsed = [_parse(line) for line in self._lines(name)]
        return [reading for reading in parsed if reading is not None]


def _parse(line: bytes) -> object:
    try:
        reading = json.loads(line)
    except ValueError:
        return None
    return reading if isinstance(reading, list) else None
