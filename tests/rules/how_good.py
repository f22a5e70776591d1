"""How good the rules are on simulated bins: what was announced, how early, and what was said for nothing.

    python -m tests.rules.how_good [--rule drying] [--bins 70] [--tubs 24] [--days 21] [--seed 7] [--jobs 2]

The bins are those of `tests/bins`, the tubs and the outdoor bins those of `tests/tubs` in real winters; their physics
share nothing with the package. A dangerous event is the true state crossing the rule's limit for an hour or more.
It counts as announced when the alarm was up by an hour after the crossing; its lead is from raising to crossing. An
alarm is false when the true state came nowhere near the limit (1 % or 1 C) from its raising to a day and a half after
it, and the keeper did nothing that would have turned it. Chattering is three raisings in ten minutes or less; the most
raisings in any day are told beside it, since an alarm is judged here every half hour (a tub every hour).
"""

import argparse
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray
from tests.bins import BinRun, simulate
from tests.tubs import weather
from tests.tubs.bin import any_bin, temperatures
from tests.tubs.physics import Tub
from tests.tubs.physics import simulate as simulate_tubs
from tests.tubs.probes import readings as tub_readings

from underlid.model import (
    Alarm,
    Bin,
    FeedStore,
    LogEntry,
    Place,
    Position,
    Quantity,
    Series,
    Subject,
    SubjectKind,
)
from underlid.rules import life
from underlid.rules.catalogue import RULES, Rule
from underlid.rules.limits import Limits, effective_limits
from underlid.rules.performance import CHATTER, CHATTER_MS
from underlid.rules.situation import LOOK_BACK_H, Sensor, Situation

HOUR_MS = 3_600_000
SUBJECT = Subject(SubjectKind.BIN, "alder")
SHED = Place("shed", "Potting shed", outdoors=False)
RULE = {rule.id: rule for rule in RULES}
Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
ALDER = Bin("alder", "Alder", "shed", "eisenia-fetida", 0.6, 0.4, 0.3, 0.4, 0)
QUANTITIES = {
    "temp": (Quantity.TEMPERATURE, "Cel"),
    "moist": (Quantity.MOISTURE, "%"),
    "rh": (Quantity.HUMIDITY, "%RH"),
}
# The simulated pockets peak at 20 to 32 C: the limit is set among their peaks, so that it is a question.
LIMITS = effective_limits("eisenia-fetida", own={"pocket_high_c": 26.0})
TUB_LIMITS = effective_limits(None)
FIRST_H = 24.0  # of a run: the rules have seen nothing before
WANTED_H = {"top-drying": 6.0, "feed-heating": 2.0, "feed-freezing": 3.0, "bin-freezing": 3.0}


@dataclass(frozen=True)
class Case:
    """One rule on one subject, and what was true: hours, where it was beyond, well back from, and near the limit."""

    name: str
    rule: Rule
    thing: Bin | FeedStore
    limits: Limits
    channels: Sequence[Sensor]
    log: Sequence[LogEntry]
    hours: Floats
    truth: tuple[Mask, Mask, Mask]
    acted_h: Floats  # when the keeper did what would have turned it
    every_ms: int = 30 * 60_000


@dataclass
class Spell:
    """One time that the alarm was up, in hours."""

    raised_h: float
    returned_h: float = np.inf


@dataclass(frozen=True)
class Tally:
    """What came of one case: events with their lead (NaN: not announced), and the alarms."""

    weeks: float
    leads_h: tuple[float, ...]
    raised_h: tuple[float, ...]
    false: int
    notes: tuple[str, ...]


def sensors(run: BinRun) -> list[Sensor]:
    found = []
    for number, ((position, name), series) in enumerate(run.probes.items(), 1):
        quantity, unit = QUANTITIES[name]
        time_ms = np.round(series.time_h * HOUR_MS).astype(np.int64)
        found.append(Sensor(number, Position(position), quantity, unit, Series(time_ms, series.value)))
    return found


def bin_log(run: BinRun) -> list[LogEntry]:
    return [
        LogEntry(
            number,
            round(event.time_h * HOUR_MS),
            SUBJECT,
            event.kind,  # type: ignore[arg-type]
            amount_kg=event.amount if event.kind == "fed" else None,
            amount_l=event.amount if event.kind == "wetted" else None,
            what=event.food,
        )
        for number, event in enumerate(run.log, 1)
    ]


