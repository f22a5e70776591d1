"""Readings as one SenML pack in JSON (RFC 8428). Pieces of text, one after another."""

import json
from collections.abc import Iterator, Sequence

from underlid.exchange.stream import Span, series
from underlid.model import Channel
from underlid.store.readings import Readings


def senml(readings: Readings, channels: Sequence[Channel], span: Span) -> Iterator[str]:
    """A record for each reading, named PROBE/CHANNEL; the first of a channel carries the base name and unit.

    Units are as they are kept; of these only '%' for moisture is none of the standard's own list for that
    meaning (it has '/' with 1 for all of it), but the intake takes it so.
    """
    yield "["
    separator = "\n"
    for channel in channels:
        base: dict[str, object] = {"bn": f"{channel.probe_id}/{channel.name}", "bu": channel.unit}
        for piece in series(readings, channel, span):
            records = []
            for at, value in zip((piece.time_ms / 1000).tolist(), piece.value.tolist(), strict=True):
                records.append(separator + json.dumps({**base, "t": at, "v": value}, separators=(",", ":")))
                separator, base = ",\n", {}
            yield "".join(records)
    yield "\n]\n"
