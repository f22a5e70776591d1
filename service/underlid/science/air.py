"""Moist air: saturation pressure, vapour pressure deficit, dew point.

All functions work element by element on floats or arrays; NaN gives NaN.
"""

from __future__ import annotations

import numpy as np

from underlid.science.domain import Num, within

# Magnus constants over water as in the WMO guide No. 8 and Sensirion's note on the dew point.
# They are not those of FAO-56: a dew point and a FAO-56 pressure must not be mixed in one balance.
_MAGNUS_B = 17.62
_MAGNUS_C = 243.12


def saturation_vapour_pressure_kpa(temp_c: Num) -> Num:
    """Saturation vapour pressure over water, kPa.

    temp_c: air temperature, -45 to 100 C. Source: FAO-56 (Allen et al. 1998) equation 11,
    e0 = 0.6108 exp(17.27 T / (T + 237.3)). Raises ValueError outside the bounds.
    """
    temp = within("temp_c", temp_c, -45.0, 100.0, "C")
    pressure: Num = 0.6108 * np.exp(17.27 * temp / (temp + 237.3))
    return pressure


def vapour_pressure_deficit_kpa(temp_c: Num, rh_pct: Num) -> Num:
    """How much vapour the air could still take up, kPa: e0(T) (1 - RH/100).

    temp_c: -45 to 100 C; rh_pct: relative humidity over water, 0 to 100 %. Source: FAO-56, chapter 3.
    Raises ValueError outside the bounds.
    """
    humidity = within("rh_pct", rh_pct, 0.0, 100.0, "%")
    return saturation_vapour_pressure_kpa(temp_c) * (1.0 - humidity / 100.0)


def dew_point_c(temp_c: Num, rh_pct: Num) -> Num:
    """Dew point over water, C.

    temp_c: -45 to 60 C; rh_pct: 0.1 to 100 % (dry air has no dew point). Source: Magnus form with
    17.62 and 243.12 C (WMO No. 8; Sensirion, "Dew-point calculation"). Raises ValueError outside the bounds.
    """
    temp = within("temp_c", temp_c, -45.0, 60.0, "C")
    humidity = within("rh_pct", rh_pct, 0.1, 100.0, "%")
    h: Num = np.log(humidity / 100.0) + _MAGNUS_B * temp / (_MAGNUS_C + temp)
    return _MAGNUS_C * h / (_MAGNUS_B - h)
