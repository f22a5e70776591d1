"""`too-wet`: a layer holds more water than worms and air can share; add dry bedding, air it, drain it."""

from underlid.model import Bin, Finding, Position, Priority, Quantity, Verdict
from underlid.rules.bedding import mass_kg
from underlid.rules.handling import disturbed, hours_ago, last_entry, settled_ms
from underlid.rules.level import above
from underlid.rules.signals import signal
from underlid.rules.situation import Situation
from underlid.rules.words import POSITION_WORDS, amount, hours, unknown
from underlid.science.moisture import bedding_to_add_kg

RULE = "too-wet"
INPUTS = "moisture at the top, core and base, temperature in the core, turning in the log"
_LAYERS = (Position.TOP, Position.CORE, Position.BASE)
_WARM_C = 25.0  # warm and wet rots without air sooner (common practice, no source)


def judge(situation: Situation) -> Finding:
    signals = {position: signal(situation, position, Quantity.MOISTURE) for position in _LAYERS}
    good = {position: one for position, one in signals.items() if one.good}
    if not good:
        known = [p for p in _LAYERS if signals[p].evidence]
        where = known[0] if known else Position.CORE
        return unknown(RULE, situation, where, signals[where])
    limits = situation.limits
    limit = limits["moist_high_pct_wb"]
    position = max(good, key=lambda p: good[p].value)
    wettest = good[position]
    active = situation.active.get(RULE, False)
    level = above(wettest, limit, limits["moist_deadband_pct"], active)
    headline = f"{situation.name}: {POSITION_WORDS[position]} is {wettest.value:.0f} %"
    if not level.holds:
        return Finding(
            rule=RULE,
            verdict=Verdict.CLEAR,
            since_ms=level.since_ms,
            position=position,
            value=wettest.value,
            limit=limit,
            unit="%",
            headline=f"{headline}, not too wet",
            evidence=wettest.evidence,
        )
    why = disturbed(situation)
    advice, amounts = _advice(situation, position, wettest.value)
    return Finding(
        rule=RULE,
        verdict=Verdict.UNKNOWN if why else Verdict.HOLDS,
        since_ms=max(level.since_ms, settled_ms(situation)),
        priority=_priority(situation),
        position=position,
        value=wettest.value,
        limit=limit,
        unit="%",
        headline=f"{headline}; {why}" if why else f"{headline} — too wet",
        advice=advice,
        caution="Drained liquid is full of bacteria: wear gloves, and keep it off what is eaten raw.",
        amounts=amounts,
        evidence=wettest.evidence,
    )


def _priority(situation: Situation) -> Priority:
    """Wet bedding runs out of air; sooner when it is warm or has long not been turned."""
    core = signal(situation, Position.CORE, Quantity.TEMPERATURE)
    turned = last_entry(situation, "turned", "bedding", "split")
    unturned = turned is None or hours_ago(situation, turned.at_ms) > situation.limits["too_wet_turn_h"]
    warm = core.good and core.value > _WARM_C
    return Priority.TODAY if warm or unturned else Priority.ROUND


def _advice(situation: Situation, position: Position, pct_wb: float) -> tuple[str, dict[str, float]]:
    bin_, limits = situation.thing, situation.limits
    assert isinstance(bin_, Bin)
    target, bedding = limits["moist_target_pct_wb"], limits["bedding_pct_wb"]
    layer_kg = mass_kg(situation, bin_.depth_m / 3.0, pct_wb)
    dry_kg = float(bedding_to_add_kg(layer_kg, pct_wb, target, min(bedding, target - 5.0)))
    parts = [f"Mix {amount(dry_kg)} kg of torn cardboard into the {POSITION_WORDS[position]}"]
    if position is Position.BASE:
        parts.append("open the drain and let it run off first")
    else:
        parts.append("leave the lid ajar for a day")
    turned = last_entry(situation, "turned")
    ago = f"; it was last turned {hours(hours_ago(situation, turned.at_ms))} ago" if turned else ""
    return f"{' and '.join(parts)}{ago}. No wet feed until it is drier.", {"bedding_kg": dry_kg}
