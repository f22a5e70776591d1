"""`probe-silent`: a probe has not spoken for longer than it should."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from underlid.model import Finding, Priority, Probe, Verdict
from underlid.rules.handling import HOUR_MS
from underlid.rules.outage import outages_since
from underlid.rules.signals import LEAST_SILENCE_MS, gap_ms
from underlid.rules.situation import LOOK_BACK_H, Situation
from underlid.rules.words import hours

RULE = "probe-silent"
INPUTS = "the times of all its readings and of others', and whether it said that it goes offline"


@dataclass(frozen=True, slots=True)
class Voice:
    """When a probe spoke: times of all its readings, the latest, its own rhythm, how long it may be silent."""

    times: NDArray[np.int64]
    latest_ms: int  # when it was first seen, or the look back began, if it has not spoken since
    interval_ms: int | None  # between its readings, as a rule; None: too few to tell
    gap_ms: int  # a longer silence is a gap
    patience_ms: int


def voice(situation: Situation) -> Voice:
    """The rhythm is that of the fastest of the channels that still speak: they may take turns."""
    probe = situation.thing
    assert isinstance(probe, Probe)
    own = [sensor.series.time_ms for sensor in situation.sensors if len(sensor.series)]
    long_ago = max(probe.first_seen_ms, situation.now_ms - LOOK_BACK_H * HOUR_MS)
    latest = max([long_ago, *(int(times[-1]) for times in own)])
    speaking = [times for times in own if latest - int(times[-1]) <= gap_ms(times)]
    gap = min([gap_ms(times) for times in speaking], default=LEAST_SILENCE_MS)
    steps = [int(np.median(np.diff(times[-49:]))) for times in speaking if len(times) > 2]
    return Voice(
        times=np.unique(np.concatenate(own)) if own else np.empty(0, np.int64),
        latest_ms=latest,
        interval_ms=min(steps, default=None),
        gap_ms=gap,
        patience_ms=max(round(situation.limits["probe_silent_h"] * HOUR_MS), gap),
    )


def judge(situation: Situation) -> Finding:
    probe = situation.thing
    assert isinstance(probe, Probe)
    spoken = [sensor for sensor in situation.sensors if len(sensor.series)]
    heard = voice(situation)
    times, latest, patience_ms = heard.times, heard.latest_ms, heard.patience_ms
    silent_ms = situation.now_ms - latest
    evidence = tuple((s.channel_id, int(s.series.time_ms[-1]), float(s.series.value[-1])) for s in spoken[:4])
    if probe.retired_ms is not None or silent_ms <= patience_ms:
        return Finding(
            rule=RULE,
            verdict=Verdict.CLEAR,
            since_ms=_speaks_since(times, patience_ms, latest),
            headline=f"{situation.name} speaks",
            evidence=evidence,
        )
    outage = outages_since(situation, latest)
    if outage.is_now:
        headline = f"{situation.name} is silent, and so are all the others"
        return Finding(RULE, Verdict.UNKNOWN, latest, headline=headline, evidence=evidence)
    if silent_ms - outage.lasted_ms <= patience_ms:
        headline = f"{situation.name} has not been heard since the others are heard again"
        return Finding(RULE, Verdict.UNKNOWN, latest, headline=headline, evidence=evidence)
    farewell = " and it went offline" if probe.online is False else ""
    return Finding(
        rule=RULE,
        verdict=Verdict.HOLDS,
        since_ms=latest + patience_ms + outage.lasted_ms,
        priority=Priority.TODAY,
        value=silent_ms / HOUR_MS,
        limit=patience_ms / HOUR_MS,
        unit="h",
        headline=f"{situation.name} has said nothing for {hours(silent_ms / HOUR_MS)}{farewell}",
        advice=(
            "Look at its battery, its plug and the Wi-Fi where it is. What it watches is unknown until it "
            "speaks again: open that lid on the next round."
        ),
        amounts={"silent_h": silent_ms / HOUR_MS},
        evidence=evidence,
    )


def _speaks_since(times: NDArray[np.int64], patience_ms: int, latest: int) -> int:
    """The first reading after the last silence that was too long."""
    if not len(times):
        return latest
    breaks = np.flatnonzero(np.diff(times) > patience_ms) + 1
    return int(times[breaks[-1]] if len(breaks) else times[0])
