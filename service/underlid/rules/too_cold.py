"""`too-cold`: the core is colder than the species stands, or works in; wrap or move it, and feed little."""

from underlid.model import Bin, Finding, Position, Priority, Quantity, Verdict
from underlid.rules.handling import disturbed, settled_ms
from underlid.rules.level import below
from underlid.rules.signals import first_good, hours_where
from underlid.rules.situation import Situation
from underlid.rules.words import degrees, hours, unknown

RULE = "too-cold"
INPUTS = "temperature in the core, else at the base or the top"
HEATER_CAUTION = (
    "Mains heat near damp bedding: only a heater made for wet places, with a thermostat and a "
    "residual-current device, connected as local rules say or by a licensed electrician."
)
_LAYERS = (Position.CORE, Position.BASE, Position.TOP)


def judge(situation: Situation) -> Finding:
    core = first_good(situation, _LAYERS, Quantity.TEMPERATURE)
    if not core.good:
        return unknown(RULE, situation, Position.CORE, core)
    limits = situation.limits
    limit, deadband = limits["temp_low_c"], limits["temp_deadband_c"]
    level = below(core, limit, deadband, situation.active.get(RULE, False))
    headline = f"{situation.name} is at {degrees(core.value)}"
    if not level.holds:
        return Finding(
            rule=RULE,
            verdict=Verdict.CLEAR,
            since_ms=level.since_ms,
            position=Position.CORE,
            value=core.value,
            limit=limit,
            unit="Cel",
            headline=f"{headline}, not too cold",
            evidence=core.evidence,
        )
    assert isinstance(situation.thing, Bin)
    why = disturbed(situation)
    outside_h = hours_where(core, core.series.value < limit)
    return Finding(
        rule=RULE,
        verdict=Verdict.UNKNOWN if why else Verdict.HOLDS,
        since_ms=max(level.since_ms, settled_ms(situation)),
        priority=Priority.TODAY if core.value < limit - 2.0 else Priority.ROUND,
        position=Position.CORE,
        value=core.value,
        limit=limit,
        unit="Cel",
        headline=f"{headline}; {why}" if why else f"{headline} — too cold, {hours(outside_h)} in a week",
        advice=f"Wrap it or move it to where it is above {degrees(limit + deadband)}. Do not feed it.",
        caution=HEATER_CAUTION,
        amounts={"outside_h": outside_h},
        evidence=core.evidence,
    )
