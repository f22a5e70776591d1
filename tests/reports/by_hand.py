"""What is in a bin, worked out again from raw rows by the equations that `science/README.md` publishes.

Nothing of the service's science is used: growth is integrated by scipy instead of solved, food and castings are summed
up hour by hour. Figures beside the equations are those of that page, with its sources.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import log, sqrt

import numpy as np
import pandas as pd
from scipy.integrate import solve_ivp
from tests.reports import by_pandas

from underlid.model import LogEntry

HOUR = pd.Timedelta(hours=1)
DAY = pd.Timedelta(days=1)
# Days at 20 °C until nine tenths are gone, with the range that the pieces' size makes of it.
GONE_DAYS = {
    "coffee": (30.0, 14.0, 60.0),  # common practice, no source
    "trimmings": (21.0, 10.0, 60.0),  # common practice, no source
    "banana": (25.0, 21.0, 28.0),  # West Sussex Waste Prevention, The rate at which it rots
    "cardboard": (60.0, 40.0, 120.0),  # the same; its range: common practice, no source
    "apple core": (60.0, 40.0, 80.0),  # the same
}
DOUBLING_DAYS = (75.0, 150.0, 45.0)  # usual, slow, fast: common practice, no source
CARRIES_KG_M2 = (10.0, 5.0, 10.0)  # Munroe, from memory
EATS_KG_PER_KG_DAY = (0.75, 1.25, 0.5)  # Ndegwa, Thompson and Das 2000; 0.5 from memory
CROWDED_KG_M2 = 5.0
READY_DEGREE_DAYS = (
    sqrt(960.0 * 2880.0),
    960.0,
    2880.0,
)  # two to six months at 20 °C above 4 °C, from memory


def at(time_ms: float) -> pd.Timestamp:
    return pd.Timestamp(round(time_ms), unit="ms", tz="UTC")


def warmth(raw: pd.Series, from_ms: int, to_ms: int) -> pd.Series:
    """Hourly temperature of the bedding over a span, from raw readings.

    Silences are bridged; what lies before the first reading is as warm as the mean of what is known.
    """
    sane = raw[(raw >= -40.0) & (raw <= 80.0) & (raw.index < at(to_ms))]
    first = max(sane.index[0], at(from_ms))
    seconds = by_pandas.figures(sane, round(first.timestamp()) * 1000, to_ms, None, None).seconds
    hourly = seconds.resample("1h").mean()
    hourly.index += HOUR / 2
    grid = pd.date_range(at(from_ms), at(to_ms), freq="1h")
    known = hourly.reindex(hourly.index.union(grid)).interpolate("time").reindex(grid).ffill()
    early = grid < first
    # a beginning of less than a day is as warm as the first that is known
    fill = seconds.mean() if first - at(from_ms) > DAY else known[~early].bfill().iloc[0]
    return known.where(~early, fill).bfill()


def activity(temp_c: float, pct_wb: float) -> float:
    """Rosso, Lobry and Flandrois 1993 through 4, 25, 35 °C; straight lines through 50, 70, 90, 100 % water."""
    low, best, high = 4.0, 25.0, 35.0
    warm = 0.0
    if low < temp_c < high:
        over = (temp_c - high) * (temp_c - low) ** 2
        under = (best - low) * ((best - low) * (temp_c - best) - (best - high) * (best + low - 2.0 * temp_c))
        warm = over / under
    wet = (pct_wb - 50.0) / 20.0 if pct_wb < 70.0 else (100.0 - pct_wb) / 10.0 if pct_wb > 90.0 else 1.0
    return warm * max(wet, 0.0)


def fed_per_day(entries: Sequence[LogEntry], started_ms: int, to_ms: int) -> float:
    """Of the last eight weeks, kg; infinite where fewer than four feedings are in the log."""
    since = max(started_ms, to_ms - 56 * 86_400_000)
    fed = pd.Series(
        [e.amount_kg for e in entries if e.kind == "fed" and since <= e.at_ms < to_ms], dtype=float
    )
    return float(fed.sum() / ((to_ms - since) / 86_400_000)) if fed.count() >= 4 else np.inf


def grown(
    kg: float, days: float, area_m2: float, active: float, fed_kg_per_day: float
) -> tuple[float, float, float]:
    """Worms after some days, likely, least and most: dN/dt = r N (1 - N / K), integrated.

    K is what the area carries or, where it is less, those worms that eat what is fed.
    """
    out = []
    for doubling, carries, eats in zip(DOUBLING_DAYS, CARRIES_KG_M2, EATS_KG_PER_KG_DAY, strict=True):
        fed = fed_kg_per_day / eats / active if active > 0.0 else np.inf
        top = max(min(carries * area_m2, fed), kg)
        rate = log(2.0) / doubling * active
        run = solve_ivp(lambda _, n, r=rate, k=top: r * n * (1.0 - n / k), (0.0, days), [kg], rtol=1e-8)
        out.append(float(run.y[0, -1]))
    return out[0], out[1], out[2]


def days_until_crowded(kg: float, area_m2: float, active: float) -> float:
    """At the usual doubling; by the same equation, stopped where there are 5 kg on a square metre."""
    rate, top = log(2.0) / DOUBLING_DAYS[0] * active, 10.0 * area_m2

    def crowded(_: float, n: np.ndarray) -> float:
        return float(n[0]) - CROWDED_KG_M2 * area_m2

    crowded.terminal = True  # type: ignore[attr-defined]
    run = solve_ivp(lambda _, n: rate * n * (1.0 - n / top), (0.0, 20_000.0), [kg], events=crowded, rtol=1e-8)
    return float(run.t_events[0][0]) if len(run.t_events[0]) else np.inf


def rate(temp_c: pd.Series) -> pd.Series:
    """Of decay against that at 20 °C: twice as fast with ten degrees, none in frost, level above 35 °C."""
    return (2.0 ** ((temp_c.clip(upper=35.0) - 20.0) / 10.0)).where(temp_c > 0.0, 0.0)


def per_day(hourly: pd.Series) -> float:
    """An integral over time in days, by trapezoids."""
    days = (hourly.index - hourly.index[0]).total_seconds().to_numpy() / 86_400.0
    return float(np.trapezoid(hourly.to_numpy(), days))


def left(kg: float, what: str, temp_c: pd.Series, more_days: float = 0.0) -> tuple[float, float, float]:
    """Of a feeding, since it was given; `more_days` at 20 °C later."""
    spent = per_day(rate(temp_c)) + more_days
    usual, low, high = next(days for word, days in GONE_DAYS.items() if word in what)
    return kg * 0.1 ** (spent / usual), kg * 0.1 ** (spent / low), kg * 0.1 ** (spent / high)


@dataclass(frozen=True)
class Castings:
    share: float
    on: list[float]  # days from the end until they are ready, likely, earliest, latest; negative: ago
    a_hundredth: list[float]  # days in which a hundredth of the degree-days needed is gathered


def castings(temp_c: pd.Series) -> Castings:
    """Since the bin was begun: degree-days above 4 °C, going on as in the last week."""
    over = temp_c.clip(4.0, 35.0) - 4.0
    days = (over.index - over.index[0]).total_seconds().to_numpy() / 86_400.0
    steps = np.diff(days) * (over.to_numpy()[1:] + over.to_numpy()[:-1]) / 2.0
    done = np.concatenate([[0.0], np.cumsum(steps)])
    a_day = (done[-1] - np.interp(days[-1] - 7.0, days, done)) / min(7.0, days[-1])
    on = []
    for need in READY_DEGREE_DAYS:
        if done[-1] >= need:
            on.append(float(np.interp(need, done, days) - days[-1]))
        else:
            on.append((need - done[-1]) / a_day if a_day > 0.0 else np.inf)
    return Castings(
        min(1.0, done[-1] / READY_DEGREE_DAYS[0]), on, [0.01 * need / a_day for need in READY_DEGREE_DAYS]
    )
