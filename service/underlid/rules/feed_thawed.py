"""`feed-thawed`: to know that a tub is ready to feed from."""

from underlid.model import Finding, Position, Priority, Quantity, Verdict
from underlid.rules.handling import HOUR_MS
from underlid.rules.signals import signal
from underlid.rules.situation import Situation
from underlid.rules.tub_state import tub_state
from underlid.rules.words import degrees, hours, unknown

RULE = "feed-thawed"
INPUTS = "temperature in the tub, else the outdoor air and the tub's size"


def judge(situation: Situation) -> Finding:
    seen = tub_state(situation)
    if seen is None or seen.state.state == "unknown":
        return unknown(RULE, situation, Position.FEED, signal(situation, Position.FEED, Quantity.TEMPERATURE))
    ago_h = (situation.now_ms - seen.since_ms) / HOUR_MS
    told_h = situation.limits["thawed_told_h"]
    thawed = seen.state.state == "thawed" and ago_h < told_h
    old_news = seen.state.state == "thawed" and not thawed
    words = f"thawed {hours(max(ago_h, 0.0))} ago, ready to feed" if thawed else "not freshly thawed"
    return Finding(
        rule=RULE,
        verdict=Verdict.HOLDS if thawed else Verdict.CLEAR,
        since_ms=seen.since_ms + (round(told_h * HOUR_MS) if old_news else 0),
        priority=Priority.INFO,
        position=Position.FEED,
        value=seen.state.core_c,
        limit=situation.limits["freeze_c"],
        unit="Cel",
        headline=f"{situation.name}: {words}, {degrees(seen.state.core_c)}",
        advice="Drain it and feed it within two days: thawed scraps rot and heat sooner than fresh ones."
        if thawed
        else "",
        caution="Wear gloves: thawed scraps grow moulds quickly." if thawed else "",
        evidence=seen.feed.evidence or seen.air.evidence,
    )
