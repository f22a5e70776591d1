"""The past weeks, computed: every probe's readings, the keeper's log, and the garden as it stands now."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np

from underlid.demo.farm import DROPOUT_PROBE, DemoFarm, ProbePlan, the_farm
from underlid.demo.garden import Garden
from underlid.demo.matter import Floats
from underlid.demo.probes import Truth, sensed, silent, snapshot
from underlid.demo.story import Deed, the_story
from underlid.demo.weather import DAY_MS, HOUR_MS, Weather
from underlid.model import LogEntry, Series

EVERY_MS = 600_000
LEAST_DAYS = 21.0  # the scenes grow out of this past, however little of it is asked for
_JITTER_MS = 40_000
_LOST_SHARE = 0.012  # of readings that never got through
_DROPOUT_H = (117.0, 106.5)  # hours before now between which one probe was not heard


@dataclass(frozen=True, slots=True)
class History:
    """What to load before the live probes start. Readings by (probe id, channel name), oldest first; the log
    has id 0.
    """

    farm: DemoFarm
    readings: dict[tuple[str, str], Series]
    log: tuple[LogEntry, ...]
    garden: Garden
    start_ms: int


def play_history(start_ms: int, days: float = 21.0, seed: int = 1, time_zone: str = "Etc/UTC") -> History:
    """Compute the `days` before `start_ms` (the demo's "now"). The same arguments give the same past.

    The zone only tells when the sun is up. Raises ValueError when days is not positive.
    """
    if not days > 0.0:
        raise ValueError(f"days must be positive, got {days:g}")
    farm = the_farm(start_ms, time_zone)
    offset = datetime.fromtimestamp(start_ms / 1000, UTC).astimezone(ZoneInfo(time_zone)).utcoffset()
    weather = Weather(seed, start_ms, offset.total_seconds() / 3600.0 if offset else 0.0)
    played_days = max(days, LEAST_DAYS)
    garden = Garden(farm, weather, start_ms - round(played_days * DAY_MS), seed)
    truths, log = _play(garden, the_story(farm, played_days, seed), start_ms)
    truth = Truth(
        np.concatenate([t.time_ms for t in truths]),
        np.concatenate([t.temp_c for t in truths]),
        np.concatenate([t.moist_pct_wb for t in truths]),
        np.concatenate([t.tub_c for t in truths]),
    )
    first_ms = start_ms - round(days * DAY_MS)
    readings: dict[tuple[str, str], Series] = {}
    for index, probe in enumerate(farm.probes):
        readings |= _readings(probe, farm, garden, truth, first_ms, np.random.default_rng([seed, 101, index]))
    return History(farm, readings, tuple(e for e in log if e.at_ms >= first_ms), garden, start_ms)


def _play(garden: Garden, deeds: Iterable[Deed], until_ms: int) -> tuple[list[Truth], list[LogEntry]]:
    truths = [snapshot(garden)]
    log: list[LogEntry] = []
    due = list(deeds)[::-1]
    next_ms = garden.time_ms + EVERY_MS
    while garden.time_ms < until_ms:
        stop = min(next_ms, until_ms)
        while due and due[-1].at_ms(until_ms) <= stop:
            deed = due.pop()
            garden.advance(deed.at_ms(until_ms))
            if entry := _done(garden, deed, until_ms):
                log.append(entry)
        garden.advance(stop)
        truths.append(snapshot(garden))
        next_ms += EVERY_MS
    return truths, log


def _done(garden: Garden, deed: Deed, now_ms: int) -> LogEntry | None:
    """Do a deed and write it down; None for a bin that turns out wet enough."""
    litres = deed.amount_l
    if deed.wet_to_pct_wb is not None:
        litres = round(garden.litres_to(deed.subject.id, deed.wet_to_pct_wb), 1)
        if litres == 0.0:
            return None
    entry = LogEntry(
        id=0,
        at_ms=deed.at_ms(now_ms),
        subject=deed.subject,
        kind=deed.kind,
        amount_kg=deed.amount_kg,
        amount_l=litres,
        what=deed.what,
        corner=deed.corner,
        note=deed.note,
    )
    garden.act(entry)
    return entry


def _readings(
    probe: ProbePlan, farm: DemoFarm, garden: Garden, truth: Truth, first_ms: int, rng: np.random.Generator
) -> dict[tuple[str, str], Series]:
    """One probe's past: a reading about every ten minutes, some lost, none after "now"."""
    now_ms = garden.weather.now_ms
    jitter = np.round(rng.uniform(-_JITTER_MS, _JITTER_MS, truth.time_ms.shape))
    time = np.minimum(truth.time_ms + jitter, now_ms)
    kept = (time >= first_ms) & (rng.random(time.shape) > _LOST_SHARE) & ~silent(probe.id, time, now_ms)
    if probe.id == DROPOUT_PROBE:
        ago_h = (now_ms - time) / HOUR_MS
        kept &= (ago_h > _DROPOUT_H[0]) | (ago_h < _DROPOUT_H[1])
    stamps = time[kept].astype(np.int64)
    return {
        (probe.id, name): Series(stamps, _floats(value[kept]))
        for name, value in sensed(probe, farm, garden, truth, rng)
    }


def _floats(value: Floats) -> Floats:
    return np.ascontiguousarray(value, dtype=np.float64)
