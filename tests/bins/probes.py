"""Cheap probes: noise, drift, temperature error, rounding, spikes, silences, irregular times."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def reading_times(rng: np.random.Generator, hours: float) -> Floats:
    """When a probe spoke: every 10, 15 or 30 minutes with jitter, some lost, some silences of hours."""
    step = float(rng.choice([1 / 6, 1 / 4, 1 / 2]))
    t = (
        np.arange(0.0, hours, step)
        + rng.uniform(0.0, 0.2 * step, int(np.ceil(hours / step)))[: len(np.arange(0.0, hours, step))]
    )
    keep = rng.random(len(t)) > 0.03
    for _ in range(rng.poisson(hours / 240.0)):
        begin = rng.uniform(0.0, hours)
        keep &= ~((t > begin) & (t < begin + rng.exponential(5.0)))
    return np.asarray(t[keep])


def read_temperature(rng: np.random.Generator, t: Floats, truth_t: Floats, truth: Floats) -> Floats:
    """Digital thermometer: offset up to 0.3 C, steps of 1/16 C, the odd power-on value of 85."""
    value = np.interp(t, truth_t, truth) + rng.uniform(-0.3, 0.3) + rng.normal(0.0, 0.05, len(t))
    value = np.round(value * 16) / 16
    value[rng.random(len(t)) < 0.0003] = 85.0
    return np.asarray(value)


def read_moisture(
    rng: np.random.Generator, t: Floats, truth_t: Floats, truth: Floats, temp: Floats
) -> tuple[Floats, Floats]:
    """Capacitive probe after calibration: noise, slow drift, an error that follows temperature, spikes.

    Gives the readings, and the same without noise, spikes and rounding.
    """
    noise = rng.normal(0.0, rng.uniform(0.2, 0.8), len(t))
    gaps = np.diff(t, prepend=t[0])
    drift = np.cumsum(rng.normal(0.0, 1.0, len(t)) * np.sqrt(gaps / 24.0)) * 0.07
    follows = rng.normal(0.0, 0.08) * (np.interp(t, truth_t, temp) - 20.0)
    still = np.interp(t, truth_t, truth) + drift + follows
    value = still + noise
    spikes = rng.random(len(t)) < 0.001
    value[spikes] += rng.normal(0.0, 12.0, int(spikes.sum()))
    return np.asarray(np.clip(np.round(value, 1), 0.0, 100.0)), still


def read_humidity(rng: np.random.Generator, t: Floats, truth_t: Floats, truth: Floats) -> Floats:
    """Relative humidity sensor: offset up to 2 points, noise, 0..100."""
    value = np.interp(t, truth_t, truth) + rng.uniform(-2.0, 2.0) + rng.normal(0.0, 0.4, len(t))
    return np.asarray(np.clip(np.round(value, 1), 0.0, 100.0))
