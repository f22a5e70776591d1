"""Three invented weeks of a walled kitchen garden: a dry one in which the clocks go back, a hot one, a frosty one;
and a ragged one, whose readings come as they like.

Readings follow plain formulas with a seeded scatter; only the words of the model are shared with the service.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from underlid.model import (
    Alarm,
    AlarmState,
    Bin,
    Farm,
    FeedStore,
    Finding,
    LogEntry,
    LogKind,
    Place,
    Position,
    Priority,
    Probe,
    Quantity,
    Reading,
    Subject,
    SubjectKind,
    Transition,
    Verdict,
)
from underlid.reports.week import Week, week_named
from underlid.store import alarms, catalogue
from underlid.store import log as keepers_log
from underlid.store.ledger import Ledger
from underlid.store.sqlite_readings import SqliteReadings

HOUR_MS, DAY_MS, MINUTE_MS = 3_600_000, 86_400_000, 60_000
ALDER, ROWAN = Subject(SubjectKind.BIN, "alder"), Subject(SubjectKind.BIN, "rowan")
TUB = Subject(SubjectKind.FEED_STORE, "north-tub")
Floats = NDArray[np.float64]
Course = Callable[[Floats], Floats]  # hours since the Monday to values


@dataclass
class Garden:
    """Stores to fill, for one week and the two before."""

    folder: Path
    week: Week
    zone: str = "Europe/Vienna"
    random: np.random.Generator = field(default_factory=lambda: np.random.default_rng(7))

    def __post_init__(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        self.ledger = Ledger(f"sqlite:///{self.folder / 'catalogue.db'}")
        self.readings = SqliteReadings(self.folder / "readings.db")
        with self.ledger.writing() as connection:
            catalogue.save_farm(connection, Farm("Walled garden", self.zone))

    @property
    def from_ms(self) -> int:
        return self.week.from_ms

    def close(self) -> None:
        self.readings.close()
        self.ledger.close()

    def place(self, id_: str, name: str, outdoors: bool) -> None:
        with self.ledger.writing() as connection:
            catalogue.save_place(connection, Place(id_, name, outdoors))

    def bin(self, id_: str, place: str, started_days_before: int = 120) -> None:
        started = self.from_ms - started_days_before * DAY_MS
        made = Bin(id_, id_.capitalize(), place, "eisenia-fetida", 0.6, 0.4, 0.3, 0.4, started)
        with self.ledger.writing() as connection:
            catalogue.save_bin(connection, made)

    def tub(self, id_: str, place: str) -> None:
        with self.ledger.writing() as connection:
            catalogue.save_feed_store(connection, FeedStore(id_, "North tub", place, 0.30, 0.35))

    def channel(
        self,
        probe: str,
        name: str,
        quantity: Quantity,
        subject: Subject | None,
        position: Position | None,
        course: Course,
        every_min: float = 10.0,
        scatter: float = 0.05,
        silent_h: Sequence[tuple[float, float]] = (),
        jitter_s: int = 25,
        digits: int = 2,
        ragged: bool = False,
    ) -> int:
        """A channel with readings from two weeks before the Monday to the week's end; gives its id.

        `ragged`: of no rhythm, with bursts, lost ones and steps that may be five times as long as the usual one.
        """
        units = {
            Quantity.TEMPERATURE: "Cel", Quantity.MOISTURE: "%", Quantity.HUMIDITY: "%RH",
            Quantity.BATTERY: "V", Quantity.SIGNAL: "dBm",
        }  # fmt: skip
        first = self.from_ms - 14 * DAY_MS
        with self.ledger.writing() as connection:
            known = {each.id for each in catalogue.probes(connection)}
            if probe not in known:
                catalogue.save_probe(connection, Probe(probe, probe.replace("-", " "), first))
            made = catalogue.register_channel(connection, probe, name, units[quantity], quantity)
            if subject is not None and position is not None:
                catalogue.place_channel(connection, made.id, subject, position, first)
        times = np.arange(first, self.week.to_ms, round(every_min * MINUTE_MS))
        times = times + self.random.integers(-jitter_s, jitter_s + 1, len(times)) * 1000
        if ragged:
            steps = self.random.lognormal(np.log(every_min * 60.0), 0.5, len(times)).clip(1.0)
            steps[self.random.random(len(times)) < 0.05] = 1.0
            times = first + np.cumsum(steps.round()).astype(np.int64) * 1000
        hours = (times - self.from_ms) / HOUR_MS
        spoke = np.ones(len(times), dtype=np.bool_)
        for begin, end in silent_h:
            spoke &= (hours < begin) | (hours >= end)
        values = np.round(course(hours) + self.random.normal(0.0, scatter, len(times)), digits)
        rows = zip(times[spoke].tolist(), values[spoke].tolist(), strict=True)
        self.readings.add([Reading(made.id, at, value, at) for at, value in rows if at < self.week.to_ms])
        return made.id

    def did(
        self,
        hours: float,
        subject: Subject,
        kind: LogKind,
        kg: float | None = None,
        litres: float | None = None,
        what: str = "",
    ) -> None:
        at = self.from_ms + round(hours * HOUR_MS)
        with self.ledger.writing() as connection:
            entry = LogEntry(0, at, subject, kind, amount_kg=kg, amount_l=litres, what=what)
            keepers_log.add(connection, entry)

    def alarm(
        self,
        subject: Subject,
        finding: Finding,
        raised_h: float,
        taken_on_h: float | None = None,
        returned_h: float | None = None,
    ) -> None:
        """An alarm's life as the watch would have written it."""
        at = [self.from_ms + round(h * HOUR_MS) for h in (raised_h, taken_on_h, returned_h) if h is not None]
        up, taken, over = AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.NORMAL
        steps = [(AlarmState.NORMAL, up, "raised")]
        if taken_on_h is not None:
            steps.append((up, taken, "acknowledged"))
        if returned_h is not None:
            before = steps[-1][1]
            steps.append((before, over if before is taken else AlarmState.RETURNED, "returned"))
        with self.ledger.writing() as connection:
            made = alarms.save(
                connection,
                Alarm(
                    0,
                    subject,
                    finding.rule,
                    steps[-1][1],
                    raised_ms=at[0],
                    changed_ms=at[-1],
                    finding=finding,
                ),
            )
            for when, (before, after, cause) in zip(at, steps, strict=True):
                alarms.add_transition(connection, Transition(made, when, before, after, cause))


