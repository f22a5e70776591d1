"""When to send, when to ask for the time, how long to sleep."""

LONGEST_WAIT = 8  # wakes between two tries, as a multiple of the usual
SYNC_EVERY_S = 6 * 3600


def is_due(waited: int, failures: int, send_every: int) -> bool:
    """Whether to try the network: `waited` wakes since the last try, `failures` tries in a row that failed.

    A try without a network costs more charge than a day of readings, so the wait doubles with each failure.
    """
    return waited >= send_every * min(1 << min(failures, 8), LONGEST_WAIT)


def wants_time(asked_s: int | None, now_s: int) -> bool:
    return asked_s is None or not 0 <= now_s - asked_s < SYNC_EVERY_S


def sleep_s(interval_s: int, awake_s: int) -> int:
    """So long that wakes stay `interval_s` apart."""
    return max(interval_s - awake_s, 1)
