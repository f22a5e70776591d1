"""`nothing-heard`: no probe at all has spoken for long: one cause, told once, in place of many silent probes."""

from underlid.model import Finding, Priority, Verdict
from underlid.rules.handling import HOUR_MS
from underlid.rules.signals import gap_ms
from underlid.rules.situation import LOOK_BACK_H, Situation
from underlid.rules.words import hours

RULE = "nothing-heard"
INPUTS = "when any probe of the farm spoke"
_LEAST_PROBES = 2  # the silence of the only probe is its own
_LEAST_TIMES = 3  # fewer tell no rhythm


def judge(situation: Situation) -> Finding:
    times = situation.others_heard(situation.now_ms - LOOK_BACK_H * HOUR_MS)
    if situation.others < _LEAST_PROBES or len(times) < _LEAST_TIMES:
        return Finding(RULE, Verdict.UNKNOWN, situation.now_ms, headline="No probes were heard yet")
    latest = int(times[-1])
    patience_ms = max(round(situation.limits["probe_silent_h"] * HOUR_MS), gap_ms(times))
    silent_ms = situation.now_ms - latest
    if silent_ms <= patience_ms:
        return Finding(RULE, Verdict.CLEAR, latest, headline="The probes are heard")
    return Finding(
        rule=RULE,
        verdict=Verdict.HOLDS,
        since_ms=latest + patience_ms,
        priority=Priority.TODAY,
        value=silent_ms / HOUR_MS,
        limit=patience_ms / HOUR_MS,
        unit="h",
        headline=f"Nothing has been heard of any probe for {hours(silent_ms / HOUR_MS)}",
        advice=(
            f"Look at the broker, the Wi-Fi and the power; `underlid check` tells what is away. None of the "
            f"{situation.others} probes is watched meanwhile: open the lids that matter."
        ),
        amounts={"silent_h": silent_ms / HOUR_MS},
    )