def finding(rule: str, priority: Priority, headline: str, advice: str, **more: object) -> Finding:
    return Finding(
        rule,
        Verdict.HOLDS,
        0,
        priority=priority,
        headline=headline,
        advice=advice,
        **more,  # type: ignore[arg-type]
    )


def daily(middle: float, swing: float) -> Course:
    """A day's cycle, warmest in the middle of the afternoon."""
    return lambda hours: middle + swing * np.sin((hours - 9.0) / 24.0 * 2.0 * np.pi)


def dry_week(folder: Path) -> Garden:
    """Alder's top dries out and is wetted on Friday, late; the clocks go back on Sunday, the probe drops out twice."""
    garden = Garden(folder, week_named("2026-W43", "Europe/Vienna"))
    garden.place("shed", "Potting shed", outdoors=False)
    garden.bin("alder", "shed")
    wetted = 4 * 24 + 16.5

    def top(hours: Floats) -> Floats:
        dried = 77.0 - 0.11 * np.maximum(hours + 12.0, 0.0)
        return np.where(hours < wetted, dried, 74.0 - 0.02 * (hours - wetted))

    silent = ((30.0, 37.5), (140.0, 141.0))
    for name, quantity, position, course, scatter in (
        ("top-temp", Quantity.TEMPERATURE, Position.TOP, daily(17.0, 1.5), 0.05),
        ("top-moist", Quantity.MOISTURE, Position.TOP, top, 0.2),
        ("core-temp", Quantity.TEMPERATURE, Position.CORE, daily(18.0, 0.5), 0.05),
        ("core-moist", Quantity.MOISTURE, Position.CORE, lambda hours: 78.0 - 0.005 * hours, 0.2),
    ):
        garden.channel(
            "alder-1",
            name,
            quantity,
            ALDER,
            position,
            course,
            10.0,
            scatter,
            silent,
            digits=2 if scatter < 0.1 else 1,
        )
    garden.channel(
        "alder-1",
        "batt",
        Quantity.BATTERY,
        None,
        None,
        lambda h: 3.80 - 0.0008 * (h + 336),
        60.0,
        0.002,
        digits=3,
    )
    garden.channel(
        "shed-air",
        "temp",
        Quantity.TEMPERATURE,
        Subject(SubjectKind.PLACE, "shed"),
        Position.AIR,
        daily(16.0, 2.5),
    )
    garden.channel(
        "shed-air",
        "rh",
        Quantity.HUMIDITY,
        Subject(SubjectKind.PLACE, "shed"),
        Position.AIR,
        daily(55.0, -8.0),
        scatter=0.5,
    )
    garden.did(-150.0, ALDER, "fed", kg=1.0, what="vegetable trimmings")
    garden.did(-140.0, ALDER, "wetted", litres=0.5)
    garden.did(40.0, ALDER, "fed", kg=0.8, what="coffee grounds")
    garden.did(wetted, ALDER, "wetted", litres=0.9, what="rain water")
    garden.alarm(
        ALDER,
        finding(
            "top-drying", Priority.TODAY, "Alder: top will be too dry in about 20 h (14 to 31 h)",
            "Within 14 h: sprinkle 0.9 L over the top and close the lid.",
            forecast=True, position=Position.TOP, value=67.3, limit=65.0, unit="%",
            eta_h=20.0, eta_low_h=14.0, eta_high_h=31.0,
            caution="Dry bedding gives off dust and spores: damp it before stirring, and do not breathe it in.",
        ),
        raised_h=76.0, taken_on_h=109.0, returned_h=113.0,
    )  # fmt: skip
    return garden


