"""When to try a target again. Pure."""

FIRST_MS = 15_000
CAP_MS = 3_600_000
GIVE_UP_AFTER_MS, FEWEST_TRIES = 7 * 24 * 3_600_000, 20


def next_try_ms(attempts: int, created_ms: int, now_ms: int, luck: float) -> int | None:
    """The time of the next try after `attempts` failures: from 15 s doubling to 1 h, half by luck (0..1).

    None after a week: by then the message is of no use. But not before it was tried for hours: the week may be one
    that the clock was set forward by.
    """
    if now_ms - created_ms > GIVE_UP_AFTER_MS and attempts >= FEWEST_TRIES:
        return None
    wait_ms = min(CAP_MS, FIRST_MS << min(attempts, 20))
    return now_ms + round(wait_ms * (0.5 + 0.5 * luck))
