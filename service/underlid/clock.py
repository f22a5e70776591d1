"""The one place that reads the wall clock. Everything else is handed a `Clock`."""

import time
from collections.abc import Callable

Clock = Callable[[], int]


def wall_clock() -> int:
    """Milliseconds since 1970-01-01T00:00Z."""
    return time.time_ns() // 1_000_000


def running_clock(speed: float) -> Clock:
    """A clock that starts at the present moment and runs at `speed` times the wall clock."""
    start_ms, origin = wall_clock(), time.monotonic()
    return lambda: start_ms + int((time.monotonic() - origin) * 1000 * speed)
