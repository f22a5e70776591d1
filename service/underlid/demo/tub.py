"""A feed tub outside: nested shells of one shape that freeze from the outside in, by their enthalpy.

Each shell lies between two similar cylinders; heat goes from shell to shell and from the outermost to the
air.
"""

from dataclasses import dataclass, field

import numpy as np

from underlid.demo.matter import Floats, heat_j, ice_share, temperature_c

SHELLS = 4
MAX_STEP_S = 300.0
_SCRAPS_KG_M3 = 720.0  # loosely packed scraps
_LIQUID_W_MK = 0.5  # Earle and Earle: 0.55 p + 0.26 (1 - p) at a water share of 0.8
_FROZEN_W_MK = 1.6  # 2.4 p + 0.26 (1 - p), less for the air between the pieces


@dataclass(slots=True)
class Tub:
    """One tub. Shells run from the middle outwards, shape (SHELLS,)."""

    diameter_m: float
    fill_depth_m: float
    surface_w_m2k: float
    freezing_c: float
    dry_kg: Floats
    water_kg: Floats
    heat_j: Floats
    conducted_j: float = 0.0
    _area_m2: Floats = field(init=False)  # outer faces of the shells
    _apart_m: float = field(init=False)

    def __post_init__(self) -> None:
        part = np.arange(1, SHELLS + 1) / SHELLS
        d, h = self.diameter_m * part, self.fill_depth_m * part
        self._area_m2 = np.pi * d * h + np.pi * d * d / 2.0
        self._apart_m = min(self.diameter_m, self.fill_depth_m) / 2.0 / SHELLS

    @property
    def temp_c(self) -> Floats:
        return temperature_c(self.heat_j, self.dry_kg, self.water_kg, self.freezing_c)

    @property
    def ice_share(self) -> float:
        """Share of all its water that is ice."""
        share = ice_share(self.temp_c, self.freezing_c)
        return float((share * self.water_kg).sum() / self.water_kg.sum())


def fill_tub(
    diameter_m: float,
    fill_depth_m: float,
    surface_w_m2k: float,
    freezing_c: float,
    moist_pct_wb: float,
    temp_c: float,
) -> Tub:
    """A tub just filled with scraps of one temperature."""
    part = np.arange(0, SHELLS + 1) / SHELLS
    volume = np.pi * diameter_m**2 / 4.0 * fill_depth_m * np.diff(part**3)
    mass = _SCRAPS_KG_M3 * volume
    water = mass * moist_pct_wb / 100.0
    heat = heat_j(temp_c, mass - water, water, freezing_c)
    return Tub(diameter_m, fill_depth_m, surface_w_m2k, freezing_c, mass - water, water, heat)


def step_tub(tub: Tub, dt_s: float, air_c: float) -> None:
    """Move a tub on by `dt_s` (at most 300 s) in air of one temperature."""
    if not 0.0 < dt_s <= MAX_STEP_S:
        raise ValueError(f"dt_s must lie in 0..{MAX_STEP_S:g}, got {dt_s:g}")
    temp = tub.temp_c
    conductivity = _LIQUID_W_MK + (_FROZEN_W_MK - _LIQUID_W_MK) * ice_share(temp, tub.freezing_c)
    half = tub._apart_m / 2.0 / conductivity  # m2K/W from a shell's middle to its face
    inner = tub._area_m2[:-1] / (half[:-1] + half[1:])
    outwards = inner * (temp[:-1] - temp[1:]) * dt_s
    lost = tub._area_m2[-1] / (half[-1] + 1.0 / tub.surface_w_m2k) * (temp[-1] - air_c) * dt_s
    tub.heat_j[:-1] -= outwards
    tub.heat_j[1:] += outwards
    tub.heat_j[-1] -= lost
    tub.conducted_j -= float(lost)
