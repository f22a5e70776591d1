"""Water in bedding and feed: bases, blends, how much to add, and what a litre really gives.

Moisture is per cent water by mass of the wet material (wet basis) unless the name says otherwise. One litre
of water counts as one kilogram. Unless said otherwise functions work element by element on floats or arrays,
NaN gives NaN, and a value outside its bounds raises ValueError.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from underlid.science.domain import FloatArray, Num, within

_WATER_KG_M3 = 1000.0
_WETTEST_PCT = 99.9  # nearer to 100 there is no dry matter left to reckon with
_MASS_KG = 1e7
_LEAST_SHARE = 0.25


def moisture_pct_wb(water_kg: Num, dry_kg: Num) -> Num:
    """Moisture of water and dry matter together, % wet basis: 100 water / (water + dry).

    water_kg at least 0; dry_kg above 0. Source: definition (Cornell Composting, "Moisture content").
    """
    water = within("water_kg", water_kg, 0.0, _MASS_KG, "kg")
    dry = within("dry_kg", dry_kg, 1e-9, _MASS_KG, "kg")
    return 100.0 * water / (water + dry)


def wet_to_dry_basis(pct_wb: Num) -> Num:
    """% of wet mass to % of dry mass: 100 M / (100 - M). pct_wb: 0 to 99.9 %. Source: definition."""
    wet = within("pct_wb", pct_wb, 0.0, _WETTEST_PCT, "%")
    return 100.0 * wet / (100.0 - wet)


def dry_to_wet_basis(pct_db: Num) -> Num:
    """% of dry mass to % of wet mass: 100 X / (100 + X). pct_db: 0 to 100,000 %. Source: definition."""
    dry = within("pct_db", pct_db, 0.0, 1e5, "%")
    return 100.0 * dry / (100.0 + dry)


def water_to_add_kg(mass_kg: Num, now_pct_wb: Num, target_pct_wb: Num) -> Num:
    """Water that brings bedding to the target, kg; 0 when it is there already or wetter.

    W = m (G - M) / (100 - G). mass_kg: wet mass now, at least 0; now_pct_wb: 0 to 100; target_pct_wb: 0 to
    99.9. Source: the two-material mix of Cornell Composting with water (100 %) as the second material.
    """
    mass = within("mass_kg", mass_kg, 0.0, _MASS_KG, "kg")
    now = within("now_pct_wb", now_pct_wb, 0.0, 100.0, "%")
    target = within("target_pct_wb", target_pct_wb, 0.0, _WETTEST_PCT, "%")
    water: Num = mass * np.maximum(target - now, 0.0) / (100.0 - target)
    return water


def bedding_to_add_kg(mass_kg: Num, now_pct_wb: Num, target_pct_wb: Num, bedding_pct_wb: Num) -> Num:
    """Bedding of a given moisture that brings too wet material down to the target, kg; 0 when not too wet.

    Q2 = m (M - G) / (G - M2). mass_kg: wet mass now, at least 0; percentages 0 to 100. Raises ValueError when
    something is too wet and bedding_pct_wb is not below target_pct_wb: no amount of it would do.
    Source: Cornell Composting (Richard and Trautmann), two-material moisture formula.
    """
    mass = within("mass_kg", mass_kg, 0.0, _MASS_KG, "kg")
    now = within("now_pct_wb", now_pct_wb, 0.0, 100.0, "%")
    target = within("target_pct_wb", target_pct_wb, 0.0, 100.0, "%")
    bedding = within("bedding_pct_wb", bedding_pct_wb, 0.0, 100.0, "%")
    too_wet = now > target
    if np.any(too_wet & (np.asarray(bedding) >= target)):
        raise ValueError("bedding_pct_wb must be below target_pct_wb: bedding as wet as that dries nothing")
    amount: Num = mass * np.maximum(now - target, 0.0) / np.where(too_wet, target - bedding, 1.0)
    return amount


def blend_pct_wb(mass_kg: ArrayLike, pct_wb: ArrayLike) -> float:
    """Moisture of several materials mixed, % wet basis: the mean weighed by wet mass.

    mass_kg, pct_wb: shape (n,); masses at least 0 and not all 0. Source: Cornell Composting, general formula.
    """
    mass, wet = _columns(mass_kg=mass_kg, pct_wb=pct_wb)
    _check_materials(mass, wet)
    return float(mass @ wet / mass.sum())


def blend_cn(
    mass_kg: ArrayLike, pct_wb: ArrayLike, carbon_pct_db: ArrayLike, nitrogen_pct_db: ArrayLike
) -> float:
    """Carbon to nitrogen ratio of several materials mixed.

    R = sum Q C (100 - M) / sum Q N (100 - M). All shape (n,): wet mass, % wet basis, carbon and nitrogen in %
    of dry matter. Raises ValueError when the mix holds no nitrogen. Source: Cornell Composting, C/N ratio.
    """
    mass, wet, carbon, nitrogen = _columns(
        mass_kg=mass_kg, pct_wb=pct_wb, carbon_pct_db=carbon_pct_db, nitrogen_pct_db=nitrogen_pct_db
    )
    _check_materials(mass, wet)
    within("carbon_pct_db", carbon, 0.0, 100.0, "%")
    within("nitrogen_pct_db", nitrogen, 0.0, 100.0, "%")
    dry = mass * (100.0 - wet)
    if float(dry @ nitrogen) == 0.0:
        raise ValueError("nitrogen_pct_db must be above 0 % in at least one material that is not all water")
    return float(dry @ carbon) / float(dry @ nitrogen)


def layer_mass_kg(area_m2: Num, depth_m: Num, bulk_density_kg_m3: Num) -> Num:
    """Wet mass of a layer, kg: area x depth x wet bulk density.

    area_m2: 0 to 1e5; depth_m: 0 to 10; bulk_density_kg_m3: 10 to 2000. Source: definition.
    """
    area = within("area_m2", area_m2, 0.0, 1e5, "m2")
    depth = within("depth_m", depth_m, 0.0, 10.0, "m")
    density = within("bulk_density_kg_m3", bulk_density_kg_m3, 10.0, 2000.0, "kg/m3")
    return area * depth * density


def topp_vwc(permittivity: Num) -> Num:
    """Volumetric water content of mineral soil from its relative permittivity, m3/m3.

    permittivity: 1 (air) to 88 (water at 0 C). Just above 1 the polynomial gives a little less than 0, and
    it is given as it is. Bedding is not mineral soil: calibrate a probe against oven-dry samples where the
    number matters. Source: Topp, Davis and Annan 1980, Water Resour. Res. 16(3), 574-582.
    """
    e = within("permittivity", permittivity, 1.0, 88.0, "")
    return -5.3e-2 + e * (2.92e-2 + e * (-5.5e-4 + e * 4.3e-6))


def topp_permittivity(vwc: Num) -> Num:
    """The permittivity that topp_vwc turns into this water content, found numerically (it rises throughout).

    vwc: -0.0243 to 1 m3/m3. Not the inverse polynomial of Topp et al., which is a fit of its own and does
    not come back to the same value.
    """
    wanted = within("vwc", vwc, -0.0243, 1.0, "m3/m3")
    low, high = np.full(np.shape(wanted), 1.0), np.full(np.shape(wanted), 88.0)
    for _ in range(60):
        middle = (low + high) / 2.0
        under = topp_vwc(middle) < wanted
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    permittivity: Num = (wanted * 0.0) + (low + high) / 2.0  # NaN stays NaN, a float a float
    return permittivity


def vwc_to_pct_wb(vwc: Num, dry_bulk_density_kg_m3: Num) -> Num:
    """Volumetric water content to % wet basis, given the dry mass in a volume.

    M = 100 th rho_w / (th rho_w + rho_dry). vwc: 0 to 1 m3/m3; dry_bulk_density_kg_m3: 10 to 2000 (bedding
    and castings some 100 to 400). Source: definition.
    """
    water = within("vwc", vwc, 0.0, 1.0, "m3/m3") * _WATER_KG_M3
    dry = within("dry_bulk_density_kg_m3", dry_bulk_density_kg_m3, 10.0, 2000.0, "kg/m3")
    return 100.0 * water / (water + dry)


@dataclass(frozen=True)
class WaterGain:
    """What this bin keeps of the water poured on it, where its probe sees it.

    share: kg gained by the mass balance for each litre poured, 0.25 to 2; share_sd: its standard deviation;
    wettings: how many were learnt from. Divide the mass balance's litres by the share to get this bin's.
    """

    share: float
    share_sd: float
    wettings: int


def learn_water_gain(
    litres: ArrayLike,
    mass_kg: ArrayLike,
    before_pct_wb: ArrayLike,
    after_pct_wb: ArrayLike,
    probe_sd_pct: float = 2.0,
    prior_sd: float = 0.3,
) -> WaterGain:
    """Learn from past wettings how much moisture a litre really gave.

    All shape (n,), one element per wetting: litres poured (above 0), wet mass of the layer that the probe
    speaks for (above 0), its moisture before and after it settled. Wettings with a NaN are left out; none at
    all gives the mass balance's own share of 1. probe_sd_pct: standard deviation of one difference of two
    readings, in % (above 0); prior_sd: how far bins differ from the mass balance (above 0; common practice,
    no source).

    Each wetting says: gained = share x litres + error. The share starts from a normal prior about 1 and is
    drawn to what was seen as far as the wettings agree (a normal-normal shrinkage estimate; the error's scale
    is itself estimated, with four wettings' worth of weight on the probe's own). Run-off, dry bedding that
    sheds water and a probe beside the wet spot all appear as a share below 1. It is held at 0.25 or above, so
    that a loose probe never asks for a flood.
    """
    poured, mass, before, after = _columns(
        litres=litres, mass_kg=mass_kg, before_pct_wb=before_pct_wb, after_pct_wb=after_pct_wb
    )
    within("litres", poured, 1e-6, 1e6, "L")
    within("mass_kg", mass, 1e-6, _MASS_KG, "kg")
    within("before_pct_wb", before, 0.0, _WETTEST_PCT, "%")
    within("after_pct_wb", after, 0.0, _WETTEST_PCT, "%")
    within("probe_sd_pct", probe_sd_pct, 0.01, 100.0, "%")
    within("prior_sd", prior_sd, 0.001, 10.0, "")
    known = np.isfinite(poured + mass + before + after)
    poured, mass, before, after = poured[known], mass[known], before[known], after[known]
    gained = mass * (after - before) / (100.0 - after)
    error_kg = probe_sd_pct * mass * (100.0 - before) / (100.0 - after) ** 2  # d gained / d after
    information = float(np.sum((poured / error_kg) ** 2))
    evidence = float(np.sum(poured * gained / error_kg**2))
    scale = 1.0
    for _ in range(2):  # the share, then the scale of the error about it, then the share again
        precision = 1.0 / prior_sd**2 + information / scale
        share = (1.0 / prior_sd**2 + evidence / scale) / precision
        misfit = float(np.sum(((gained - share * poured) / error_kg) ** 2))
        scale = (4.0 + misfit) / (4.0 + poured.size)
    return WaterGain(float(np.clip(share, _LEAST_SHARE, 2.0)), precision**-0.5, int(poured.size))


def _columns(**columns: ArrayLike) -> list[FloatArray]:
    """The arguments as one-dimensional arrays of one length."""
    arrays = [np.asarray(column, dtype=np.float64) for column in columns.values()]
    if any(array.ndim != 1 or array.shape != arrays[0].shape for array in arrays):
        shapes = ", ".join(str(array.shape) for array in arrays)
        raise ValueError(f"{', '.join(columns)} must be one-dimensional and of one length, got {shapes}")
    return arrays


def _check_materials(mass: FloatArray, wet: FloatArray) -> None:
    within("mass_kg", mass, 0.0, _MASS_KG, "kg")
    within("pct_wb", wet, 0.0, 100.0, "%")
    if mass.sum() <= 0.0:
        raise ValueError("mass_kg must hold at least one mass above 0 kg")
