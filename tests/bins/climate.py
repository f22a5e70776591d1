"""Room air around simulated bins: daily cycle, passing weather, vapour."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Room:
    """Air per step and bin, shape (steps, bins); `sun_w` is what falls on the lid."""

    air_c: Floats
    vapour_kpa: Floats
    sun_w: Floats


def saturation_kpa(temp_c: Floats) -> Floats:
    """Saturation pressure over water, Buck's 1981 form (another equation than the package's)."""
    return np.asarray(0.61121 * np.exp((18.678 - temp_c / 234.5) * temp_c / (257.14 + temp_c)))


def wander(rng: np.random.Generator, steps: int, bins: int, step_h: float, tau_h: float, sd: float) -> Floats:
    """A random walk that is pulled back to zero with time constant `tau_h` (Ornstein-Uhlenbeck)."""
    keep = np.exp(-step_h / tau_h)
    kicks = rng.normal(0.0, sd * np.sqrt(1 - keep**2), (steps, bins))
    kicks[0] = rng.normal(0.0, sd, bins)
    out = np.empty_like(kicks)
    level = np.zeros(bins)
    for i in range(steps):
        level = keep * level + kicks[i]
        out[i] = level
    return out


def room(rng: np.random.Generator, steps: int, bins: int, step_h: float, sunny_share: float) -> Room:
    """Sheds and cellars: mean 12 to 23 C, a daily swing of 0.5 to 5 C, weather that passes in days."""
    hour = np.arange(steps)[:, None] * step_h
    mean = rng.uniform(12.0, 23.0, bins)
    swing = rng.uniform(0.5, 5.0, bins)
    weather = wander(rng, steps, bins, step_h, 50.0, 1.0) * rng.uniform(0.5, 2.5, bins)
    day = np.cos(2 * np.pi * (hour - 15.0) / 24.0) + 0.2 * np.cos(4 * np.pi * (hour - 14.0) / 24.0)
    daily = np.repeat(
        rng.uniform(0.5, 1.3, (steps // max(1, round(24 / step_h)) + 1, bins)), round(24 / step_h), 0
    )
    air = mean + weather + swing * day * daily[:steps]
    humid = saturation_kpa(mean) * rng.uniform(0.5, 0.8, bins)
    vapour = humid * np.exp(wander(rng, steps, bins, step_h, 40.0, 0.15))
    vapour = np.minimum(vapour, 0.97 * saturation_kpa(air))
    sunny_bin = rng.random(bins) < sunny_share
    clear = np.repeat(rng.random((steps // round(24 / step_h) + 1, bins)) < 0.5, round(24 / step_h), 0)[
        :steps
    ]
    begin, length = rng.uniform(9.0, 13.0, bins), rng.uniform(2.0, 5.0, bins)
    phase = (hour % 24.0 - begin) / length
    beam = np.where((phase > 0) & (phase < 1), np.sin(np.pi * np.clip(phase, 0, 1)), 0.0)
    sun = beam * clear * sunny_bin * rng.uniform(40.0, 120.0, bins)
    return Room(air, vapour, sun)
