"""Shape and size of what freezes, and the one-dimensional body that stands for it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np

from underlid.science.food import Composition, food_properties
from underlid.science.series import above

Shape = Literal["slab", "cylinder", "sphere"]
SHAPES: tuple[Shape, ...] = ("slab", "cylinder", "sphere")
_ENDLESS = 8.0


@dataclass(frozen=True)
class Geometry:
    """A body that cools from its surface.

    ``size_m`` is the full thickness of a slab, or the diameter. A cylinder with ``length_m`` is a tub that
    also cools through its ends; without it, endless. ``insulation_m2k_w`` is the resistance of wall and
    wrapping (thickness / conductivity), in series with the surface.
    """

    shape: Shape
    size_m: float
    insulation_m2k_w: float = 0.0
    length_m: float = math.inf

    def __post_init__(self) -> None:
        if self.shape not in SHAPES:
            raise ValueError(f"shape must be one of {', '.join(SHAPES)}, got {self.shape!r}")
        above(self.size_m, "size_m")
        if not self.insulation_m2k_w >= 0.0:
            raise ValueError(f"insulation_m2k_w must be at least 0, got {self.insulation_m2k_w}")
        if not self.length_m > 0.0:
            raise ValueError(f"length_m must be above 0, got {self.length_m}")
        if self.shape != "cylinder" and math.isfinite(self.length_m):
            raise ValueError("length_m is for cylinders only")


def equivalent_body(
    geometry: Geometry, surface_w_m2k: float, conductivity_w_mk: float
) -> tuple[float, float]:
    """Radius (m) and dimensionality E of the one-dimensional body that freezes like this one.

    Slab, endless cylinder and sphere are 1, 2 and 3 with their own radius. A tub becomes the body with its
    ratio of volume to surface (radius / E) and its Plank time to the centre. Plank's time of any shape is
    the greatest value of u with div grad u = -1, -du/dn = (h/k) u on the surface (McNabb, Wake & Hossain
    1990, Occas. Publ. Math. Statist. Massey Univ. 20, from memory); in one dimension R/(E h) + R^2/(2 E k).
    """
    radius = 0.5 * geometry.size_m
    if geometry.length_m > _ENDLESS * geometry.size_m:
        return radius, float(SHAPES.index(geometry.shape) + 1)
    half = 0.5 * geometry.length_m
    volume_to_surface = 1.0 / (2.0 / radius + 1.0 / half)
    ratio = surface_w_m2k / conductivity_w_mk
    inner = 2.0 * (_plank_potential(radius, half, ratio) - volume_to_surface / ratio) / volume_to_surface
    return inner, inner / volume_to_surface


@lru_cache(maxsize=1024)
def body(geometry: Geometry, food: Composition, surface_w_m2k: float) -> tuple[float, float, float]:
    """Radius (m), dimensionality and overall heat transfer coefficient (W/m2/K) for the model."""
    overall = 1.0 / (1.0 / surface_w_m2k + geometry.insulation_m2k_w)
    frozen = food_properties(food, 3.0 * min(food.freezing_point_c, -0.2))
    return *equivalent_body(geometry, overall, float(frozen.conductivity_w_mk)), overall


def _plank_potential(radius: float, half: float, ratio: float) -> float:
    """u at the centre of a cylinder: the slab's modes over the height, each with a Bessel function in r.

    The modes are cos(b z / half) with b tan b = ratio half, in the order of growing b; 12 give four digits.
    """
    low = np.pi * np.arange(12.0)
    high = low + 0.5 * np.pi
    for _ in range(50):
        b = 0.5 * (low + high)
        under = b * np.tan(b) < ratio * half
        low, high = np.where(under, b, low), np.where(under, high, b)
    weight = 2.0 * np.sin(b) / (b + np.sin(b) * np.cos(b)) * (half / b) ** 2
    # I0 and I1 at x, divided by exp(x): means over the circle of exp(x (cos a - 1)), for I1 times cos a.
    x = b * radius / half
    angle = np.pi * (np.arange(128) + 0.5) / 128.0
    wave = np.exp(x[:, np.newaxis] * (np.cos(angle) - 1.0))
    i0, i1 = wave.mean(axis=1), (wave * np.cos(angle)).mean(axis=1)
    edge = ratio * np.exp(-x) / (b / half * i1 + ratio * i0)
    return float(weight @ (1.0 - edge))


def tub(
    diameter_m: float,
    height_m: float,
    fill: float = 1.0,
    insulation_m: float = 0.0,
    insulation_w_mk: float = 0.035,
    base_exposed: bool = True,
) -> Geometry:
    """A round tub filled to the fraction ``fill`` of its height.

    A crate counts as a round tub of diameter 2 width length / (width + length): as much wall for its volume.

    ``base_exposed`` False: it stands on something that gives and takes no heat, which equals a body of
    twice the height that cools from both ends. Default insulation: 0.035 W/m/K, as foam boards have it.
    """
    above(diameter_m, "diameter_m")
    above(height_m, "height_m")
    above(insulation_w_mk, "insulation_w_mk")
    if not 0.0 < fill <= 1.0:
        raise ValueError(f"fill must be above 0 and at most 1, got {fill}")
    if not insulation_m >= 0.0:
        raise ValueError(f"insulation_m must be at least 0, got {insulation_m}")
    depth_m = height_m * fill * (1.0 if base_exposed else 2.0)
    return Geometry("cylinder", diameter_m, insulation_m / insulation_w_mk, length_m=depth_m)
