"""When a reading was taken, by a clock that starts at zero with the power and drifts asleep.

The board's clock counts seconds since power came (an *era*); asleep it may be some per cent off. Each time
the network says what time it is, an *anchor* is noted: era, board time, time since 1970. Readings between two
anchors are dated in proportion, so that the drift is taken out. All whole numbers: the board's floats hold 24
bits, too few for seconds since 1970.
"""

import json

KEPT = 8
EARLIEST_S = 1_700_000_000  # 2023; a time server that says less is wrong


class Clock:
    """`ends` has the board time of the last reading of eras that are over."""

    def __init__(self, era: int = 0, anchors: list | None = None, ends: list | None = None) -> None:
        self.era = era
        self._anchors = anchors or []
        self._ends = ends or []

    @classmethod
    def from_text(cls, text: str) -> "Clock":
        """From what `to_text` gave; anything else gives a clock that knows nothing."""
        try:
            return cls(*json.loads(text))
        except (ValueError, TypeError):
            return cls()

    def to_text(self) -> str:
        return json.dumps([self.era, self._anchors, self._ends])

    def power_came(self, newest: list) -> None:
        """Begin an era. `newest` is the latest reading kept, [era, board time, ...], or empty."""
        if newest and newest[0] == self.era:
            self._ends = (self._ends + [[self.era, newest[1]]])[-KEPT:]
        self.era += 1

    def is_set(self, era: int) -> bool:
        """Whether readings of an era can be dated."""
        return any(anchor[0] == era for anchor in self._anchors)

    def sync(self, board_s: int, unix_s: int) -> bool:
        """Note what time it is. False where that can't be."""
        if unix_s < EARLIEST_S:
            return False
        kept = [anchor for anchor in self._anchors if anchor[0] != self.era or anchor[1] < board_s]
        self._anchors = (kept + [[self.era, board_s, unix_s]])[-KEPT:]
        return True

    def when(self, era: int, board_s: int, now_s: int) -> int:
        """The time since 1970; or, in an era that can't be dated, counted back from now (0 or less).

        Readings from before a power cut, in an era that was never dated, are taken to end when power came
        again: how long it was away nobody knows.
        """
        ends = dict(self._ends)
        while era < self.era and not self.is_set(era):
            board_s -= ends.get(era, 0)  # counted from the next era's start
            era += 1
        if not self.is_set(era):
            return min(board_s - now_s, 0)
        return self._dated([anchor for anchor in self._anchors if anchor[0] == era], board_s)

    @staticmethod
    def _dated(anchors: list, board_s: int) -> int:
        before = [anchor for anchor in anchors if anchor[1] <= board_s]
        after = [anchor for anchor in anchors if anchor[1] > board_s]
        if not before or not after:
            near = before[-1] if before else after[0]
            return near[2] + board_s - near[1]
        _, start_s, start_unix_s = before[-1]
        _, end_s, end_unix_s = after[0]
        span_s = end_s - start_s
        return start_unix_s + ((board_s - start_s) * (end_unix_s - start_unix_s) + span_s // 2) // span_s
