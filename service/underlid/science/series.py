"""Checks on time series that several models share."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def above(value: float, name: str, bound: float = 0.0) -> float:
    """``value`` if it is a finite number above ``bound``, else ValueError naming it."""
    if not (value > bound and math.isfinite(value)):
        raise ValueError(f"{name} must be above {bound:g}, got {value}")
    return float(value)


def same_length(values: ArrayLike | None, n: int, name: str) -> Floats:
    """``values`` as an array of length ``n``; all NaN when None."""
    if values is None:
        return np.full(n, np.nan)
    series = np.asarray(values, dtype=np.float64)
    if series.shape != (n,):
        raise ValueError(f"{name} must have one value for each of the {n} times, got shape {series.shape}")
    return series


def hourly_or_given(time_h: ArrayLike | None, n: int) -> Floats:
    """Times (h); hourly from 0 when none are given. ValueError unless rising and of length ``n``."""
    if time_h is None:
        return np.arange(n, dtype=np.float64)
    time = np.asarray(time_h, dtype=np.float64)
    if time.shape != (n,):
        raise ValueError(f"time_h must have one value for each of the {n} given, got shape {time.shape}")
    if not np.all(np.isfinite(time)) or np.any(np.diff(time) <= 0.0):
        raise ValueError("time_h must be finite and rising")
    return time


def bridged(time_h: Floats, values: Floats, name: str) -> Floats:
    """NaN filled linearly between neighbours and held at the ends; ValueError if nothing is there."""
    seen = np.isfinite(values)
    if not seen.any():
        raise ValueError(f"{name} must have at least one value that is not missing")
    return np.asarray(np.interp(time_h, time_h[seen], values[seen]))
