"""`probe-battery`: a probe's battery is low; charge or swap it before the probe falls silent."""

from dataclasses import dataclass

from underlid.model import Finding, Priority, Quantity, Verdict
from underlid.rules.handling import HOUR_MS
from underlid.rules.level import below
from underlid.rules.signals import Signal, of_sensor, thinned
from underlid.rules.situation import Situation
from underlid.rules.words import hours
from underlid.science.battery import hours_to_empty

RULE = "probe-battery"
INPUTS = "its battery channel, in V or %EL"
CAUTION = (
    "Charge lithium cells with a charger made for them, never below 0 °C, not unattended, and never one that "
    "is swollen or damaged."
)
# A rise by so much is a charge or another cell: common practice, no source.
_RECHARGE = {"V": 0.1, "%EL": 5.0}


@dataclass(frozen=True, slots=True)
class Battery:
    """What a probe's battery channel says, and where it is low and empty."""

    signal: Signal
    unit: str
    low: float
    empty: float

    @property
    def told(self) -> str:
        return f"{self.signal.value:.2f} V" if self.unit == "V" else f"{self.signal.value:.0f} %"


def battery(situation: Situation) -> Battery | None:
    """None for a probe that tells no battery."""
    sensor = next((s for s in situation.sensors if s.quantity is Quantity.BATTERY and len(s.series)), None)
    if sensor is None:
        return None
    limits = situation.limits
    in_volts = sensor.unit == "V"
    return Battery(
        signal=of_sensor(situation, sensor),
        unit=sensor.unit,
        low=limits["battery_low_v" if in_volts else "battery_low_pct"],
        empty=limits["battery_empty_v"] if in_volts else 0.0,
    )


def hours_left(found: Battery, now_ms: int) -> float | None:
    """By its discharge since it was last charged; None while it does not surely fall."""
    slow = thinned(found.signal.series, 3 * HOUR_MS)
    latest_ms = int(slow.time_ms[-1])
    left_h = hours_to_empty(slow.hours(latest_ms), slow.value, found.empty, _RECHARGE.get(found.unit, 5.0))
    return None if left_h is None else max(left_h - (now_ms - latest_ms) / HOUR_MS, 0.0)


def judge(situation: Situation) -> Finding:
    found = battery(situation)
    if found is None:
        return Finding(RULE, Verdict.UNKNOWN, situation.now_ms, headline=f"{situation.name} tells no battery")
    said = found.signal
    if not said.good:
        since_ms = said.latest_ms if len(said.series) else situation.now_ms
        headline = f"{situation.name}: battery unknown; {said.why}"
        return Finding(RULE, Verdict.UNKNOWN, since_ms, headline=headline, evidence=said.evidence)
    deadband = situation.limits["battery_deadband_v"] if found.unit == "V" else 2.0
    level = below(said, found.low, deadband, situation.active.get(RULE, False))
    if not level.holds:
        return Finding(
            rule=RULE,
            verdict=Verdict.CLEAR,
            since_ms=level.since_ms,
            value=said.value,
            limit=found.low,
            unit=found.unit,
            headline=f"{situation.name}: battery is at {found.told}",
            evidence=said.evidence,
        )
    left_h = hours_left(found, situation.now_ms)
    when = f" It lasts about {hours(left_h)} more." if left_h is not None else ""
    return Finding(
        rule=RULE,
        verdict=Verdict.HOLDS,
        since_ms=level.since_ms,
        priority=Priority.TODAY if left_h is not None and left_h < 24.0 else Priority.ROUND,
        value=said.value,
        limit=found.low,
        unit=found.unit,
        headline=f"{situation.name}: battery is low, {found.told}",
        advice=f"Charge or swap it on the next round.{when}",
        caution=CAUTION,
        amounts={"left_h": left_h} if left_h is not None else {},
        evidence=said.evidence,
    )
