"""Outdoor temperature for the hours to come: the user's own forecast, else what the last days show."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from underlid.science.series import Floats, hourly_or_given, same_length

OutdoorSource = Literal["given", "persistence with the daily cycle", "persistence"]

CYCLE_DAYS = 7.0
# The next three were chosen on January to March of the two hourly years in pvlib's wheel; the benchmark
# judges on October to December of the same.
_FADE_H = 36.0
_SHARE_OF_CYCLE = 0.8
_SHARE_OF_DAY = 0.5
_SD_FLOOR_C, _SD_CEILING_C, _SD_GROWTH_H = 0.7, 7.0, 24.0
_GIVEN_SD_C = (0.8, 0.03)


@dataclass(frozen=True)
class OutdoorForecast:
    """Hourly from now (first value) on; ``sd_c`` is the standard error expected at each hour."""

    time_h: Floats
    outdoor_c: Floats
    sd_c: Floats
    source: OutdoorSource


def outdoor_forecast(
    time_h: ArrayLike, outdoor_c: ArrayLike, horizon_h: float = 48.0, given_c: ArrayLike | None = None
) -> OutdoorForecast:
    """Hourly outdoor temperature from the last time on, for ``horizon_h`` hours.

    ``time_h``, ``outdoor_c`` (n,): what was measured, rising times, uneven and with NaN as it comes.
    ``given_c``: the user's hourly forecast, the first value for now; it is used as far as it reaches, and
    the result ends there. Without it: with a day or more of data, the mean daily cycle of up to seven last
    days (its swing less a fifth), plus the present departure from it, which fades with an e-folding time
    of 36 h towards half the mean departure of the last day; with less, the last value held. ``sd_c`` is
    learned from how far such forecasts would have missed within the data where that is possible (six days
    or more), else 7 sqrt(1 - exp(-h/24)) C, at least 0.7 C. For a given forecast it is 0.8 + 0.03 h
    (common practice, no source).
    ValueError if nothing was measured and nothing is given.
    """
    if not horizon_h >= 1.0:
        raise ValueError(f"horizon_h must be at least 1, got {horizon_h}")
    lead = np.arange(int(horizon_h) + 1, dtype=np.float64)
    if given_c is not None:
        given = np.asarray(given_c, dtype=np.float64)[: lead.size]
        seen = np.isfinite(given)
        if given.ndim != 1 or given.size < 2 or not seen.any():
            raise ValueError("given_c must be an hourly series of at least 2 values, the first for now")
        lead = lead[: given.size]
        filled = np.interp(lead, lead[seen], given[seen])
        return OutdoorForecast(lead, filled, _GIVEN_SD_C[0] + _GIVEN_SD_C[1] * lead, "given")
    outdoor = np.asarray(outdoor_c, dtype=np.float64)
    time = hourly_or_given(time_h, outdoor.size)
    same_length(outdoor, time.size, "outdoor_c")
    seen = np.isfinite(outdoor)
    if not seen.any():
        raise ValueError("outdoor_c must have at least one value that is not missing, or given_c be there")
    time, outdoor = time[seen], outdoor[seen]
    if time[-1] - time[0] < 24.0 or time.size < 12:
        return OutdoorForecast(lead, np.full(lead.size, outdoor[-1]), _usual_sd(lead), "persistence")
    values = _with_cycle(time, outdoor, lead)
    return OutdoorForecast(lead, values, _learned_sd(time, outdoor, lead), "persistence with the daily cycle")


def _usual_sd(lead: Floats) -> Floats:
    return np.maximum(_SD_FLOOR_C, _SD_CEILING_C * np.sqrt(1.0 - np.exp(-lead / _SD_GROWTH_H)))


def _with_cycle(time: Floats, outdoor: Floats, lead: Floats) -> Floats:
    """Mean daily cycle (24 bins, smoothed by interpolation) plus the fading present departure."""
    now = time[-1]
    recent = time > now - 24.0 * CYCLE_DAYS
    t, c = time[recent], outdoor[recent]
    grid = np.arange(max(t[0], now - 24.0 * int((now - t[0]) / 24.0)), now + 1e-9, 1.0)
    hourly = np.interp(grid, t, c)
    days = int((now - grid[0]) / 24.0 + 1e-9)
    # Counted back from now, so that the cycle needs no clock.
    cycle = hourly[::-1][: 24 * days].reshape(days, 24).mean(axis=0)[::-1]
    mean = cycle.mean()
    cycle = mean + _SHARE_OF_CYCLE * (cycle - mean)
    departure_now = float(np.median(c[t >= now - 0.5])) - cycle[-1]
    departure_day = float(hourly[-24:].mean() - mean)
    ahead = cycle[(np.arange(lead.size) - 1) % 24]
    fade = np.exp(-lead / _FADE_H)
    return np.asarray(ahead + fade * departure_now + (1.0 - fade) * _SHARE_OF_DAY * departure_day)


def _learned_sd(time: Floats, outdoor: Floats, lead: Floats) -> Floats:
    """Root mean square miss of the same forecast made from earlier hours, blended with the usual spread."""
    usual = _usual_sd(lead)
    starts = np.arange(time[-1] - 6.0, time[0] + 24.0 * 2, -6.0)
    if time[-1] - time[0] < 24.0 * 6:
        return usual
    total, count = np.zeros(lead.size), np.zeros(lead.size)
    for start in starts[:60]:
        past = time <= start
        made = _with_cycle(time[past], outdoor[past], lead)
        reach = time[past][-1] + lead <= time[-1]
        truth = np.interp(time[past][-1] + lead[reach], time, outdoor)
        total[reach] += (made[reach] - truth) ** 2
        count[reach] += 1.0
    # The usual spread counts as four forecasts: a calm week must not make the next look certain.
    return np.maximum(_SD_FLOOR_C, np.sqrt((total + 4.0 * usual**2) / (count + 4.0)))
