"""`feed-hard-frozen`: to know that a tub was held cold for long. No claim that anything in it is dead."""

from underlid.model import Finding, Position, Priority, Quantity, Verdict
from underlid.rules.handling import HOUR_MS
from underlid.rules.level import below
from underlid.rules.signals import signal
from underlid.rules.situation import Situation
from underlid.rules.words import degrees, hours, unknown
from underlid.science.freezing import COLD_CAUTION, HARD_FROZEN_C

RULE = "feed-hard-frozen"
INPUTS = "temperature in the tub"
_DEADBAND_C = 0.5


def judge(situation: Situation) -> Finding:
    feed = signal(situation, Position.FEED, Quantity.TEMPERATURE)
    if not feed.good:
        return unknown(RULE, situation, Position.FEED, feed)
    wanted_h = situation.limits["hard_frozen_h"]
    # The deadband counts from the start: a probe's noise at -18 C must not begin the hours anew.
    level = below(feed, HARD_FROZEN_C, _DEADBAND_C, active=True)
    held_h = (feed.latest_ms - level.since_ms) / HOUR_MS if level.holds else 0.0
    enough = level.holds and held_h >= wanted_h
    held = (
        f"held at {degrees(HARD_FROZEN_C)} or below for {hours(held_h)}" if level.holds else "not hard-frozen"
    )
    return Finding(
        rule=RULE,
        verdict=Verdict.HOLDS if enough else Verdict.CLEAR,
        since_ms=level.since_ms + round(wanted_h * HOUR_MS) if enough else level.since_ms,
        priority=Priority.INFO,
        position=Position.FEED,
        value=feed.value,
        limit=HARD_FROZEN_C,
        unit="Cel",
        headline=f"{situation.name}: {held}",
        advice="It has been cold for long enough to be brought in when it is needed." if enough else "",
        caution=COLD_CAUTION if enough else "",
        amounts={"held_h": held_h} if enough else {},
        evidence=feed.evidence,
    )
