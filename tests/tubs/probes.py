"""What a cheap probe in a tub reports: offset, noise, steps of 1/16 C, uneven times, holes, spikes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def readings(
    rng: np.random.Generator, hourly_c: Array, every_h: float = 0.5, offset_sd: float = 0.2, lost: float = 0.1
) -> tuple[Array, Array]:
    """Times (h) and values; about a tenth is lost one by one, and one stretch of up to ten hours."""
    n = int((hourly_c.size - 1) / every_h)
    time = np.sort(np.arange(n) * every_h + rng.uniform(-0.1, 0.1, n) * every_h)
    time = time[(time >= 0.0) & (time <= hourly_c.size - 1)]
    value = np.interp(time, np.arange(hourly_c.size), hourly_c)
    value = value + rng.normal(0.0, offset_sd) + rng.normal(0.0, 0.08, time.size)
    spikes = rng.random(time.size) < 0.002
    value[spikes] += rng.choice([-12.0, 15.0, 60.0], spikes.sum())
    value = np.round(value * 16.0) / 16.0
    kept = rng.random(time.size) >= lost
    hole = rng.uniform(0.0, time[-1])
    kept &= ~((time > hole) & (time < hole + rng.uniform(0.0, 10.0)))
    return time[kept], value[kept]
