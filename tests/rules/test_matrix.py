"""Every rule of a level through the same trials, and every scenario across a clock change and with restarts.

What each of the trials expects is worked out from the rule's limit, delay and deadband alone.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import pytest

from underlid.rules.catalogue import RULES

from .scenario import START_MS, complaints, scenarios

SCENARIOS = scenarios()
# Clocks go forward on 29 March 2026 at 01:00 UTC and back on 25 October, in all of the EU (Directive 2000/84/EC).
CLOCK_CHANGES = {
    name: round(datetime(2026, *day, tzinfo=UTC).timestamp() * 1000) - START_MS
    for name, day in (("forward", (3, 28, 9)), ("back", (10, 24, 9)))
}


@dataclass(frozen=True)
class Trial:
    """A rule's one signal: calm, just inside its limit, at it and beyond it. `delays` in minutes: on, off."""

    rule: str
    series: str
    calm: float
    inside: float
    limit: float
    beyond: float
    noise: float
    delays: tuple[int, int]


TRIALS = (
    Trial("top-drying", "top moisture", 76, 66.5, 65, 62, 0.3, (30, 30)),
    Trial("too-wet", "core moisture", 78, 87.0, 88, 91, 0.3, (120, 60)),
    Trial("feed-heating", "pocket temperature", 20, 33.5, 35, 37, 0.2, (15, 60)),
    Trial("too-warm", "core temperature", 20, 29.0, 30, 32, 0.2, (30, 60)),
    Trial("too-cold", "core temperature", 12, 5.0, 4, 2, 0.2, (60, 60)),
    Trial("bin-freezing", "core temperature", 6, 1.0, 0, -2, 0.2, (30, 60)),
    Trial("probe-battery", "top battery", 3.9, 3.53, 3.5, 3.45, 0.005, (60, 60)),
)
IDS = [trial.rule for trial in TRIALS]


def spec(trial: Trial, levels: str, **more: object) -> Mapping[str, Any]:
    return {
        "name": trial.rule,
        "rule": trial.rule,
        "series": {trial.series: levels},
        "judged": "10min",
        **more,
    }


def hours(minutes: int, slack: int = 40) -> str:
    """A time after 24h, give or take a judgement and a reading."""
    return f"24h {minutes}min..24h {minutes + slack}min"


def raised(trial: Trial) -> dict[str, str]:
    return {"at": hours(trial.delays[0]), "cause": "raised"}


def noisy(trial: Trial, levels: str) -> Mapping[str, Any]:
    noise = {"is": levels, "noise": trial.noise}
    return {"name": trial.rule, "rule": trial.rule, "series": {trial.series: noise}}


@pytest.mark.parametrize("trial", TRIALS, ids=IDS)
def test_quiet_and_just_inside_the_limit_say_nothing(trial: Trial) -> None:
    assert complaints(noisy(trial, f"{trial.calm} for 60h")) == []
    assert complaints(noisy(trial, f"{trial.inside} for 60h")) == []


@pytest.mark.parametrize("trial", TRIALS, ids=IDS)
def test_crossing_is_raised_after_the_on_delay_and_over_after_the_off_delay(trial: Trial) -> None:
    after = 36 * 60 + trial.delays[1]
    over = {"at": f"{after}min..{after + 40}min", "cause": "returned"}
    levels = f"{trial.calm} for 24h; {trial.beyond} for 12h; {trial.calm} for 12h"
    assert complaints(spec(trial, levels, transitions=[raised(trial), over])) == []


@pytest.mark.parametrize("trial", TRIALS, ids=IDS)
def test_hovering_at_the_limit_with_noise_is_one_alarm(trial: Trial) -> None:
    past = trial.limit + (trial.beyond - trial.limit) * 0.1
    hovering = noisy(trial, f"{trial.calm} for 24h; {past} for 72h")
    assert complaints({**hovering, "transitions": [{"at": "24h..60h", "cause": "raised"}]}) == []


@pytest.mark.parametrize("trial", TRIALS, ids=IDS)
def test_missing_data_neither_raise_nor_clear(trial: Trial) -> None:
    levels = f"{trial.calm} for 24h; {trial.beyond} for 6h; silent for 12h; {trial.calm} for 12h"
    after = 42 * 60 + trial.delays[1]
    over = {"at": f"{after}min..{after + 40}min", "cause": "returned"}
    assert complaints(spec(trial, levels, transitions=[raised(trial), over])) == []
    never = f"{trial.calm} for 24h; silent for 12h; {trial.calm} for 12h"
    assert complaints(spec(trial, never)) == []


@pytest.mark.parametrize("trial", TRIALS, ids=IDS)
def test_late_data_and_a_backlog_are_judged_by_their_own_times(trial: Trial) -> None:
    levels = f"{trial.calm} for 24h; {trial.beyond} for 24h"
    late = [{"series": trial.series, "from": "28h", "to": "32h", "arrives": "32h"}]
    assert complaints(spec(trial, levels, late=late, transitions=[raised(trial)])) == []
    backlog = [{"series": trial.series, "from": "20h", "to": "40h", "arrives": "40h"}]
    at_once = [{"at": "40h..40h 20min", "cause": "raised"}]
    assert complaints(spec(trial, levels, late=backlog, transitions=at_once)) == []
    over = f"{trial.calm} for 24h; {trial.beyond} for 6h; {trial.calm} for 18h"
    assert complaints(spec(trial, over, late=backlog)) == []


@pytest.mark.parametrize("trial", TRIALS, ids=IDS)
def test_an_alarm_whose_delay_ends_while_the_service_is_down_is_raised_at_its_start(trial: Trial) -> None:
    levels = f"{trial.calm} for 24h; {trial.beyond} for 24h"
    down = [{"from": "24h 10min", "to": "30h"}]
    at_once = [{"at": "30h..30h 10min", "cause": "raised"}]
    assert complaints(spec(trial, levels, down=down, transitions=at_once)) == []


@pytest.mark.parametrize("trial", TRIALS, ids=IDS)
def test_a_moved_probe_counts_from_when_it_sits_there(trial: Trial) -> None:
    # Of a probe that is placed at 24h the rules see nothing before; it waits its delay there as anywhere.
    levels = f"silent for 24h; {trial.beyond} for 12h"
    assert complaints(spec(trial, levels, transitions=[raised(trial)])) == []


@pytest.mark.parametrize("change", CLOCK_CHANGES)
@pytest.mark.parametrize(("_name", "spec_"), SCENARIOS, ids=[name for name, _ in SCENARIOS])
def test_a_clock_change_and_restarts_at_every_moment_change_nothing(
    _name: str, spec_: Mapping[str, Any], change: str
) -> None:
    assert complaints(spec_, CLOCK_CHANGES[change], restarts=True) == []


def test_there_are_sixty_scenarios_and_every_rule_has_some() -> None:
    assert len(SCENARIOS) >= 60
    assert {spec_["rule"] for _, spec_ in SCENARIOS} == {rule.id for rule in RULES}
