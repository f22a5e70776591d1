"""Plank's freezing time, the classical check on the enthalpy model."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from underlid.science.food import Floats

SHAPE_FACTORS = {"slab": (1 / 2, 1 / 8), "cylinder": (1 / 4, 1 / 16), "sphere": (1 / 6, 1 / 24)}


def plank_time_h(
    shape: str,
    size_m: ArrayLike,
    density_kg_m3: ArrayLike,
    latent_kj_kg: ArrayLike,
    freezing_c: ArrayLike,
    ambient_c: ArrayLike,
    surface_w_m2k: ArrayLike,
    conductivity_w_mk: ArrayLike,
) -> Floats:
    """Hours to freeze a body that starts at its freezing point: rho L / (Tf - Ta) (P a/h + R a^2/k).

    ``shape``: slab, cylinder (endless) or sphere; ``size_m``: full thickness or diameter; ``latent_kj_kg``
    of the food as a whole; ``conductivity_w_mk`` of the frozen food. Scalars or arrays that broadcast; NaN
    gives NaN; inf where ``ambient_c`` is not below ``freezing_c``. ValueError unless the sizes and
    properties are above 0. Leaves out pre-cooling and sub-cooling, so for a tub of scraps it is a lower
    bound. Source: Encyclopaedia of Food Sciences and Nutrition, "freezing", P and R as printed there.
    """
    if shape not in SHAPE_FACTORS:
        raise ValueError(f"shape must be one of {', '.join(SHAPE_FACTORS)}, got {shape!r}")
    positive = {
        "size_m": size_m,
        "density_kg_m3": density_kg_m3,
        "latent_kj_kg": latent_kj_kg,
        "surface_w_m2k": surface_w_m2k,
        "conductivity_w_mk": conductivity_w_mk,
    }
    checked = {name: np.asarray(value, dtype=np.float64) for name, value in positive.items()}
    for name, value in checked.items():
        if np.any(value <= 0.0):
            raise ValueError(f"{name} must be above 0")
    p, r = SHAPE_FACTORS[shape]
    size = checked["size_m"]
    drop = np.asarray(freezing_c, dtype=np.float64) - np.asarray(ambient_c, dtype=np.float64)
    resistance = p * size / checked["surface_w_m2k"] + r * size**2 / checked["conductivity_w_mk"]
    heat = checked["density_kg_m3"] * checked["latent_kj_kg"] * 1000.0
    freezes = drop > 0.0
    hours = heat * resistance / np.where(freezes, drop, 1.0) / 3600.0
    return np.where(np.isnan(drop), np.nan, np.where(freezes, hours, np.inf))
