"""When messages without a time of their own count as come: each at its own moment, and always at the same."""

import hashlib
from collections.abc import Callable, Iterable

from underlid.intake.connection import Delivery
from underlid.store import arrivals
from underlid.store.ledger import Ledger

COPIES_WITHIN_MS = 100
BURST_MS = 600_000


class Dating:
    """`newest_ms` gives the time of a probe's newest reading that is stored."""

    def __init__(self, ledger: Ledger, newest_ms: Callable[[str], int]) -> None:
        self._ledger = ledger
        self._newest_ms = newest_ms
        self._last_ms: dict[str, int] = {}
        self._previous: Delivery | None = None
        self._previous_ms = 0

    def moment_ms(self, message: Delivery, probes: set[str], new: list[arrivals.Arrival]) -> int:
        """When a message of these probes counts as come. What must be remembered of it is added to `new`."""
        digest = _digest(message) if message.qos else b""
        moment_ms = self._first_ms(digest) if message.repeated else None
        if moment_ms is None:
            if _is_copy(message, self._previous):
                moment_ms = self._previous_ms
            elif message.qos:
                moment_ms = self._moment_of_its_own(probes, message.received_ms)
            else:
                moment_ms = message.received_ms
            if message.qos:
                new.append(arrivals.Arrival(digest, moment_ms))
        self._previous, self._previous_ms = message, moment_ms
        return moment_ms

    def _first_ms(self, digest: bytes) -> int | None:
        """A message that comes again after a crash must get the time it was given at first."""
        with self._ledger.reading() as connection:
            return arrivals.first_ms(connection, digest)

    def _moment_of_its_own(self, probes: Iterable[str], received_ms: int) -> int:
        """The arrival, or just after the probes' last one: two messages in a millisecond are two readings."""
        for probe_id in probes:
            if probe_id not in self._last_ms:
                self._last_ms[probe_id] = self._newest_ms(probe_id)
        last_ms = max(self._last_ms[probe_id] for probe_id in probes)
        # Only of a burst: a reading from far ahead, by a clock that was wrong, must not pull others after it.
        in_burst = 0 <= last_ms - received_ms < BURST_MS
        moment_ms = last_ms + 1 if in_burst else received_ms
        self._last_ms |= dict.fromkeys(probes, moment_ms)
        return moment_ms


def _is_copy(message: Delivery, previous: Delivery | None) -> bool:
    """Whether a mapped message is the previous one once more.

    Our filters do not overlap, but a session that the broker kept may still have those of earlier settings.
    """
    return (
        previous is not None
        and (message.topic, message.payload) == (previous.topic, previous.payload)
        and message.received_ms - previous.received_ms <= COPIES_WITHIN_MS
        and not message.topic.startswith("underlid/")
    )


def _digest(message: Delivery) -> bytes:
    parts = (str(message.mid).encode(), message.topic.encode(), message.payload)
    return hashlib.sha256(b"\0".join(parts)).digest()
