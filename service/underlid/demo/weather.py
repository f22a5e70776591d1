"""Invented air, as a pure function of a seed and the time.

**The demo always plays a cold spell**: whatever the calendar date, "now" lies five days into a winter frost
that a mild spell came before and a thaw follows three days later. Season, passing fronts, the day's course
and flurries are added up as waves of seeded phase, so that any moment can be asked for in any order and the
same seed gives the same weather.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from underlid.demo.matter import Floats, vapour_pressure_kpa

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS

FROST_FROM_D = -5.5  # days after "now"
FROST_UNTIL_D = 3.0
FRONT_DAYS = 0.8  # how long the air takes to change over
MILD_C = 5.5
FROST_C = -7.0

_SYNOPTIC_DAYS = (2.9, 4.3, 6.7, 9.5)
_SYNOPTIC_C = (0.8, 1.1, 1.3, 1.2)
_FLURRY_HOURS = (1.1, 1.9, 3.1, 4.7)
_FLURRY_C = 0.15


@dataclass(frozen=True, slots=True)
class Air:
    """Air at some times: arrays of one shape. `sun_w_m2` falls on the open front of the lean-to."""

    temp_c: Floats
    rh_pct: Floats
    sun_w_m2: Floats

    @property
    def vapour_kpa(self) -> Floats:
        return vapour_pressure_kpa(self.temp_c) * self.rh_pct / 100.0


@dataclass(frozen=True, slots=True)
class Weather:
    """The weather around a "now". `utc_offset_h` sets when noon is."""

    seed: int
    now_ms: int
    utc_offset_h: float = 0.0

    def outdoors(self, time_ms: ArrayLike) -> Air:
        """Outdoor air at times in ms; under the lean-to it is the same air."""
        time = np.asarray(time_ms, dtype=np.float64)
        cloud = self._cloud(time)
        sun = self._sun_w_m2(time, cloud)
        temp = self._slow_c(time) + self._daily_c(time, cloud) + self._flurry_c(time) + 0.004 * sun
        # The dew point follows the slow air mass: nights are near saturation, afternoons drier.
        dew = self._slow_c(time) - 2.6 + 0.8 * cloud + 0.4 * self._wave(time, 31.0, 5)
        rh = 100.0 * vapour_pressure_kpa(dew) / vapour_pressure_kpa(temp)
        return Air(temp, np.clip(rh, 30.0, 99.0), sun)

    def shed(self, time_ms: ArrayLike) -> Air:
        """Air of the potting shed: no heater, but its back wall is the café's oven wall, and its air is
        damped and late.

        Its humidity is the outdoor vapour plus what bins and people give off: in a frost the shed is dry.
        """
        time = np.asarray(time_ms, dtype=np.float64)
        late = time - 6 * HOUR_MS
        temp = (
            15.0
            + 0.13 * (self._slow_c(late) - MILD_C)
            + 0.22 * self._daily_c(time - 2 * HOUR_MS, self._cloud(late))
            + 0.3 * self._flurry_c(time)
        )
        outdoors = self.outdoors(late)
        vapour = 0.8 * outdoors.vapour_kpa + 0.45
        rh = 100.0 * vapour / vapour_pressure_kpa(temp)
        return Air(temp, np.clip(rh, 25.0, 97.0), np.zeros_like(temp))

    def _wave(self, time: Floats, period_h: float, index: int) -> Floats:
        """A wave that is tied to "now", so that the frost looks alike whatever the date."""
        angle = 2 * np.pi * (time - self.now_ms) / (period_h * HOUR_MS) + _phase(self.seed, index)
        return np.asarray(np.sin(angle), dtype=np.float64)

    def _frost(self, time: Floats) -> Floats:
        day = (time - self.now_ms) / DAY_MS
        return _smooth((day - FROST_FROM_D) / FRONT_DAYS) * (
            1.0 - _smooth((day - FROST_UNTIL_D) / FRONT_DAYS)
        )

    def _slow_c(self, time: Floats) -> Floats:
        """Season and fronts. "Now" is always the coldest week of a winter; a year later it is again."""
        frost = self._frost(time)
        season = 6.5 * (1.0 - np.cos(2 * np.pi * (time - self.now_ms) / (365.25 * DAY_MS)))
        fronts = sum(
            (
                c * self._wave(time, d * 24.0, 10 + i)
                for i, (d, c) in enumerate(zip(_SYNOPTIC_DAYS, _SYNOPTIC_C, strict=True))
            ),
            start=np.zeros_like(time),
        )
        return np.asarray((1.0 - frost) * (MILD_C + season) + frost * FROST_C + (1.0 - 0.65 * frost) * fronts)

    def _cloud(self, time: Floats) -> Floats:
        """0 clear to 1 overcast."""
        return np.clip(0.45 + 0.35 * self._wave(time, 53.0, 30) + 0.3 * self._wave(time, 17.0, 31), 0.0, 1.0)

    def _hour(self, time: Floats) -> Floats:
        return (time / HOUR_MS + self.utc_offset_h) % 24.0

    def _daily_c(self, time: Floats, cloud: Floats) -> Floats:
        """Coldest before sunrise, warmest in the early afternoon."""
        return np.asarray((2.8 - 1.6 * cloud) * np.cos(2 * np.pi * (self._hour(time) - 14.5) / 24.0))

    def _sun_w_m2(self, time: Floats, cloud: Floats) -> Floats:
        """Low winter sun between half past eight and half past three."""
        height = np.sin(np.pi * (self._hour(time) - 8.5) / 7.0)
        day = (self._hour(time) > 8.5) & (self._hour(time) < 15.5)
        return np.where(day, 380.0 * np.maximum(height, 0.0) * (1.0 - 0.85 * cloud), 0.0)

    def _flurry_c(self, time: Floats) -> Floats:
        return sum(
            (_FLURRY_C * self._wave(time, h, 20 + i) for i, h in enumerate(_FLURRY_HOURS)),
            start=np.zeros_like(time),
        )


@lru_cache(maxsize=256)
def _phase(seed: int, index: int) -> float:
    return float(np.random.default_rng([seed, 71, index]).uniform(0.0, 2 * np.pi))


def _smooth(x: NDArray[np.float64]) -> Floats:
    x = np.clip(x, 0.0, 1.0)
    return np.asarray(x * x * (3.0 - 2.0 * x))
