"""Heat and water of damp organic matter, with freezing in closed form.

Heat is counted as enthalpy above liquid at 0 C, in J. Specific and latent heats of moist food: Earle and
Earle, Unit Operations in Food Processing, Appendix 7. Below the initial freezing point the unfrozen share of
the water is freezing point / temperature (an ideal solution), which gives the sloping plateau of real food.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

WATER_J_KGK = 4190.0
ICE_J_KGK = 2100.0
DRY_J_KGK = 840.0
FUSION_J_KG = 335_000.0
EVAPORATION_J_KG = 2_460_000.0


def heat_j(temp_c: ArrayLike, dry_kg: ArrayLike, water_kg: ArrayLike, freezing_c: ArrayLike) -> Floats:
    """Enthalpy of matter at a temperature; arrays broadcast. `freezing_c` must be below 0."""
    t, dry, water, tf = (np.asarray(v, dtype=np.float64) for v in (temp_c, dry_kg, water_kg, freezing_c))
    liquid = (DRY_J_KGK * dry + WATER_J_KGK * water) * t
    cold = np.minimum(t, tf)
    ice = water * (1.0 - tf / cold)
    frozen = (
        (DRY_J_KGK * dry + ICE_J_KGK * water) * cold
        + (WATER_J_KGK - ICE_J_KGK) * water * tf
        - FUSION_J_KG * ice
    )
    return np.where(t < tf, frozen, liquid)


def temperature_c(heat: ArrayLike, dry_kg: ArrayLike, water_kg: ArrayLike, freezing_c: ArrayLike) -> Floats:
    """The temperature that holds this enthalpy: the inverse of `heat_j` (below freezing the root of a
    quadratic).
    """
    h, dry, water, tf = (np.asarray(v, dtype=np.float64) for v in (heat, dry_kg, water_kg, freezing_c))
    liquid_t = h / (DRY_J_KGK * dry + WATER_J_KGK * water)
    frozen = liquid_t < tf
    if not frozen.any():
        return liquid_t
    a = DRY_J_KGK * dry + ICE_J_KGK * water
    b = (WATER_J_KGK - ICE_J_KGK) * water * tf - FUSION_J_KG * water - h
    c = FUSION_J_KG * water * tf
    return np.where(frozen, (-b - np.sqrt(b * b - 4.0 * a * c)) / (2.0 * a), liquid_t)


def ice_share(temp_c: ArrayLike, freezing_c: ArrayLike) -> Floats:
    """Share of the water that is ice, 0..1."""
    tf = np.asarray(freezing_c, dtype=np.float64)
    return 1.0 - tf / np.minimum(np.asarray(temp_c, dtype=np.float64), tf)


def vapour_pressure_kpa(temp_c: ArrayLike) -> Floats:
    """Saturation vapour pressure over water (Magnus form with the constants of Sonntag 1990)."""
    t = np.asarray(temp_c, dtype=np.float64)
    return np.asarray(0.61112 * np.exp(17.62 * t / (243.12 + t)), dtype=np.float64)
