"""How often trend intervals hold the true slope, and what is found wrong with the probes of simulated bins.

Run from the root of the repository: python -m tests.bench.trends_and_faults
"""

from __future__ import annotations

from collections import Counter

import numpy as np
from numpy.typing import NDArray
from scipy.stats import theilslopes
from tests.bins.run import simulate

from underlid.science.quality import check_series
from underlid.science.trend import robust_trend

SERIES = 300
SPAN_H = 48.0
SLOPE = 0.3


def noisy(rng: np.random.Generator, n: int, correlation_h: float) -> tuple[NDArray, NDArray]:
    """Irregular times over two days; unit noise correlated over `correlation_h`, and a white half."""
    time_h = np.sort(rng.uniform(0.0, SPAN_H, n))
    noise = rng.normal(size=n)
    for i in range(1, n):
        kept = np.exp(-(time_h[i] - time_h[i - 1]) / correlation_h)
        noise[i] = kept * noise[i - 1] + np.sqrt(1.0 - kept**2) * noise[i]
    return time_h, SLOPE * time_h + noise + rng.normal(0.0, 0.5, n)


def coverage() -> None:
    rng = np.random.default_rng(1)
    print("Share of 80 % intervals that hold the slope (in brackets: Sen's, for independent readings)")
    times = (0.01, 1.0, 4.0, 12.0, 48.0)
    print("readings  " + "".join(f"{f'{t:g} h':>14}" for t in times))
    for n in (8, 20, 60, 200):
        cells = []
        for correlation_h in times:
            held = sens = 0
            for _ in range(SERIES):
                time_h, value = noisy(rng, n, correlation_h)
                trend = robust_trend(time_h, value)
                held += trend.low <= SLOPE <= trend.high
                sen = theilslopes(value, time_h, alpha=0.8)
                sens += sen.low_slope <= SLOPE <= sen.high_slope
            cells.append(f"{f'{held / SERIES:.2f} ({sens / SERIES:.2f})':>14}")
        print(f"{n:8d}  " + "".join(cells))


def faults() -> None:
    print("\nFaults found in 8 simulated bins over 30 days, with spikes, silences and power-on values")
    found: dict[tuple[str, str], Counter[str]] = {}
    for run in simulate(5, bins=8, days=30.0):
        air = run.probes["air", "temp"]
        for (position, kind), series in run.probes.items():
            inside = (air.time_h, air.value) if position != "air" else None
            known = [event.time_h for event in run.log]
            checked = check_series(series.time_h, series.value, kind, air=inside, known_h=known)
            count = found.setdefault((position, kind), Counter())
            count["readings"] += series.time_h.size
            count["spikes"] += int(checked.spike.sum())
            count["out of range"] += int(checked.out_of_range.sum())
            count["gaps"] += len(checked.gaps)
            count["stuck"] += len(checked.stuck)
            count["steps"] += len(checked.steps)
            count["hours out of bedding"] += round(sum(s.end_h - s.start_h for s in checked.out_of_bedding))
    for (position, kind), count in sorted(found.items()):
        print(f"{position:>6} {kind:<6}" + ", ".join(f"{name} {number}" for name, number in count.items()))


if __name__ == "__main__":
    coverage()
    faults()