def spells(case: Case) -> list[Spell]:
    """Judge again and again and give the times that the alarm was up."""
    subject = Subject(case.rule.applies_to, case.thing.id)
    alarm = Alarm(1, subject, case.rule.id)
    on_ms, off_ms = case.rule.on_delay_ms(case.limits), case.rule.off_delay_ms(case.limits)
    found: list[Spell] = []
    for now_ms in range(round(FIRST_H * HOUR_MS), round(case.hours[-1] * HOUR_MS), case.every_ms):
        since_ms = now_ms - LOOK_BACK_H * HOUR_MS
        known = [replace(c, series=c.series.until(now_ms).since(since_ms)) for c in case.channels]
        situation = Situation(
            subject, case.thing.name, now_ms, SHED, case.thing, case.limits,
            [s for s in known if s.position is not Position.AIR],
            [s for s in known if s.position is Position.AIR],
            [entry for entry in case.log if entry.at_ms <= now_ms],
            active={case.rule.id: life.is_up(alarm)},
        )  # fmt: skip
        alarm, steps = life.advance(alarm, case.rule.judge(situation), now_ms, on_ms, off_ms)
        for step in steps:
            if step.cause == "raised":
                found.append(Spell(now_ms / HOUR_MS))
            elif step.cause == "returned":
                found[-1].returned_h = now_ms / HOUR_MS
    return found


def crossings(time_h: Floats, beyond: Mask, back: Mask) -> list[float]:
    """Hours at which the true state went beyond for an hour or more, having been back before."""
    found = []
    armed = True
    i = 0
    while i < len(time_h):
        if beyond[i] and armed:
            end = i
            while end < len(time_h) and beyond[end]:
                end += 1
            if time_h[min(end, len(time_h) - 1)] - time_h[i] >= 1.0:
                found.append(float(time_h[i]))
                armed = False
            i = end
            continue
        armed = armed or bool(back[i])
        i += 1
    return [h for h in found if h > FIRST_H + 6.0]


def judged(make: Callable[[], Case]) -> Tally:
    """Count one subject's events and alarms."""
    case = make()
    up = spells(case)
    beyond, back, near = case.truth
    leads_h, notes = [], []
    for at in crossings(case.hours, beyond, back):
        heard = [s for s in up if s.raised_h <= at + 1.0 and s.returned_h >= at]
        leads_h.append(at - heard[-1].raised_h if heard else np.nan)
        if not leads_h[-1] >= WANTED_H[case.rule.id]:
            told = f"announced {leads_h[-1]:.1f} h before" if heard else "missed"
            notes.append(f"{case.name} at {at:.1f} h {told}")
    false = 0
    for spell in up:
        end = spell.raised_h + 36.0
        during = (case.hours >= spell.raised_h - 1.0) & (case.hours <= end)
        acted = np.any((case.acted_h >= spell.raised_h) & (case.acted_h <= end))
        if not near[during].any() and not acted and end < case.hours[-1]:
            false += 1
            notes.append(f"{case.name} false at {spell.raised_h:.1f} h")
    weeks = (float(case.hours[-1]) - FIRST_H) / 168.0
    return Tally(weeks, tuple(leads_h), tuple(s.raised_h for s in up), false, tuple(notes))


def drying(number: int, run: BinRun) -> Case:
    limit, wet = LIMITS["moist_low_pct_wb"], run.truth["top_pct_wb"]
    acted_h = np.concatenate([run.times_of(kind) for kind in ("wetted", "turned", "fed")])
    truth = (wet < limit, wet > limit + 3.0, wet < limit + 1.0)
    name = f"bin {number}"
    return Case(
        name, RULE["top-drying"], ALDER, LIMITS, sensors(run), bin_log(run), run.truth_h, truth, acted_h
    )


def heating(number: int, run: BinRun) -> Case:
    limit, warm = LIMITS["pocket_high_c"], run.truth["pocket_c"]
    truth = (warm > limit, warm < limit - 3.0, warm > limit - 1.0)
    acted_h, name = run.times_of("turned"), f"bin {number}"
    return Case(
        name, RULE["feed-heating"], ALDER, LIMITS, sensors(run), bin_log(run), run.truth_h, truth, acted_h
    )


def freezing(rule: str, thing: Bin | FeedStore, seed: int, inside_c: Floats, outdoor_c: Floats) -> Case:
    rng = np.random.default_rng(seed)
    in_bin = isinstance(thing, Bin)
    position, limits = (Position.CORE, LIMITS) if in_bin else (Position.FEED, TUB_LIMITS)
    channels = []
    for channel, (where, series) in enumerate(((position, inside_c), (Position.AIR, outdoor_c)), 1):
        t, v = tub_readings(rng, series)
        kept = Series(np.round(t * HOUR_MS).astype(np.int64), v)
        channels.append(Sensor(channel, where, Quantity.TEMPERATURE, "Cel", kept))
    hours = np.arange(len(outdoor_c), dtype=np.float64)
    truth = (inside_c < 0.0, inside_c > 1.5, inside_c < 1.0)
    return Case(
        thing.name, RULE[rule], thing, limits, channels, [], hours, truth, np.empty(0), every_ms=HOUR_MS
    )


def winters(rng: np.random.Generator, count: int, days: float) -> list[Floats]:
    """Stretches of two real winters, November to February."""
    air = []
    for number in range(count):
        year = weather.winter((weather.SAND_POINT, weather.GREENSBORO)[number % 2])
        start = int(rng.integers(120 * 24, 220 * 24))
        air.append(year[start : start + round(days * 24)])
    return air


