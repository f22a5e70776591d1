"""Rule tests as data: series, log and people's steps in, findings and transitions at times expected.

A scenario is one YAML document:

    name: a sentence that says what must be so
    rule: top-drying
    subject: {name: Alder, depth_m: 0.3}        # over the usual bin; a tub or a probe for their rules
    limits: {moist_low_pct_wb: 65}              # own limits of the subject
    series:
      top moisture: 75 for 6h; 75 to 60 over 30h; silent for 3h; 58 for 6h
      air temperature: {is: 20 for 45h, every: 30min, noise: 0.2, steps: 0.1}
      top moisture 2: 80 for 45h                # a second probe at the same position
    late: [{series: top moisture, from: 10h, to: 14h, arrives: 20h}]
    log: [{at: 20h, kind: fed, amount_kg: 1.2, what: grounds}]
    others: [20 for 30h, 20 for 45h]            # what other probes said, for rules that ask who is heard at all
    people: [{at: 40h, do: acknowledge}]        # or shelve (until, reason), unshelve, ...
    judged: 30min                               # how often; what time alone changes is not missed
    down: [{from: 30h, to: 33h}]                # the service is not running, then starts from what is stored
    findings: [{at: 30h, verdict: holds, eta_h: 4..9, headline: too dry, amounts: {water_l: 2.4}}]
    transitions: [{at: 26h..32h, cause: raised}]

`heats 20 to 38 in 12h for 60h` is what a feeding does: b + (p - b) (u exp(1 - u))^2 with u in units of
the time to the peak: slow at first while the microbes grow, then steep, then a long tail.

Times are hours, minutes or days from the start: `90min`, `30h`, `1d 6h`; a range is `26h..32h`. Transitions
are all that may happen, in order. Words are looked for in the text; amounts must agree to 2 %.
"""

import json
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import yaml

from underlid.model import (
    Alarm,
    AlarmState,
    Bin,
    Farm,
    FeedStore,
    Finding,
    LogEntry,
    Place,
    Position,
    Priority,
    Probe,
    Quantity,
    Series,
    Subject,
    SubjectKind,
    Transition,
    Verdict,
)
from underlid.rules import life
from underlid.rules.catalogue import RULES
from underlid.rules.limits import Limits, effective_limits
from underlid.rules.situation import LOOK_BACK_H, Sensor, Situation, Times

MIN_MS, HOUR_MS = 60_000, 3_600_000
START_MS = 1_763_965_800_000  # 2025-11-24T06:30Z
UNITS = {Quantity.MOISTURE: "%", Quantity.TEMPERATURE: "Cel", Quantity.HUMIDITY: "%RH", Quantity.BATTERY: "V"}
SHED = Place("shed", "Lean-to", outdoors=True)
ALDER = Bin("alder", "Alder", "shed", "eisenia-fetida", 0.6, 0.4, 0.3, 0.4, 0)
SUBJECT = Subject(SubjectKind.BIN, "alder")
PROBE = Probe("alder-1", "Probe alder-1", START_MS)
FARM = Farm("Walled garden", "Europe/Vienna")
TUB = FeedStore("north-tub", "North tub", "shed", 0.3, 0.35)
_PART = re.compile(r"([\d.]+)\s*(d|h|min)")


def ms(text: str) -> int:
    """'1d 6h' -> milliseconds."""
    parts = _PART.findall(text)
    assert parts, f"no time: {text!r}"
    assert not _PART.sub("", text).strip(), f"no time: {text!r}"
    return round(sum(float(n) * {"d": 24 * HOUR_MS, "h": HOUR_MS, "min": MIN_MS}[unit] for n, unit in parts))


def between(text: str | float, convert: Any = float) -> tuple[float, float]:
    """'26h..32h' -> both ends; a single one is both."""
    low, _, high = str(text).partition("..")
    return convert(low), convert(high or low)


