"""Print how good the drying and heating forecasts are on simulated bins, and how fast.

Run from the root of the repository: `python -m tests.bench.forecasts [--seed N] [--bins N] [--days N]`.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from tests.bins import BinRun, simulate

from underlid.science.air import vapour_pressure_deficit_kpa
from underlid.science.drying import forecast_drying
from underlid.science.feed_response import PastFeeding, fit_feed_response
from underlid.science.heating import cooling_constant_per_h, forecast_peak
from underlid.science.scoring import Score, score_forecasts, straight_line, straight_line_eta_h
from underlid.science.trend import hampel

Floats = NDArray[np.float64]

CONFIDENCE = 0.8
LIMITS_PCT = (75.0, 70.0, 65.0, 60.0)
CAP_H = 96.0  # "never" counts as this in errors of a time, for every forecast alike
HISTORY_H = 240.0  # readings a forecast sees at most
ROOM_HISTORY_H = 120.0  # of the room, before a feeding
WATCH_H = 72.0  # the peak of a feeding is the highest temperature in this time


@dataclass(frozen=True)
class Crossing:
    run: BinRun
    limit: float
    at_h: float
    since_h: float


def crossings(runs: list[BinRun], true: bool) -> Iterator[Crossing]:
    """The first fall of a top layer through each limit after each time hands were laid on it.

    true: by the simulated moisture; else by that moisture as the probe sees it (its drift and temperature error
    included, its noise not), which is what a farm's alarm goes by.
    """
    for run in runs:
        series = run.probes["top", "moist"]
        assert series.still is not None
        t, top = (run.truth_h, run.truth["top_pct_wb"]) if true else (series.time_h, series.still)
        hands = np.sort(np.concatenate([[0.0], run.times_of("wetted"), run.times_of("turned"), [np.inf]]))
        for begin, end in pairwise(hands):
            inside = np.flatnonzero((t > begin + 6.0) & (t < end))
            for limit in LIMITS_PCT:
                below = inside[top[inside] <= limit]
                if len(below) == 0 or below[0] == inside[0]:
                    continue
                i = below[0]
                at = float(np.interp(limit, [top[i], top[i - 1]], [t[i], t[i - 1]]))
                yield Crossing(run, limit, at, float(begin))


def moisture_until(run: BinRun, since_h: float, now_h: float) -> tuple[Floats, Floats, Floats]:
    series = run.probes["top", "moist"]
    span = (series.time_h >= max(since_h, now_h - HISTORY_H)) & (series.time_h <= now_h)
    t = series.time_h[span]
    value, _ = hampel(series.value[span], 5, 4.0, 0.3)
    air, rh = run.probes["air", "temp"], run.probes["air", "rh"]
    clean, _ = hampel(air.value, 5, 4.0, 0.3)
    vpd = vapour_pressure_deficit_kpa(clean, rh.value)
    return t, value, np.interp(t, air.time_h, vpd)


def drying_at(runs: list[BinRun], lead_h: float, with_air: bool, true: bool = False) -> Score:
    came, mid, low, high, line = [], [], [], [], []
    for crossing in crossings(runs, true):
        now = crossing.at_h - lead_h
        if now < crossing.since_h + 24.0:
            continue
        t, value, vpd = moisture_until(crossing.run, crossing.since_h, now)
        if len(t) < 24 or now - t[-1] > 3.0:
            continue
        made = forecast_drying(t, value, crossing.limit, vpd if with_air else None, CONFIDENCE)
        came.append(crossing.at_h - t[-1])
        mid.append(made.eta_h)
        low.append(made.low_h)
        high.append(made.high_h)
        line.append(straight_line_eta_h(t, value, crossing.limit))
    never = np.full(len(came), np.inf)
    return score_forecasts(came, mid, low, high, CONFIDENCE, never, line, cap=CAP_H)


def moisture_ahead(runs: list[BinRun], lead_h: float, with_air: bool) -> Score:
    """Moisture itself, `lead_h` after moments that know nothing of what comes."""
    came, mid, low, high, line, same = [], [], [], [], [], []
    for run in runs:
        hands = np.sort(np.concatenate([[0.0], run.times_of("wetted"), run.times_of("turned"), [np.inf]]))
        for now in np.arange(30.0, run.truth_h[-1] - lead_h, 37.0):
            since = hands[hands <= now][-1]
            if now - since < 24.0 or hands[hands > now][0] < now + lead_h:
                continue
            t, value, vpd = moisture_until(run, float(since), float(now))
            if len(t) < 24 or now - t[-1] > 3.0:
                continue
            made = forecast_drying(t, value, 50.0, vpd if with_air else None, CONFIDENCE)
            middle, below, above = made.curve([lead_h])
            level, slope = straight_line(t, value)
            series = run.probes["top", "moist"]
            assert series.still is not None
            came.append(float(np.interp(t[-1] + lead_h, series.time_h, series.still)))
            mid.append(middle[0])
            low.append(below[0])
            high.append(above[0])
            line.append(level + slope * lead_h)
            same.append(level)
    return score_forecasts(came, mid, low, high, CONFIDENCE, same, line)


@dataclass(frozen=True)
class Fed:
    past: PastFeeding
    peak_c: float
    whole: bool


def feedings(run: BinRun) -> list[Fed]:
    pocket, air = run.probes["pocket", "temp"], run.probes["air", "temp"]
    temp, _ = hampel(pocket.value, 5, 4.0, 0.3)
    room = np.interp(pocket.time_h, air.time_h, hampel(air.value, 5, 4.0, 0.3)[0])
    fed = [event for event in run.log if event.kind == "fed"]
    ends = np.sort(np.concatenate([run.times_of("fed"), run.times_of("turned"), [run.truth_h[-1]]]))
    out = []
    for event in fed:
        end = float(np.append(ends[ends > event.time_h], run.truth_h[-1])[0])
        span = (pocket.time_h >= event.time_h - 24.0) & (pocket.time_h < min(end, event.time_h + 120.0))
        watch = (run.truth_h >= event.time_h) & (run.truth_h <= event.time_h + WATCH_H)
        if not watch.any():  # fed in the season's last half hour
            continue
        past = PastFeeding(pocket.time_h[span], temp[span], room[span], event.time_h, event.amount)
        out.append(Fed(past, float(run.truth["pocket_c"][watch].max()), end >= event.time_h + WATCH_H))
    return out


def peaks(
    runs: list[BinRun], known_h: float, with_past: bool, room_ahead: bool = False
) -> tuple[Score, float]:
    """Score of the peak forecast from the first `known_h` hours, and the share within 2.5 C.

    with_past: the response fitted to the bin's earlier feedings is given; room_ahead: the room to come is given too.
    """
    came, mid, low, high, same = [], [], [], [], []
    for run in runs:
        fed = feedings(run)
        for i in range(3, len(fed)):
            if not fed[i].whole:
                continue
            this = fed[i].past
            pocket, air = run.probes["pocket", "temp"], run.probes["air", "temp"]
            earlier = (pocket.time_h < this.fed_at_h) & (pocket.time_h > this.fed_at_h - 700.0)
            room = np.interp(pocket.time_h, air.time_h, hampel(air.value, 5, 4.0, 0.3)[0])
            clean = hampel(pocket.value, 5, 4.0, 0.3)[0]
            try:
                cooling = cooling_constant_per_h(pocket.time_h[earlier], clean[earlier], room[earlier])
            except ValueError:
                cooling = 0.06
            now_h = this.fed_at_h + known_h
            told_h = this.fed_at_h + WATCH_H if room_ahead else now_h
            told = (pocket.time_h >= this.fed_at_h - ROOM_HISTORY_H) & (pocket.time_h <= told_h)
            known = told & (pocket.time_h <= now_h)
            if pocket.time_h[known][-1] < now_h - 2.0:
                continue
            response = fit_feed_response([f.past for f in fed[:i]], cooling) if with_past else None
            made = forecast_peak(
                pocket.time_h[told],
                np.where(known, clean, np.nan)[told],
                room[told],
                this.fed_at_h,
                cooling,
                CONFIDENCE,
                response=response,
                feed_kg=this.feed_kg if with_past else None,
            )
            came.append(fed[i].peak_c)
            mid.append(made.peak_c)
            low.append(made.low_c)
            high.append(made.high_c)
            same.append(clean[known][-1])
    score = score_forecasts(came, mid, low, high, CONFIDENCE, same)
    return score, float(np.mean(np.abs(np.array(mid) - came) <= 2.5))


def speed(channels: int = 1000) -> float:
    """Seconds for 10,000 channels of 3 days at 10 minutes on one core."""
    rng = np.random.default_rng(0)
    t = np.arange(0.0, 72.0, 1 / 6)
    moist = 78.0 - 0.08 * t + rng.normal(0.0, 0.5, (channels, len(t)))
    vpd = 0.8 + 0.4 * np.sin(2 * np.pi * t / 24.0)
    begin = time.process_time()
    for row in moist:
        forecast_drying(t, row, 65.0, vpd)
    return (time.process_time() - begin) * 10_000 / channels


def show(name: str, score: Score, more: str = "") -> None:
    ratio = score.mae / score.mae_straight_line if score.mae_straight_line > 0 else float("nan")
    print(
        f"{name:46s} n {score.count:5d}  cover {score.coverage:5.1%}  mae {score.mae:6.2f}  bias {score.bias:+6.2f}  "
        f"width {score.sharpness:6.2f}  persistence {score.mae_persistence:6.2f}  line {score.mae_straight_line:6.2f}  "
        f"ratio {ratio:5.2f} {more}"
    )


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--seed", type=int, default=2024)
    options.add_argument("--bins", type=int, default=120)
    options.add_argument("--days", type=float, default=60.0)
    given = options.parse_args()
    runs = simulate(given.seed, given.bins, given.days)
    print(
        f"{given.bins} simulated bins, {given.days:g} days, seed {given.seed}; intervals claim {CONFIDENCE:.0%}"
    )
    for with_air in (False, True):
        air = "room air" if with_air else "no room air"
        for lead in (6.0, 12.0, 24.0, 48.0, 72.0):
            show(f"hours to the limit, {lead:g} h before, {air}", drying_at(runs, lead, with_air))
        show(f"hours to the true limit, 24 h before, {air}", drying_at(runs, 24.0, with_air, true=True))
        for lead in (12.0, 24.0, 48.0):
            show(f"moisture {lead:g} h ahead, {air}", moisture_ahead(runs, lead, with_air))
    for with_past, ahead in ((False, False), (True, False), (True, True)):
        for known in (3.0, 6.0, 12.0, 24.0):
            score, close = peaks(runs, known, with_past, ahead)
            label = ("past feedings" if with_past else "alone") + (" and room ahead" if ahead else "")
            show(f"peak from the first {known:g} h, {label}", score, f"within 2.5 C {close:.1%}")
    print(f"forecast_drying, 10,000 channels of 3 days at 10 minutes, one core: {speed():.1f} s")


if __name__ == "__main__":
    main()
