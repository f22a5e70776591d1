"""`too-warm`: the bedding itself, not just a pocket, is warmer than the species stands; cool it."""

from underlid.model import Bin, Finding, Position, Priority, Quantity, Verdict
from underlid.rules.bedding import mass_kg
from underlid.rules.handling import disturbed, settled_ms
from underlid.rules.level import above
from underlid.rules.signals import first_good, hours_where, signal
from underlid.rules.situation import Situation
from underlid.rules.words import POSITION_WORDS, amount, degrees, hours, unknown

RULE = "too-warm"
INPUTS = "temperature at the top, core and base"
_LAYERS = (Position.CORE, Position.TOP, Position.BASE)
_BELOW_C = 2.0  # it is cooled to this far below the limit
_MELTING_KJ_KG, _WATER_KJ_KGK, _SOLIDS_KJ_KGK = (
    334.0,
    4.19,
    0.84,
)  # Earle & Earle, Unit Operations, appendix 7


def judge(situation: Situation) -> Finding:
    good = {p: s for p in _LAYERS if (s := signal(situation, p, Quantity.TEMPERATURE)).good}
    if not good:
        return unknown(RULE, situation, Position.CORE, first_good(situation, _LAYERS, Quantity.TEMPERATURE))
    limits = situation.limits
    limit, deadband = limits["temp_high_c"], limits["temp_deadband_c"]
    position = max(good, key=lambda p: good[p].value)
    warmest = good[position]
    level = above(warmest, limit, deadband, situation.active.get(RULE, False))
    where = POSITION_WORDS[position]
    headline = f"{situation.name}: {where} is at {degrees(warmest.value)}"
    if not level.holds:
        return Finding(
            rule=RULE,
            verdict=Verdict.CLEAR,
            since_ms=level.since_ms,
            position=position,
            value=warmest.value,
            limit=limit,
            unit="Cel",
            headline=f"{headline}, not too warm",
            evidence=warmest.evidence,
        )
    why = disturbed(situation)
    outside_h = hours_where(warmest, warmest.series.value > limit)
    ice_kg = _ice_kg(situation, warmest.value, limit - _BELOW_C)
    return Finding(
        rule=RULE,
        verdict=Verdict.UNKNOWN if why else Verdict.HOLDS,
        since_ms=max(level.since_ms, settled_ms(situation)),
        priority=Priority.URGENT if warmest.value > limits["temp_danger_high_c"] else Priority.TODAY,
        position=position,
        value=warmest.value,
        limit=limit,
        unit="Cel",
        headline=f"{headline}; {why}" if why else f"{headline} — too warm, {hours(outside_h)} in a week",
        advice=(
            f"Shade and air it, open the lid, and lay {amount(ice_kg)} L of frozen bottles on top: that "
            f"takes it to {degrees(limit - _BELOW_C)}. No feed until it is cooler."
        ),
        caution="Above 45 °C in a worm bin, suspect the sensor, or open it with care: the worms may be dead.",
        amounts={"ice_kg": ice_kg, "outside_h": outside_h},
        evidence=warmest.evidence,
    )


def _ice_kg(situation: Situation, now_c: float, to_c: float) -> float:
    """Ice that takes up the heat between the two temperatures as it melts and warms: an energy balance."""
    bin_ = situation.thing
    assert isinstance(bin_, Bin)
    wet = first_good(situation, _LAYERS, Quantity.MOISTURE)
    pct_wb = wet.value if wet.good else situation.limits["moist_target_pct_wb"]
    share = pct_wb / 100.0
    heat_kj_kgk = _WATER_KJ_KGK * share + _SOLIDS_KJ_KGK * (1.0 - share)
    heat_kj = mass_kg(situation, bin_.depth_m, pct_wb) * heat_kj_kgk * (now_c - to_c)
    return heat_kj / (_MELTING_KJ_KG + _WATER_KJ_KGK * to_c)