def hot_week(folder: Path) -> Garden:
    """A large feeding heats Alder's pocket past what worms stand; at the week's end the next one is warming."""
    garden = Garden(folder, week_named("2026-W28", "Europe/Vienna"))
    garden.place("shed", "Potting shed", outdoors=False)
    garden.bin("alder", "shed", 400)
    meals = ((-164.0, 1.0, 4.0), (-68.0, 1.2, 5.0), (26.0, 3.5, 16.0), (128.0, 1.0, 4.5))

    def pocket(hours: Floats) -> Floats:
        heat = np.zeros_like(hours)
        for at, _, rise in meals:
            since = np.maximum(hours - at, 0.0)
            heat += rise * (since / 18.0) * np.exp(1.0 - since / 18.0)
        return daily(22.0, 1.0)(hours) + heat

    for name, quantity, position, course, scatter in (
        ("pocket-temp", Quantity.TEMPERATURE, Position.POCKET, pocket, 0.06),
        ("core-temp", Quantity.TEMPERATURE, Position.CORE, daily(22.5, 0.8), 0.06),
        ("core-moist", Quantity.MOISTURE, Position.CORE, lambda h: 79.0 + 0.0 * h, 0.2),
    ):
        garden.channel("alder-1", name, quantity, ALDER, position, course, 15.0, scatter)
    garden.channel(
        "shed-air",
        "temp",
        Quantity.TEMPERATURE,
        Subject(SubjectKind.PLACE, "shed"),
        Position.AIR,
        daily(22.0, 4.0),
        15.0,
    )
    for at, kg, _ in meals:
        garden.did(at, ALDER, "fed", kg=kg, what="coffee grounds and trimmings")
    garden.did(60.0, ALDER, "turned")
    garden.did(150.0, ALDER, "seen", what="many young worms under the mat")
    garden.alarm(
        ALDER,
        finding(
            "feed-heating", Priority.URGENT, "Alder: feed pocket is at 36 °C — too hot",
            "Spread the 3.5 kg of coffee grounds and trimmings fed 12 h ago to a layer of 3 cm and turn it once.",
            position=Position.POCKET, value=36.2, limit=35.0, unit="Cel",
            caution="Hot feed steams and moulds: open the lid away from your face, and wear gloves.",
        ),
        raised_h=38.5, taken_on_h=40.0, returned_h=64.0,
    )  # fmt: skip
    return garden


