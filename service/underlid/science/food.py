"""Thermal properties of food from its composition (Choi and Okos 1986; ice after the ASHRAE handbook).

Equations, all in ASHRAE Handbook - Refrigeration, "Thermal properties of foods" (2006, chapter 9):
component properties as polynomials of temperature (Choi & Okos 1986, in Le Maguer & Jelen, *Food
Engineering and Process Applications* 1, 93-101); ice fraction from Raoult's law with the initial
freezing point, bound water 0.4 kg per kg of protein; density by volumes; conductivity in parallel by
volume. Air between the pieces joins by the symmetric effective medium law (Landauer 1952), which beds of
moist pieces follow (Carson et al. 2005, Int. J. Heat Mass Transfer 48, 2150-2158, from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

LATENT_ICE_KJ_KG = 333.6
"""Latent heat of fusion of water at 0 C (kJ/kg), as the ASHRAE handbook has it."""
BOUND_WATER_PER_PROTEIN = 0.4
AIR_W_MK = 0.024
SCRAPS_FREEZING_C = -0.8
"""Middle of -0.1 to -1.4 C, the range of twelve vegetables in ASHRAE 2006 chapter 9 table 3."""
DOMAIN_C = (-40.0, 150.0)

# Coefficients of 1, T, T^2 (T in C). Handbooks print water's specific heat with two constants; 4.1762 of
# the original lies within 0.2 per cent of the measured value at 20 C, the other (4.1289) 1.3 per cent low.
CP_KJ_KGK = {
    "water": (4.1762, -9.0864e-5, 5.4731e-6),
    "supercooled": (4.0817, -5.3062e-3, 9.9516e-4),
    "ice": (2.0623, 6.0769e-3, 0.0),
    "protein": (2.0082, 1.2089e-3, -1.3129e-6),
    "fat": (1.9842, 1.4733e-3, -4.8008e-6),
    "carbohydrate": (1.5488, 1.9625e-3, -5.9399e-6),
    "fibre": (1.8459, 1.8306e-3, -4.6509e-6),
    "ash": (1.0926, 1.8896e-3, -3.6817e-6),
}
_K_W_MK = {
    "water": (0.57109, 1.7625e-3, -6.7036e-6),
    "ice": (2.2196, -6.2489e-3, 1.0154e-4),
    "protein": (0.17881, 1.1958e-3, -2.7178e-6),
    "fat": (0.18071, -2.7604e-4, -1.7749e-7),
    "carbohydrate": (0.20141, 1.3874e-3, -4.3312e-6),
    "fibre": (0.18331, 1.2497e-3, -3.1683e-6),
    "ash": (0.32962, 1.4011e-3, -2.9069e-6),
}
_RHO_KG_M3 = {
    "water": (997.18, 3.1439e-3, -3.7574e-3),
    "ice": (916.89, -0.13071, 0.0),
    "protein": (1329.9, -0.5184, 0.0),
    "fat": (925.59, -0.41757, 0.0),
    "carbohydrate": (1599.1, -0.31046, 0.0),
    "fibre": (1311.5, -0.36589, 0.0),
    "ash": (2423.8, -0.28063, 0.0),
}
SOLIDS = ("protein", "fat", "carbohydrate", "fibre", "ash")


@dataclass(frozen=True)
class Composition:
    """What a food is made of, as mass fractions that sum to 1 (within 0.02; then scaled to exactly 1).

    ``carbohydrate`` is without fibre. ``void_fraction`` is the share of the volume that is air between
    the pieces. ``freezing_c`` is the initial freezing point; when None it is -0.8 C, nearing 0 C as the
    solids go below 8 per cent (pure water: 0 C).
    """

    water: float
    protein: float = 0.0
    fat: float = 0.0
    carbohydrate: float = 0.0
    fibre: float = 0.0
    ash: float = 0.0
    void_fraction: float = 0.0
    freezing_c: float | None = None

    def __post_init__(self) -> None:
        parts = ("water", *SOLIDS)
        for name in parts:
            value = getattr(self, name)
            if not 0.0 <= value <= 1.0:
                raise ValueError(f"composition.{name} must be a mass fraction from 0 to 1, got {value}")
        total = sum(getattr(self, name) for name in parts)
        if abs(total - 1.0) > 0.02:
            raise ValueError(f"composition must sum to 1 within 0.02, got {total:.3f}")
        for name in parts:
            object.__setattr__(self, name, getattr(self, name) / total)
        if not 0.0 <= self.void_fraction <= 0.9:
            raise ValueError(f"composition.void_fraction must be from 0 to 0.9, got {self.void_fraction}")
        if self.freezing_c is not None and not -5.0 <= self.freezing_c <= 0.0:
            raise ValueError(f"composition.freezing_c must be from -5 to 0, got {self.freezing_c}")

    @property
    def freezing_point_c(self) -> float:
        if self.freezing_c is not None:
            return self.freezing_c
        return SCRAPS_FREEZING_C * min(1.0, (1.0 - self.water) / 0.08)

    @property
    def freezable(self) -> float:
        """Mass fraction of water that can turn to ice (all but the bound water)."""
        return max(0.0, self.water - BOUND_WATER_PER_PROTEIN * self.protein)

    @property
    def latent_kj_kg(self) -> float:
        """Latent heat if all water freezes: 334 kJ per kg of water, as ASHRAE table 3 has it."""
        return 334.0 * self.water


@dataclass(frozen=True)
class FoodProperties:
    """Arrays of the shape of the temperature asked for (0-d for a single one)."""

    density_kg_m3: Floats
    specific_heat_kj_kgk: Floats
    conductivity_w_mk: Floats
    ice_fraction: Floats


def as_composition(composition: Composition | Mapping[str, float]) -> Composition:
    """Take a mapping of the fields of ``Composition`` too; ValueError names an unknown field."""
    if isinstance(composition, Composition):
        return composition
    known = {field.name for field in fields(Composition)}
    for name in composition:
        if name not in known:
            raise ValueError(f"composition has no part {name!r}; parts are {', '.join(sorted(known))}")
    if "water" not in composition:
        raise ValueError("composition must give water as a mass fraction from 0 to 1")
    return Composition(**composition)


def poly(coefficients: tuple[float, float, float], temp_c: Floats) -> Floats:
    a, b, c = coefficients
    return a + (b + c * temp_c) * temp_c


def _effective_medium(dense_w_mk: Floats, voids: float) -> Floats:
    """Root of (1 - v)(d - k)/(d + 2k) + v (a - k)/(a + 2k) = 0 in k; d food, a air, v share of voids."""
    b = dense_w_mk * (2.0 - 3.0 * voids) + AIR_W_MK * (3.0 * voids - 1.0)
    return np.asarray(0.25 * (b + np.sqrt(b * b + 8.0 * dense_w_mk * AIR_W_MK)))


def ice_fraction(composition: Composition, temp_c: Floats) -> Floats:
    """kg of ice per kg of food: (water - bound water)(1 - freezing point / temperature), below it."""
    point = composition.freezing_point_c
    below = temp_c < point
    safe = np.where(below, temp_c, -1.0)
    return np.where(below, composition.freezable * (1.0 - point / safe), 0.0)


def food_properties(composition: Composition | Mapping[str, float], temp_c: ArrayLike) -> FoodProperties:
    """Density (bulk, voids counted), specific heat, conductivity and ice fraction of a food.

    ``composition``: a ``Composition`` or a mapping of its fields (mass fractions). ``temp_c``: scalar or
    array, -40 to 150 C; NaN gives NaN. The specific heat (kJ/kg/K) is the sensible one of what is there
    at that temperature, water and ice each with its own; the latent heat is not in it. Units: kg/m3,
    kJ/kg/K, W/m/K, kg/kg. ValueError outside the domain. Source: see the module.
    """
    food = as_composition(composition)
    t = np.asarray(temp_c, dtype=np.float64)
    if np.any((t < DOMAIN_C[0]) | (t > DOMAIN_C[1])):
        raise ValueError(f"temp_c must be from {DOMAIN_C[0]:g} to {DOMAIN_C[1]:g} C")
    ice = ice_fraction(food, t)
    liquid = food.water - ice
    cp_liquid = np.where(t >= 0.0, poly(CP_KJ_KGK["water"], t), poly(CP_KJ_KGK["supercooled"], t))
    heat = liquid * cp_liquid + ice * poly(CP_KJ_KGK["ice"], t)
    shares = {"water": liquid, "ice": ice}
    for name in SOLIDS:
        share = getattr(food, name)
        heat = heat + share * poly(CP_KJ_KGK[name], t)
        shares[name] = np.full_like(t, share)
    volumes = {name: share / poly(_RHO_KG_M3[name], t) for name, share in shares.items()}
    total = np.sum(list(volumes.values()), axis=0)
    dense_k = np.sum([volumes[name] * poly(_K_W_MK[name], t) for name in volumes], axis=0) / total
    voids = food.void_fraction
    k = _effective_medium(dense_k, voids)
    missing = np.isnan(t)
    return FoodProperties(
        density_kg_m3=(1.0 - voids) / total,
        specific_heat_kj_kgk=heat,
        conductivity_w_mk=k,
        ice_fraction=np.where(missing, np.nan, ice),
    )


KITCHEN_SCRAPS = Composition(
    water=0.85,
    protein=0.02,
    fat=0.01,
    carbohydrate=0.08,
    fibre=0.03,
    ash=0.01,
    void_fraction=0.35,
    freezing_c=SCRAPS_FREEZING_C,
)
"""Mixed vegetable and fruit scraps with grounds. Water and freezing point lie within ASHRAE's table 3;
the voids are common practice, no source (a loosely filled tub weighs 0.6 to 0.7 kg per litre)."""