def series(spec: str | Mapping[str, Any], seed: int) -> Series:
    """Readings from the notation, times in ms from the scenario's start."""
    given: dict[str, Any] = {}
    given.update({"is": spec} if isinstance(spec, str) else spec)
    every = ms(given.get("every", "10min"))
    corners: list[tuple[float, float]] = []
    holes: list[tuple[int, int]] = []
    clock = 0
    for part in str(given["is"]).split(";"):
        words = part.split()
        match words:
            case ["silent", "for", *span]:
                end = clock + ms(" ".join(span))
                holes.append((clock, end))
            case [level, "for", *span]:
                end = clock + ms(" ".join(span))
                corners += [(clock, float(level)), (end - 1, float(level))]
            case [first, "to", last, "over", *span]:
                end = clock + ms(" ".join(span))
                corners += [(clock, float(first)), (end - 1, float(last))]
            case ["heats", base, "to", peak, "in", rise, "for", *span]:
                end = clock + ms(" ".join(span))
                u = np.linspace(0.0, (end - clock) / ms(rise), 200)
                heat = float(base) + (float(peak) - float(base)) * (u * np.exp(1.0 - u)) ** 2
                corners += zip((clock + u * ms(rise)).tolist(), heat.tolist(), strict=True)
            case _:
                raise AssertionError(f"no series: {part!r}")
        clock = end
    time = np.arange(0, clock + 1, every, dtype=np.int64)
    value = np.interp(time, [t for t, _ in corners], [v for _, v in corners])
    value = value + np.random.default_rng(seed).normal(0.0, 1.0, len(time)) * given.get("noise", 0.0)
    if "steps" in given:
        value = np.asarray(np.round(value / given["steps"]) * given["steps"])
    for begin, end in holes:
        keep = (time < begin) | (time >= end)
        time, value = time[keep], value[keep]
    return Series(time + START_MS, value)


class Watched(Limits):
    """Limits that remember which were looked at."""

    def __init__(self, limits: Limits) -> None:
        super().__init__(limits.rows)
        object.__setattr__(self, "asked", set())

    asked: set[str]

    def __getitem__(self, name: str) -> float:
        self.asked.add(name)
        return super().__getitem__(name)


@dataclass(frozen=True)
class Channel:
    """A sensor with when each of its readings came in."""

    sensor: Sensor
    arrived_ms: np.ndarray[tuple[int], np.dtype[np.int64]]

    def known(self, now_ms: int) -> Sensor:
        seen = (self.arrived_ms <= now_ms) & (self.sensor.series.time_ms >= now_ms - LOOK_BACK_H * HOUR_MS)
        all_of_it = self.sensor.series
        return replace(self.sensor, series=Series(all_of_it.time_ms[seen], all_of_it.value[seen]))


