"""All rules, and what each is made of."""

from collections.abc import Callable
from dataclasses import dataclass

from underlid.model import Finding, SubjectKind
from underlid.rules import (
    bin_freezing,
    feed_freezing,
    feed_hard_frozen,
    feed_heating,
    feed_thawed,
    nothing_heard,
    probe_battery,
    probe_silent,
    probe_suspect,
    too_cold,
    too_warm,
    too_wet,
    top_drying,
)
from underlid.rules.limits import Limits
from underlid.rules.situation import Situation


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule: what it judges, how, from what (in words), and the limits that it looks at besides its delays."""

    id: str
    applies_to: SubjectKind
    judge: Callable[[Situation], Finding]
    inputs: str
    limits: tuple[str, ...]
    pace_ms: int = 30 * 60_000  # how often a replay need judge it: what it judges hardly changes sooner

    @property
    def on_delay(self) -> str:
        return f"{self.id.replace('-', '_')}_on_delay_min"

    @property
    def off_delay(self) -> str:
        return f"{self.id.replace('-', '_')}_off_delay_min"

    @property
    def reads(self) -> frozenset[str]:
        """The names of all limits that can change what it says, or when."""
        return frozenset((*self.limits, self.on_delay, self.off_delay))

    def on_delay_ms(self, limits: Limits) -> int:
        return limits.minutes_ms(self.on_delay)

    def off_delay_ms(self, limits: Limits) -> int:
        return limits.minutes_ms(self.off_delay)


_SLOW_MS = 120 * 60_000
_WORK = ("settle_h", "lid_open_h")  # what keeps a rule quiet after work on a bin
_MASS = ("bedding_dry_density_kg_m3", "moist_target_pct_wb")

RULES: tuple[Rule, ...] = (
    Rule(
        top_drying.RULE,
        SubjectKind.BIN,
        top_drying.judge,
        top_drying.INPUTS,
        (
            "moist_low_pct_wb",
            "moist_danger_low_pct_wb",
            "moist_deadband_pct",
            "drying_horizon_h",
            "top_layer_m",
            *_MASS,
            *_WORK,
        ),
    ),
    Rule(
        too_wet.RULE,
        SubjectKind.BIN,
        too_wet.judge,
        too_wet.INPUTS,
        ("moist_high_pct_wb", "moist_deadband_pct", "bedding_pct_wb", "too_wet_turn_h", *_MASS, *_WORK),
    ),
    Rule(
        feed_heating.RULE,
        SubjectKind.BIN,
        feed_heating.judge,
        feed_heating.INPUTS,
        (
            "pocket_high_c",
            "pocket_rate_c_per_h",
            "heating_horizon_h",
            "cooling_per_h",
            "temp_high_c",
            "temp_deadband_c",
            *_WORK,
        ),
    ),
    Rule(
        too_warm.RULE,
        SubjectKind.BIN,
        too_warm.judge,
        too_warm.INPUTS,
        ("temp_high_c", "temp_danger_high_c", "temp_deadband_c", *_MASS, *_WORK),
    ),
    Rule(
        too_cold.RULE,
        SubjectKind.BIN,
        too_cold.judge,
        too_cold.INPUTS,
        ("temp_low_c", "temp_deadband_c", *_WORK),
    ),
    Rule(
        bin_freezing.RULE,
        SubjectKind.BIN,
        bin_freezing.judge,
        bin_freezing.INPUTS,
        ("freeze_c", "bin_freezing_horizon_h", "temp_deadband_c"),
    ),
    Rule(
        feed_freezing.RULE,
        SubjectKind.FEED_STORE,
        feed_freezing.judge,
        feed_freezing.INPUTS,
        ("freeze_c", "freezing_horizon_h", "feed_room_c", "feed_next_h", "temp_deadband_c"),
        _SLOW_MS,
    ),
    Rule(
        feed_hard_frozen.RULE,
        SubjectKind.FEED_STORE,
        feed_hard_frozen.judge,
        feed_hard_frozen.INPUTS,
        ("hard_frozen_h",),
        _SLOW_MS,
    ),
    Rule(
        feed_thawed.RULE,
        SubjectKind.FEED_STORE,
        feed_thawed.judge,
        feed_thawed.INPUTS,
        ("freeze_c", "thawed_told_h"),
        _SLOW_MS,
    ),
    Rule(probe_silent.RULE, SubjectKind.PROBE, probe_silent.judge, probe_silent.INPUTS, ("probe_silent_h",)),
    Rule(
        probe_battery.RULE,
        SubjectKind.PROBE,
        probe_battery.judge,
        probe_battery.INPUTS,
        ("battery_low_v", "battery_empty_v", "battery_low_pct", "battery_deadband_v"),
        _SLOW_MS,
    ),
    Rule(probe_suspect.RULE, SubjectKind.PROBE, probe_suspect.judge, probe_suspect.INPUTS, (), _SLOW_MS),
    Rule(
        nothing_heard.RULE, SubjectKind.FARM, nothing_heard.judge, nothing_heard.INPUTS, ("probe_silent_h",)
    ),
)


def rules_for(kind: SubjectKind) -> tuple[Rule, ...]:
    return tuple(rule for rule in RULES if rule.applies_to is kind)
