"""Probes whose readings always come the same while after their times: noticed over several messages. Pure.

Such a probe's clock may be behind, or it may send on purpose what it measured earlier. The readings can't tell
which, so their times are left as they are: moved by a guess, a message that comes again could become other readings.
"""

from dataclasses import dataclass, replace

BEHIND_MS = 600_000  # less may be the way to here
_SAME_MS = 60_000
_MESSAGES, _FOR_MS = 6, 1_800_000  # a backlog is sent faster than it came about


@dataclass(frozen=True, slots=True)
class Lag:
    """How far behind their arrival a probe's messages were, since it last changed."""

    least_ms: int
    most_ms: int
    since_ms: int
    messages: int = 1
    told: bool = False


def follow(lag: Lag | None, received_ms: int, newest_ms: int) -> tuple[Lag | None, str | None]:
    """The lag after a message whose newest reading is of `newest_ms`; with what is to be told, once."""
    behind_ms = received_ms - newest_ms
    if behind_ms <= BEHIND_MS:
        return None, None
    if lag is None or not lag.most_ms - _SAME_MS <= behind_ms <= lag.least_ms + _SAME_MS:
        return Lag(behind_ms, behind_ms, received_ms), None
    lag = replace(
        lag,
        least_ms=min(lag.least_ms, behind_ms),
        most_ms=max(lag.most_ms, behind_ms),
        messages=lag.messages + 1,
    )
    if lag.told or lag.messages < _MESSAGES or received_ms - lag.since_ms < _FOR_MS:
        return lag, None
    hours, minutes = divmod(round(behind_ms / 60_000), 60)
    return replace(lag, told=True), (
        f"used as it is, but the last {lag.messages} messages all came {hours} h {minutes} min after their times: "
        "set the probe's clock to UTC, unless it sends late on purpose"
    )
