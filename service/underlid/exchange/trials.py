"""What dry runs have seen of their tables so far, so that a row which comes again later in one counts once."""

from collections import OrderedDict
from math import inf
from threading import Lock

import numpy as np
from numpy.typing import NDArray

from underlid.exchange.rows import Key

MOST_TRIALS = 8  # at once; older ones are forgotten
MOST_TIMES = 2_000_000  # of a trial, 16 MB; of what comes after that, rows that come again count as new

Times = NDArray[np.int64]


class Seen:
    """The times of each channel, by the first line of the piece they came in; the first `most` of them."""

    def __init__(self, most: float = inf) -> None:
        self._pieces: dict[int, dict[Key, Times]] = {}
        self._most = most
        self._kept = 0

    def begin(self, first_line: int) -> None:
        """A piece begins; what was seen in it when it was sent before is forgotten."""
        self._kept -= sum(map(len, self._pieces.pop(first_line, {}).values()))

    def fresh(self, first_line: int, key: Key, times: Times) -> Times:
        """Of sorted times without double ones, those that are in no earlier piece, nor in this one so far."""
        for line, of_piece in self._pieces.items():
            there = of_piece.get(key)
            if line > first_line or there is None or not len(there) or not len(times):
                continue
            if there[-1] >= times[0] and there[0] <= times[-1]:
                times = np.setdiff1d(times, there, assume_unique=True)
        if self._kept + len(times) <= self._most:
            self._kept += len(times)
            own = self._pieces.setdefault(first_line, {})
            own[key] = np.union1d(own[key], times) if key in own else times
        return times


class Trials:
    """Dry runs by the name that whoever sends a table in pieces gives them."""

    def __init__(self) -> None:
        self._seen: OrderedDict[str, Seen] = OrderedDict()
        self._lock = Lock()

    def of(self, name: str) -> Seen:
        with self._lock:
            seen = self._seen.setdefault(name, Seen(MOST_TIMES))
            self._seen.move_to_end(name)
            while len(self._seen) > MOST_TRIALS:
                self._seen.popitem(last=False)
            return seen
