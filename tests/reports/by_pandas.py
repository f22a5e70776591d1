"""A week's figures by pandas on a grid of seconds, from the raw readings: nothing of the service is used.

The rule is written down again in other terms: for every second the reading before it and the one after it are looked
up; the second is known while the silence between the two is no gap, or the reading is not older than one spacing.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

LEAST_GAP = pd.Timedelta(minutes=30)


@dataclass(frozen=True)
class ByPandas:
    known: float
    below: float
    inside: float
    above: float
    lowest: float
    lowest_at: int
    median: float
    highest: float
    highest_at: int
    mean: float
    seconds: pd.Series  # the value at each second, NaN where nothing is known


def frame(time_ms: object, value: object) -> pd.Series:
    """Raw readings as a series over time."""
    return pd.Series(np.asarray(value), index=pd.to_datetime(np.asarray(time_ms), unit="ms", utc=True))


def figures(raw: pd.Series, from_ms: int, to_ms: int, low: float | None, high: float | None) -> ByPandas:
    """Of readings at whole seconds, in time order."""
    start, end = (pd.Timestamp(ms, unit="ms", tz="UTC") for ms in (from_ms, to_ms))
    raw = raw[raw.index < end]
    week = raw[raw.index >= start]
    spacing = week.index.to_series().diff().median()
    longest = max(3 * spacing, LEAST_GAP)
    grid = pd.DataFrame({"at": pd.date_range(start, end, freq="1s", inclusive="left")})
    said = pd.DataFrame({"at": raw.index, "read": raw.index, "value": raw.to_numpy()})
    following = pd.DataFrame({"at": raw.index, "next": raw.index})
    table = pd.merge_asof(grid, said, on="at", direction="backward")
    table = pd.merge_asof(table, following, on="at", direction="forward", allow_exact_matches=False)
    silence = table["next"].fillna(end) - table["read"]
    age = table["at"] - table["read"]
    known = table["read"].notna() & ((silence <= longest) | (age < spacing))
    values = table["value"].where(known)
    seen = values.dropna()
    below = (seen < low).mean() if low is not None else 0.0
    above = (seen > high).mean() if high is not None else 0.0
    return ByPandas(
        known=100.0 * known.mean(),
        below=100.0 * below,
        inside=100.0 * (1.0 - below - above),
        above=100.0 * above,
        lowest=seen.min(),
        lowest_at=_ms(table["at"][seen.idxmin()]),
        median=seen.median(),
        highest=seen.max(),
        highest_at=_ms(table["at"][seen.idxmax()]),
        mean=seen.mean(),
        seconds=pd.Series(values.to_numpy(), index=pd.DatetimeIndex(table["at"])),
    )


def _ms(at: pd.Timestamp) -> int:
    return round(at.timestamp() * 1000)


def trend(seconds: pd.Series, hands_ms: list[int], quantity: str) -> tuple[float, str]:
    """Median slope per day of six-hourly means over pairs that have no hand on the bin between them, and its word.

    Six hours count from the first known second; those with less than a quarter known, or with a hand in them, don't.
    It is sure where, over the longest stretch without a hand, it comes to twice the scatter about the line.
    """
    first = seconds.first_valid_index()
    known = seconds.loc[first:]
    six = known.groupby((known.index - first) // pd.Timedelta(hours=6))
    means, shares = six.mean(), six.count() / (6 * 3600)
    last = seconds.last_valid_index()
    hands = pd.to_datetime(sorted(hands_ms), unit="ms", utc=True)
    kept = []
    for number, mean in means.items():
        begin = first + number * pd.Timedelta(hours=6)
        end = begin + pd.Timedelta(hours=6)
        if end > last + pd.Timedelta(seconds=1) or shares[number] < 0.25:
            continue
        if any(begin <= hand < end for hand in hands):
            continue
        kept.append((number / 4.0, mean, sum(hand <= begin for hand in hands)))
    table = pd.DataFrame(kept, columns=["day", "mean", "part"])
    slopes = []
    for _, part in table.groupby("part"):
        apart = np.subtract.outer(part["day"].to_numpy(), part["day"].to_numpy())
        rise = np.subtract.outer(part["mean"].to_numpy(), part["mean"].to_numpy())
        slopes += (rise[apart > 0] / apart[apart > 0]).tolist()
    slope = float(pd.Series(slopes).median())
    off = table["mean"] - slope * table["day"]
    off -= off.groupby(table["part"]).transform("median")
    scatter = 1.4826 * off.abs().median()  # of a normal distribution, its standard deviation
    longest = table.groupby("part")["day"].agg(np.ptp).max()
    little = {"temperature": 0.1, "moisture": 0.2, "humidity": 1.0}[quantity]
    if abs(slope) <= little or abs(slope) * longest <= 2.0 * scatter:
        return slope, "steady"
    return slope, "rising" if slope > 0.0 else "falling"