class Run:
    """A scenario as it went: the finding at each moment, and all transitions.

    `shift_ms` moves all of it to another time of the year. With `restarts` nothing is left between two judgements but
    what is stored of the alarm.
    """

    def __init__(self, spec: Mapping[str, Any], shift_ms: int = 0, restarts: bool = False) -> None:
        self.spec = spec
        self.shift_ms = shift_ms
        self.restarts = restarts
        self.rule = next(rule for rule in RULES if rule.id == spec["rule"])
        things: dict[SubjectKind, Bin | FeedStore | Probe | Farm] = {
            SubjectKind.BIN: ALDER,
            SubjectKind.FEED_STORE: TUB,
            SubjectKind.PROBE: PROBE,
            SubjectKind.FARM: FARM,
        }
        self.thing = replace(things[self.rule.applies_to], **spec.get("subject", {}))
        own_id = "farm" if isinstance(self.thing, Farm) else self.thing.id
        self.subject = Subject(self.rule.applies_to, own_id)
        species = self.thing.species if isinstance(self.thing, Bin) else None
        self.limits = Watched(effective_limits(species, {}, {}, spec.get("limits", {})))
        self.channels = [
            self._channel(number, key, value)
            for number, (key, value) in enumerate(spec.get("series", {}).items(), 1)
        ]
        self.others = [series(value, number) for number, value in enumerate(spec.get("others", ()), 50)]
        self.log = [
            LogEntry(
                number,
                START_MS + ms(entry["at"]),
                self.subject,
                **{k: v for k, v in entry.items() if k != "at"},
            )
            for number, entry in enumerate(spec.get("log", ()), 1)
        ]
        self.alarm = Alarm(1, self.subject, self.rule.id)
        self.transitions: list[Transition] = []
        self.findings: dict[int, Finding] = {}
        self._go()

    def _channel(self, number: int, key: str, value: Any) -> Channel:
        position, quantity, *_ = key.split()
        unit = UNITS[Quantity(quantity)]
        all_of_it = series(value, number)
        arrived = all_of_it.time_ms.copy()
        for late in self.spec.get("late", ()):
            if late["series"] == key:
                begin, end = START_MS + ms(late["from"]), START_MS + ms(late["to"])
                arrived[(arrived >= begin) & (arrived < end)] = START_MS + ms(late["arrives"])
        return Channel(Sensor(number, Position(position), Quantity(quantity), unit, all_of_it), arrived)

    def situation(self, now_ms: int) -> Situation:
        known = [channel.known(now_ms) for channel in self.channels]
        return Situation(
            subject=self.subject,
            name=self.thing.name,
            now_ms=now_ms,
            place=None if isinstance(self.thing, Probe | Farm) else SHED,
            thing=self.thing,
            limits=self.limits,
            sensors=[s for s in known if s.position is not Position.AIR],
            air=[s for s in known if s.position is Position.AIR],
            log=[entry for entry in self.log if entry.at_ms <= now_ms],
            others=len(self.others),
            others_heard=lambda from_ms: self._heard(from_ms, now_ms),
            active={self.rule.id: life.is_up(self.alarm)},
        )

    def _heard(self, from_ms: int, now_ms: int) -> Times:
        times = [one.since(from_ms).until(now_ms).time_ms for one in self.others]
        return np.unique(np.concatenate(times))

    def _go(self) -> None:
        """Judge every so often, at what is asked for, and when time alone changes something."""
        said = [c.arrived_ms for c in self.channels] + [one.time_ms for one in self.others]
        end_ms = max(int(times.max()) for times in said) + MIN_MS
        end_ms = max([end_ms, *(START_MS + ms(f["at"]) for f in self.spec.get("findings", ()))])
        moments = {START_MS + ms(f["at"]) for f in self.spec.get("findings", ())}
        every_ms = ms(self.spec.get("judged", "30min"))
        moments |= set(range(START_MS + 2 * HOUR_MS, end_ms + 1, every_ms))
        people = {START_MS + ms(act["at"]): act for act in self.spec.get("people", ())}
        todo = sorted(moments | set(people))
        while todo:
            now_ms = todo.pop(0)
            if now_ms in people:
                self._act(people[now_ms], now_ms)
            if self._is_down(now_ms):
                continue
            finding = self._judge(now_ms)
            self.findings[now_ms] = finding
            if self.restarts:
                self.alarm = stored_and_loaded(self.alarm)
            on_ms, off_ms = self.rule.on_delay_ms(self.limits), self.rule.off_delay_ms(self.limits)
            self.alarm, steps = life.advance(self.alarm, finding, now_ms, on_ms, off_ms)
            self.transitions.extend(steps)
            due_ms = life.next_due_ms(self.alarm, now_ms, on_ms, off_ms)
            if due_ms is not None and (not todo or due_ms < todo[0]) and due_ms <= end_ms:
                todo.insert(0, due_ms)

    def _judge(self, now_ms: int) -> Finding:
        """What the rule says, its situation moved to the other time of the year and its finding back."""
        found = self.rule.judge(shifted(self.situation(now_ms), self.shift_ms))
        return replace(found, since_ms=found.since_ms - self.shift_ms)

    def _is_down(self, now_ms: int) -> bool:
        return any(
            START_MS + ms(d["from"]) <= now_ms < START_MS + ms(d["to"]) for d in self.spec.get("down", ())
        )

    def _act(self, act: Mapping[str, Any], now_ms: int) -> None:
        match act["do"]:
            case "acknowledge":
                self.alarm, steps = life.acknowledge(self.alarm, now_ms, "Keeper")
            case "shelve":
                until_ms = START_MS + ms(act["until"])
                self.alarm, steps = life.shelve(self.alarm, now_ms, until_ms, act["reason"], "Keeper")
            case "unshelve":
                self.alarm, steps = life.unshelve(self.alarm, now_ms, "Keeper")
            case other:
                raise AssertionError(f"nobody can {other!r}")
        self.transitions.extend(steps)


def shifted(situation: Situation, shift_ms: int) -> Situation:
    """The same at another time."""

    def moved(sensors: Iterable[Sensor]) -> list[Sensor]:
        return [replace(s, series=Series(s.series.time_ms + shift_ms, s.series.value)) for s in sensors]

    thing = situation.thing
    if isinstance(thing, Probe):
        thing = replace(thing, first_seen_ms=thing.first_seen_ms + shift_ms)
    return replace(
        situation,
        now_ms=situation.now_ms + shift_ms,
        thing=thing,
        sensors=moved(situation.sensors),
        air=moved(situation.air),
        log=[replace(entry, at_ms=entry.at_ms + shift_ms) for entry in situation.log],
        others_heard=lambda from_ms: situation.others_heard(from_ms - shift_ms) + shift_ms,
    )