def frosty_week(folder: Path) -> Garden:
    """A tub freezes on Tuesday night and thaws on Saturday; Rowan outdoors keeps just above; a probe falls silent."""
    garden = Garden(folder, week_named("2026-W03", "Europe/Vienna"))
    garden.place("lean-to", "Lean-to", outdoors=True)
    garden.bin("rowan", "lean-to", 300)
    garden.tub("north-tub", "lean-to")

    def air(hours: Floats) -> Floats:
        cold = np.interp(hours, [-400, 10, 40, 100, 130, 200], [4.0, 3.0, -9.0, -8.0, 5.0, 6.0])
        return cold + 2.5 * np.sin((hours - 9.0) / 24.0 * 2.0 * np.pi)

    def tub(hours: Floats) -> Floats:
        return np.interp(
            hours, [-400, 12, 36, 76, 100, 124, 150, 200], [4.0, 3.5, -0.6, -0.8, -6.5, -0.7, -0.5, 4.5]
        )

    def core(hours: Floats) -> Floats:
        return np.interp(hours, [-400, 12, 60, 110, 200], [9.0, 8.5, 2.2, 0.4, 5.0])

    garden.channel(
        "lean-to-air",
        "temp",
        Quantity.TEMPERATURE,
        Subject(SubjectKind.PLACE, "lean-to"),
        Position.AIR,
        air,
        scatter=0.1,
    )
    garden.channel("tub-1", "feed-temp", Quantity.TEMPERATURE, TUB, Position.FEED, tub, 12.0, 0.05)
    garden.channel(
        "rowan-1", "core-temp", Quantity.TEMPERATURE, ROWAN, Position.CORE, core, 10.0, 0.05, [(150.0, 400.0)]
    )
    garden.channel(
        "rowan-1",
        "core-moist",
        Quantity.MOISTURE,
        ROWAN,
        Position.CORE,
        lambda h: 76.0 + 0.0 * h,
        10.0,
        0.2,
        [(150.0, 400.0)],
    )
    garden.did(-100.0, ROWAN, "fed", kg=1.5, what="apple core")
    garden.did(20.0, ROWAN, "bedding", kg=3.0, what="leaf mould, damp")
    garden.alarm(
        TUB,
        finding(
            "feed-freezing", Priority.TODAY, "North tub: freezes in about 8 h (6 to 11 h)",
            "Bring it in by 18:00 to have it thawed for the next feeding.",
            forecast=True, position=Position.FEED, value=2.1, limit=0.0, unit="Cel",
            eta_h=8.0, eta_low_h=6.0, eta_high_h=20.0,
        ),
        raised_h=20.0, returned_h=150.0,
    )  # fmt: skip
    garden.alarm(
        Subject(SubjectKind.PROBE, "rowan-1"),
        finding(
            "probe-silent", Priority.ROUND, "rowan 1: silent for 2 h", "Look at its battery and its Wi-Fi."
        ),
        raised_h=152.0,
    )
    return garden


def ragged_week(folder: Path) -> Garden:
    """Alder's probe speaks as it likes, with holes of hours and readings that can't be; no probe is in Rowan."""
    garden = Garden(folder, week_named("2026-W20", "Europe/Vienna"))
    garden.place("shed", "Potting shed", outdoors=False)
    garden.bin("alder", "shed", 200)
    garden.bin("rowan", "shed")
    silent = ((-90.0, -70.0), (20.0, 29.5), (70.0, 71.2), (100.0, 118.0))
    fed, wetted = 45.0, 60.0

    def core(hours: Floats) -> Floats:
        since = np.maximum(hours - fed, 0.0)
        return daily(17.0, 1.2)(hours) + 0.01 * hours + 6.0 * (since / 20.0) * np.exp(1.0 - since / 20.0)

    def top(hours: Floats) -> Floats:
        return np.where(hours < wetted, 70.0 - 0.06 * hours, 74.0 - 0.05 * (hours - wetted))

    ids = [
        garden.channel(
            "alder-1", name, quantity, ALDER, position, course, every, scatter, silent, digits=2, ragged=True
        )
        for name, quantity, position, course, every, scatter in (
            ("core-temp", Quantity.TEMPERATURE, Position.CORE, core, 8.0, 0.05),
            ("core-moist", Quantity.MOISTURE, Position.CORE, lambda h: 66.0 + 0.01 * h, 8.0, 0.15),
            ("top-moist", Quantity.MOISTURE, Position.TOP, top, 12.0, 0.15),
        )
    ]
    garden.channel(
        "alder-1", "rssi", Quantity.SIGNAL, None, None, lambda h: -70.0 - 0.02 * h, 60.0, 1.5, ragged=True, digits=0
    )  # fmt: skip
    wild = [garden.from_ms + round(h * HOUR_MS) // 1000 * 1000 + 500 for h in (10.0, 55.0, 140.0)]
    garden.readings.add(
        [Reading(ids[0], at, value, at) for at, value in zip(wild, (85.0, -127.0, 85.0), strict=True)]
    )
    garden.did(-100 * 24.0, ALDER, "harvest", kg=6.0)
    garden.did(-30 * 24.0, ALDER, "worms", kg=0.9, what="weighed")
    garden.did(-20 * 24.0, ALDER, "fed", kg=2.0, what="cardboard")
    garden.did(-120.0, ALDER, "fed", kg=1.1, what="vegetable trimmings")
    garden.did(-60.0, ALDER, "wetted", litres=0.4)
    garden.did(fed, ALDER, "fed", kg=1.6, what="banana peel")
    garden.did(wetted, ALDER, "wetted", litres=0.7)
    garden.did(110.0, ALDER, "fed", what="coffee grounds")
    garden.did(130.0, ROWAN, "harvest", kg=2.5)
    return garden


WEEKS: dict[str, Callable[[Path], Garden]] = {"dry": dry_week, "hot": hot_week, "frosty": frosty_week}
RAGGED = {**WEEKS, "ragged": ragged_week}
