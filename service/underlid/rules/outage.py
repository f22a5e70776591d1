"""When nobody at all was heard: broker, Wi-Fi or power were away, and no probe is to blame for its silence."""

from dataclasses import dataclass

import numpy as np

from underlid.rules.handling import HOUR_MS
from underlid.rules.signals import gap_ms
from underlid.rules.situation import Situation

_RHYTHM_MS = 24 * HOUR_MS  # so much of the past tells how often somebody is heard


@dataclass(frozen=True, slots=True)
class Outages:
    """Of the time since a moment: how much was outage, and is it one now?"""

    lasted_ms: int
    is_now: bool


def outages_since(situation: Situation, since_ms: int) -> Outages:
    """The spans since a moment in which no other probe was heard for longer than they are ever silent."""
    if situation.others == 0:
        return Outages(0, False)
    times = situation.others_heard(since_ms - _RHYTHM_MS)
    before, after = times[times <= since_ms], times[times > since_ms]
    longest = gap_ms(before if len(before) >= 3 else after)
    spans = np.diff(np.concatenate([[since_ms], after, [situation.now_ms]]))
    return Outages(int(spans[spans > longest].sum()), bool(spans[-1] > longest))