def tubs(count: int, days: float, seed: int) -> Iterator[Callable[[], Case]]:
    """Tubs of feed; what is announced is the centre going below the limit."""
    rng = np.random.default_rng(seed)
    air = winters(rng, count, days)
    made = []
    for _ in range(count):
        size, surface = rng.uniform(0.25, 0.40), rng.uniform(6.0, 14.0)
        made.append(Tub(size, size * rng.uniform(0.8, 1.3), surface, surface, 0.0, 0.85, 650.0, 8.0))
    for number, (one, outdoor, run) in enumerate(zip(made, air, simulate_tubs(made, air), strict=True)):
        store = FeedStore("tub", f"tub {number}", "shed", one.diameter, one.depth)
        yield partial(freezing, "feed-freezing", store, seed * 1000 + number, run.centre, outdoor)


def outdoor_bins(count: int, days: float, seed: int) -> Iterator[Callable[[], Case]]:
    """Bins out of doors, each until a day after its first frost: their physics know no ice."""
    rng = np.random.default_rng(seed)
    air = [hourly - rng.choice([0.0, 3.0, 6.0]) for hourly in winters(rng, count, days)]
    made = [any_bin(rng, 8.0) for _ in range(count)]
    for number, (outdoor, inside) in enumerate(zip(air, temperatures(made, air), strict=True)):
        frost = np.flatnonzero(inside < 0.0)
        until = min(int(frost[0]) + 24, len(inside)) if len(frost) else len(inside)
        if until > FIRST_H + 30.0:
            thing = replace(ALDER, id=f"outdoor-{number}", name=f"outdoor bin {number}")
            yield partial(
                freezing,
                "bin-freezing",
                thing,
                seed * 1000 + number,
                inside[:until],
                outdoor[:until],
            )


def total(rule: str, tallies: Sequence[Tally]) -> str:
    """The rule's line of the table."""
    weeks = sum(t.weeks for t in tallies)
    leads = np.array([lead for t in tallies for lead in t.leads_h])
    heard = leads[np.isfinite(leads)]
    false = sum(t.false for t in tallies)
    wanted = WANTED_H[rule]
    early = np.count_nonzero(heard >= wanted) / len(leads) if len(leads) else np.nan
    p10, p50 = np.quantile(heard, (0.1, 0.5)) if len(heard) else (np.nan, np.nan)
    chattering = sum(most_within(t.raised_h, CHATTER_MS / HOUR_MS) >= CHATTER for t in tallies)
    daily = max((most_within(t.raised_h, 24.0) for t in tallies), default=0)
    return (
        f"{rule:14}{weeks:7.0f}{len(leads):8d}{len(heard):11d}{early:9.0%} >= {wanted:.0f} h{p10:8.1f}{p50:7.1f}"
        f"{sum(len(t.raised_h) for t in tallies):9d}{false:7d}{false / weeks:8.3f}{chattering:11d}{daily:9d}"
    )


HEAD = (
    f"{'rule':14}{'weeks':>7}{'events':>8}{'announced':>11}{'early':>16}{'p10 h':>8}{'p50 h':>7}"
    f"{'alarms':>9}{'false':>7}{'a week':>8}{'chattering':>11}{'in a day':>9}"
)


def most_within(raised_h: Sequence[float], span_h: float) -> int:
    """The most raisings that lie within a span of time."""
    at = np.array(raised_h)
    return max((int(np.count_nonzero((at >= t) & (at <= t + span_h))) for t in raised_h), default=0)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--rule", default="", help="only rules whose name has this in it")
    parser.add_argument("--bins", type=int, default=70)
    parser.add_argument("--tubs", type=int, default=24, help="tubs, and as many outdoor bins")
    parser.add_argument("--days", type=float, default=21.0)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument(
        "--notes", action="store_true", help="name each event missed or late, each false alarm"
    )
    asked = parser.parse_args()
    rules = [rule for rule in WANTED_H if asked.rule in rule]
    runs = simulate(asked.seed, asked.bins, asked.days) if {"top-drying", "feed-heating"} & {*rules} else []
    makers: dict[str, Callable[[], list[Callable[[], Case]]]] = {
        "top-drying": lambda: [partial(drying, number, run) for number, run in enumerate(runs)],
        "feed-heating": lambda: [partial(heating, number, run) for number, run in enumerate(runs)],
        "feed-freezing": lambda: [*tubs(asked.tubs, asked.days, asked.seed)],
        "bin-freezing": lambda: [*outdoor_bins(asked.tubs, asked.days, asked.seed)],
    }
    print(HEAD, flush=True)
    weeks = 0.0
    with ProcessPoolExecutor(asked.jobs) as pool:
        for rule in rules:
            tallies = list(pool.map(judged, makers[rule]()))
            weeks += sum(t.weeks for t in tallies)
            print(total(rule, tallies), flush=True)
            if asked.notes:
                print("".join(f"    {note}\n" for t in tallies for note in t.notes), end="", flush=True)
    print(f"{weeks:.0f} weeks; false alarms wanted: at most 0.1 a week; seed {asked.seed}")


if __name__ == "__main__":
    main()