def stored_and_loaded(alarm: Alarm) -> Alarm:
    """What a restart does: nothing is left but what was written down."""
    kept: dict[str, Any] = json.loads(json.dumps(asdict(alarm)))
    subject = Subject(SubjectKind(kept["subject"]["kind"]), kept["subject"]["id"])
    finding = kept.pop("finding")
    if finding is not None:
        finding["verdict"], finding["priority"] = Verdict(finding["verdict"]), Priority(finding["priority"])
        finding["position"] = Position(finding["position"]) if finding["position"] else None
        finding["evidence"] = tuple(tuple(e) for e in finding["evidence"])
        finding = Finding(**finding)
    return Alarm(**{**kept, "subject": subject, "state": AlarmState(kept["state"]), "finding": finding})


def complaints(spec: Mapping[str, Any], shift_ms: int = 0, restarts: bool = False) -> list[str]:
    """Run a scenario; what is not as it says, in words."""
    run = Run(spec, shift_ms, restarts)
    found: list[str] = []
    if unnamed := run.limits.asked - run.rule.reads:  # a replay and the preview of a limit go by the names
        found.append(f"{run.rule.id} looks at {unnamed}, which the catalogue does not name")
    for expected in spec.get("findings", ()):
        found += _finding_complaints(expected, run.findings[START_MS + ms(expected["at"])])
    expected_steps = spec.get("transitions", [])
    told = [f"{_clock(step.at_ms)} {step.cause}{_forecast(step)}" for step in run.transitions]
    if len(expected_steps) != len(run.transitions):
        return [*found, f"expected {len(expected_steps)} transitions, got {told}"]
    for expected, step in zip(expected_steps, run.transitions, strict=True):
        low, high = between(expected["at"], ms)
        actual = {
            "cause": step.cause,
            "before": step.before.value,
            "after": step.after.value,
            "forecast": step.alarm.finding.forecast if step.alarm.finding else None,
            "priority": step.alarm.finding.priority.value if step.alarm.finding else None,
        }
        wrong = {k: v for k, v in expected.items() if k != "at" and actual[k] != v}
        if wrong or not low <= step.at_ms - START_MS <= high:
            found.append(f"expected {expected}, got {_clock(step.at_ms)} {actual}; all: {told}")
    return found


def _finding_complaints(expected: Mapping[str, Any], finding: Finding) -> Iterable[str]:
    for name, wanted in expected.items():
        if name == "at":
            continue
        actual: Any = getattr(finding, "since_ms" if name == "since" else name)
        if name in ("headline", "advice", "caution"):
            good = all(words in actual for words in ([wanted] if isinstance(wanted, str) else wanted))
        elif name == "amounts":
            good = all(k in actual and math.isclose(actual[k], v, rel_tol=0.02) for k, v in wanted.items())
        elif name == "since":
            low, high = between(wanted, ms)
            good, actual = low <= finding.since_ms - START_MS <= high, _clock(finding.since_ms)
        elif name in ("value", "eta_h", "eta_low_h", "eta_high_h", "limit"):
            low, high = between(wanted)
            good = actual is not None and low <= actual <= high
        else:
            good = (actual.value if hasattr(actual, "value") else actual) == wanted
        if not good:
            yield f"at {expected['at']}: {name} should be {wanted!r}, is {actual!r} ({finding.headline})"


def _clock(time_ms: int) -> str:
    return f"{(time_ms - START_MS) / HOUR_MS:.2f}h"


def _forecast(step: Transition) -> str:
    return " (forecast)" if step.alarm.finding is not None and step.alarm.finding.forecast else ""


def scenarios() -> list[tuple[str, Mapping[str, Any]]]:
    """All scenarios: file and name, and what is in them."""
    found: list[tuple[str, Mapping[str, Any]]] = []
    for path in sorted(Path(__file__).with_name("scenarios").glob("*.yaml")):
        found += [(f"{path.stem}: {spec['name']}", spec) for spec in yaml.safe_load_all(path.read_text())]
    return found
