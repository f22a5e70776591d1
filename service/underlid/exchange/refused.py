"""The rows that were refused, kept in a file beside the table, to be mended and imported in their turn."""

import csv
from collections.abc import Iterable, Sequence
from pathlib import Path
from types import TracebackType
from typing import TextIO

from underlid.exchange.take import Refused

FIRST_SHOWN = 10
ADDED = ("line", "refused because")  # columns after those of the table


class RefusedFile:
    """Made with the first refused row; without one, a file of an earlier try is taken away."""

    def __init__(self, table: Path, header: Sequence[str], separator: str) -> None:
        self.path = table.with_name(f"{table.stem}.refused.csv")
        self.count = 0
        self.first: list[Refused] = []
        self._header = header
        self._separator = separator
        self._open: TextIO | None = None

    def put(self, refused: Iterable[Refused]) -> None:
        for each in refused:
            if self._open is None:
                self._open = self.path.open("w", encoding="utf-8", errors="surrogateescape", newline="")
                csv.writer(self._open, delimiter=self._separator).writerow([*self._header, *ADDED])
            cells = [*each.cells, *[""] * (len(self._header) - len(each.cells))]
            csv.writer(self._open, delimiter=self._separator).writerow([*cells, each.line, each.reason])
            self.count += 1
            if self.count <= FIRST_SHOWN:
                self.first.append(each)

    def __enter__(self) -> "RefusedFile":
        self.path.unlink(missing_ok=True)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._open is not None:
            self._open.close()
