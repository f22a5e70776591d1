"""What sat at a position over a week and the one before, and what it said."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from underlid.model import Channel, Position, Quantity, Series, Subject
from underlid.reports.held import Held, hold, together


@dataclass(frozen=True, slots=True)
class Piece:
    """One channel for as long as it sat at a position: all its readings, and those that can be meant."""

    channel: Channel
    from_ms: int
    to_ms: int
    series: Series
    meant: Series


@dataclass(frozen=True, slots=True)
class Track:
    """One quantity at one position of a subject, as told by its channels; over the week and the one before."""

    subject: Subject
    position: Position
    quantity: Quantity
    unit: str
    pieces: tuple[Piece, ...]
    week: Held
    before: Held

    def held(self, from_ms: int, to_ms: int) -> Held:
        return held(self.pieces, from_ms, to_ms)

    def series(self) -> Series:
        """Its readings that can be meant, of all its channels, in time order."""
        if len(self.pieces) == 1:
            return self.pieces[0].meant
        time = np.concatenate([piece.meant.time_ms for piece in self.pieces])
        value = np.concatenate([piece.meant.value for piece in self.pieces])
        time, first = np.unique(time, return_index=True)
        return Series(time, value[first])


def held(pieces: Sequence[Piece], from_ms: int, to_ms: int) -> Held:
    """What channels at one position say together over a span."""
    return together(
        [
            hold(piece.meant, max(from_ms, piece.from_ms), min(to_ms, piece.to_ms))
            for piece in pieces
            if piece.from_ms < to_ms and piece.to_ms > from_ms
        ]
    )
