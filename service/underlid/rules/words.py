"""Numbers as people say them, and the findings that say little."""

import math

from underlid.model import Finding, Position, Verdict
from underlid.rules.signals import Signal
from underlid.rules.situation import Situation

POSITION_WORDS = {
    Position.TOP: "top",
    Position.CORE: "core",
    Position.BASE: "base",
    Position.POCKET: "feed pocket",
    Position.AIR: "air",
    Position.FEED: "feed",
}


def amount(value: float) -> str:
    """Two figures at most: 0.8, 3.4, 12, 140."""
    if value < 0.095:
        return f"{value:.2f}"
    if value < 9.95:
        return f"{value:.1f}"
    step = 10.0 ** max(0, math.floor(math.log10(value)) - 1)
    return f"{round(value / step) * step:.0f}"


def hours(value_h: float) -> str:
    """As one speaks of a time to come: '40 min', '9 h', '3 days'."""
    if value_h < 0.95:
        return f"{max(10, round(value_h * 6) * 10)} min"
    if value_h < 47.5:
        return f"{value_h:.0f} h"
    return f"{value_h / 24:.0f} days"


def span(low_h: float, high_h: float) -> str:
    """An interval in one unit where it can be: '7 to 12 h', '9 h or later'."""
    if math.isinf(high_h):
        return f"{hours(low_h)} or later"
    low, high = hours(low_h), hours(high_h)
    low_number, _, unit = low.partition(" ")
    return f"{low_number} to {high}" if high.endswith(f" {unit}") else f"{low} to {high}"


def in_hours(eta_h: float, low_h: float, high_h: float) -> str:
    """'in about 9 h (7 to 12 h)'."""
    return f"in about {hours(eta_h)} ({span(low_h, high_h)})"


def degrees(temp_c: float) -> str:
    digits = 0 if abs(temp_c) >= 9.95 else 1
    return f"{temp_c:.{digits}f} °C".replace("-", "\N{MINUS SIGN}")


def unknown(rule: str, situation: Situation, position: Position, signal: Signal) -> Finding:
    """Nothing can be said: silence and suspect data neither raise nor clear."""
    return Finding(
        rule=rule,
        verdict=Verdict.UNKNOWN,
        since_ms=signal.latest_ms if len(signal.series) else situation.now_ms,
        position=position,
        headline=f"{situation.name}: nothing is known of the {POSITION_WORDS[position]}; {signal.why}",
        evidence=signal.evidence,
    )
