"""How a probe is: its rhythm, battery, signal, gaps, and what is doubtful of it, from what its rules work out."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np

from underlid.model import Quantity
from underlid.rules.handling import HOUR_MS
from underlid.rules.probe_battery import battery, hours_left
from underlid.rules.probe_silent import Voice, voice
from underlid.rules.probe_suspect import faults
from underlid.rules.situation import Situation

RhythmWord = Literal["on-time", "late", "silent"]
SignalWord = Literal["strong", "good", "weak", "hardly-any"]
BatteryWord = Literal["fine", "low", "unknown"]

_GAPS_WITHIN_MS = 24 * HOUR_MS
_SIGNAL_READINGS = 12
# From so many dBm of Wi-Fi on: common practice, no source.
_SIGNAL_WORDS: tuple[tuple[float, SignalWord], ...] = ((-60.0, "strong"), (-70.0, "good"), (-80.0, "weak"))


@dataclass(frozen=True, slots=True)
class Rhythm:
    """When it spoke and how often; `next_ms` is when its next reading is due, None: too few to tell."""

    state: RhythmWord
    latest_ms: int
    interval_min: float | None
    next_ms: int | None
    patience_h: float  # a longer silence is told


@dataclass(frozen=True, slots=True)
class BatteryHealth:
    """`left_h`: hours until it is empty by its discharge so far; None while it does not surely fall."""

    state: BatteryWord
    value: float
    unit: str
    left_h: float | None


@dataclass(frozen=True, slots=True)
class SignalHealth:
    """The middle of its latest readings, in words."""

    state: SignalWord
    dbm: float


@dataclass(frozen=True, slots=True)
class Doubt:
    """What is wrong with a channel, and what to look at."""

    channel: int
    quantity: Quantity
    since_ms: int
    words: str
    advice: str


@dataclass(frozen=True, slots=True)
class Gap:
    from_ms: int
    to_ms: int


@dataclass(frozen=True, slots=True)
class ProbeHealth:
    at_ms: int
    rhythm: Rhythm
    battery: BatteryHealth | None
    signal: SignalHealth | None
    doubts: tuple[Doubt, ...]
    gaps: tuple[Gap, ...]  # of the last 24 h; the last one may go on


def probe_health(situation: Situation) -> ProbeHealth:
    """How a probe is at the situation's moment."""
    heard = voice(situation)
    return ProbeHealth(
        at_ms=situation.now_ms,
        rhythm=_rhythm(heard, situation.now_ms),
        battery=_battery(situation),
        signal=_signal(situation),
        doubts=tuple(
            Doubt(f.sensor.channel_id, f.sensor.quantity, f.since_ms, f.words, f.advice)
            for f in faults(situation)[1]
        ),
        gaps=_gaps(heard, situation.now_ms),
    )


def _rhythm(heard: Voice, now_ms: int) -> Rhythm:
    silent_ms = now_ms - heard.latest_ms
    state: RhythmWord = "on-time"
    if silent_ms > heard.patience_ms:
        state = "silent"
    elif silent_ms > heard.gap_ms:
        state = "late"
    interval = heard.interval_ms
    return Rhythm(
        state=state,
        latest_ms=heard.latest_ms,
        interval_min=None if interval is None else interval / 60_000,
        next_ms=None if interval is None else heard.latest_ms + interval,
        patience_h=heard.patience_ms / HOUR_MS,
    )


def _battery(situation: Situation) -> BatteryHealth | None:
    found = battery(situation)
    if found is None or not len(found.signal.series):
        return None
    value = found.signal.value
    if not found.signal.good:
        return BatteryHealth("unknown", value, found.unit, None)
    return BatteryHealth(
        "low" if value < found.low else "fine", value, found.unit, hours_left(found, situation.now_ms)
    )


def _signal(situation: Situation) -> SignalHealth | None:
    sensors = [s for s in situation.sensors if s.quantity is Quantity.SIGNAL and s.unit == "dBm"]
    values = next((s.series.value[-_SIGNAL_READINGS:] for s in sensors if len(s.series)), np.empty(0))
    values = values[np.isfinite(values)]
    if not len(values):
        return None
    middle = float(np.median(values))
    words = [word for least, word in _SIGNAL_WORDS if middle >= least]
    return SignalHealth(words[0] if words else "hardly-any", middle)


def _gaps(heard: Voice, now_ms: int) -> tuple[Gap, ...]:
    since_ms = now_ms - _GAPS_WITHIN_MS
    times = heard.times[heard.times <= now_ms]
    if not len(times):
        return ()
    starts, ends = times, np.append(times[1:], now_ms)
    long = (ends - starts > heard.gap_ms) & (ends > since_ms)
    found = zip(starts[long].tolist(), ends[long].tolist(), strict=True)
    return tuple(Gap(max(start, since_ms), end) for start, end in found)


def as_json(health: ProbeHealth) -> dict[str, Any]:
    """Plain JSON types; times stay in ms."""
    return asdict(health)


def from_json(stored: Mapping[str, Any]) -> ProbeHealth:
    """The health that `as_json` wrote. KeyError or TypeError for anything else."""
    battery, signal = stored["battery"], stored["signal"]
    return ProbeHealth(
        at_ms=stored["at_ms"],
        rhythm=Rhythm(**stored["rhythm"]),
        battery=None if battery is None else BatteryHealth(**battery),
        signal=None if signal is None else SignalHealth(**signal),
        doubts=tuple(Doubt(**{**d, "quantity": Quantity(d["quantity"])}) for d in stored["doubts"]),
        gaps=tuple(Gap(**gap) for gap in stored["gaps"]),
    )
