"""A round tub in two dimensions (radius and height), explicit in time: the independent judge.

Differs from the package's model in all that can differ: two dimensions instead of one, explicit steps of
seconds instead of implicit ones, an even grid in r and z, ice after Tchigeov (1979), heat capacities,
latent heat and conductivities after Earle & Earle, *Unit Operations in Food Processing*, appendix 7.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

N_R, N_Z = 12, 16


@dataclass(frozen=True)
class Tub:
    """Metres, W/m2/K, C. ``p``: water fraction of the feed; ``rho``: kg per m3 of tub, voids counted.

    ``h_base`` 0: it stands on something that gives and takes no heat.
    """

    diameter: float
    depth: float
    h_side: float
    h_top: float
    h_base: float
    p: float
    rho: float
    start: float
    freezing: float = -0.8


def ice_share(below: Array) -> Array:
    """Share of the water that is ice, ``below`` K under the freezing point (Tchigeov 1979), at most 1."""
    inside = np.log(np.maximum(below, 1e-9) + 1.0)
    return np.where(below > 1e-6, np.minimum(1.105 / (1.0 + 0.7138 / np.maximum(inside, 1e-9)), 1.0), 0.0)


def _with_air(dense: Array, voids: float) -> Array:
    """Conductivity of pieces with still air between them: the root of the symmetric effective medium law.

    Carson et al. 2005 (Int. J. Heat Mass Transfer 48, 2150-2158, from memory) find beds of pieces at or
    below it and foams above it; wet compost has 0.12 to 0.81 W/m/K (Ahn et al. 2009).
    """
    air, full = 0.025, 1.0 - voids
    b = (3.0 * full - 1.0) * dense + (3.0 * voids - 1.0) * air
    return (b + np.sqrt(b * b + 8.0 * dense * air)) / 4.0


_NODES = 4096


def _tables(tub: Tub, conduct: float) -> tuple[float, float, Array, Array, Array]:
    """Lowest enthalpy and step (J/m3), and temperature, conductivity, share of ice at even enthalpies."""
    t = np.concatenate(
        [np.linspace(-45.0, tub.freezing - 3.0, 200), tub.freezing - np.linspace(3.0, 0.0, 1500)[1:], [50.0]]
    )
    x = ice_share(tub.freezing - t)
    dry = 0.84 * (1.0 - tub.p)
    warm, cold = 4.19 * tub.p + dry, 2.1 * tub.p + dry
    middle = 0.5 * (x[1:] + x[:-1])
    sensible = np.concatenate([[0.0], np.cumsum(np.diff(t) * (middle * cold + (1.0 - middle) * warm))])
    heat = 1000.0 * tub.rho * (sensible - 335.0 * tub.p * x)
    voids = 1.0 - tub.rho * (tub.p / 1000.0 + (1.0 - tub.p) / 1500.0)
    unfrozen = 0.55 * tub.p + 0.26 * (1.0 - tub.p)
    frozen = 2.4 * tub.p + 0.26 * (1.0 - tub.p)
    k = conduct * _with_air(unfrozen + (frozen - unfrozen) * x, max(voids, 0.0))
    even = np.linspace(heat[0], heat[-1], _NODES)
    return (
        float(even[0]),
        float(even[1] - even[0]),
        np.interp(even, heat, t),
        np.interp(even, heat, k),
        np.interp(even, heat, x),
    )


@dataclass(frozen=True)
class Run:
    """Hourly: temperature where it freezes last, share of ice, least share of ice of any cell. (hours,)

    It freezes last at the centre, or on the axis at the base if no heat leaves through that.
    """

    centre: Array
    ice: Array
    least_ice: Array


def simulate(tubs: list[Tub], outdoor: list[Array], conduct: float = 1.0) -> list[Run]:
    """Tubs side by side, each with its own hourly outdoor temperatures (all of one length, linear between).

    ``conduct`` scales every conductivity: how much does the answer hang on it?
    """
    air_h = np.array(outdoor)
    tables = [_tables(tub, conduct) for tub in tubs]
    count, hours = air_h.shape
    lowest, even = (np.array([table[i] for table in tables])[:, None, None] for i in (0, 1))
    t_of, k_of, x_of = (np.concatenate([table[i] for table in tables]) for i in (2, 3, 4))
    base = (np.arange(count) * _NODES)[:, None, None]

    def column(name: str) -> Array:
        return np.array([getattr(tub, name) for tub in tubs])[:, None, None]

    dr, dz = column("diameter") / 2.0 / N_R, column("depth") / N_Z
    faces = dr * np.arange(N_R + 1)[None, :, None]
    ring = np.pi * (faces[:, 1:] ** 2 - faces[:, :-1] ** 2)
    volume = ring * dz * np.ones((count, N_R, N_Z))
    side = 2.0 * np.pi * faces * dz
    weight = volume / volume.sum(axis=(1, 2), keepdims=True)
    k_max = np.array([table[3].max() for table in tables])[:, None, None]
    limit = column("rho") * 1500.0 / k_max / (2.0 / dr**2 + 2.0 / dz**2)
    per_hour = int(np.ceil(3600.0 / (0.8 * float(limit.min()))))
    gain = 3600.0 / per_hour / volume

    def look_up(heat: Array) -> tuple[Array, Array, Array]:
        place = (heat - lowest) / even
        at = place.astype(np.intp)
        part = place - at
        at += base
        temp = t_of[at]
        temp += part * (t_of[at + 1] - temp)
        k = k_of[at]
        k += part * (k_of[at + 1] - k)
        return temp, k, at

    starts = [
        float(np.interp(tub.start, table[2], table[0] + table[1] * np.arange(_NODES)))
        for tub, table in zip(tubs, tables, strict=True)
    ]
    heat = np.array(starts)[:, None, None] * np.ones((count, N_R, N_Z))
    centre, ice, least = (np.empty((hours, count)) for _ in range(3))
    inward = [1.0 / column(name) for name in ("h_side", "h_top")]
    h_base = column("h_base")
    for hour in range(hours):
        temp, _, at = look_up(heat)
        share = x_of[at]
        centre[hour] = np.where(
            h_base[:, 0, 0] > 0.0, temp[:, 0, N_Z // 2 - 1 : N_Z // 2 + 1].mean(axis=1), temp[:, 0, 0]
        )
        ice[hour], least[hour] = (share * weight).sum(axis=(1, 2)), share.min(axis=(1, 2))
        if hour == hours - 1:
            break
        for part in range(per_hour):
            mix = (part + 0.5) / per_hour
            air = ((1.0 - mix) * air_h[:, hour] + mix * air_h[:, hour + 1])[:, None]
            temp, k, _ = look_up(heat)
            radial = side[:, 1:-1] * (k[:, 1:] + k[:, :-1]) * (temp[:, :-1] - temp[:, 1:]) / (2.0 * dr)
            axial = ring * (k[:, :, 1:] + k[:, :, :-1]) * (temp[:, :, :-1] - temp[:, :, 1:]) / (2.0 * dz)
            loss = np.zeros_like(heat)
            loss[:, :-1] += radial
            loss[:, 1:] -= radial
            loss[:, :, :-1] += axial
            loss[:, :, 1:] -= axial
            wall = inward[0][:, 0] + dr[:, 0] / 2.0 / k[:, -1]
            loss[:, -1] += side[:, -1] / wall * (temp[:, -1] - air)
            lid = inward[1][:, :, 0] + dz[:, :, 0] / 2.0 / k[:, :, -1]
            loss[:, :, -1] += ring[:, :, 0] / lid * (temp[:, :, -1] - air)
            floor = h_base[:, :, 0] / (1.0 + h_base[:, :, 0] * dz[:, :, 0] / 2.0 / k[:, :, 0])
            loss[:, :, 0] += ring[:, :, 0] * floor * (temp[:, :, 0] - air)
            heat = heat - loss * gain
    top = np.array([table[4].max() for table in tables])
    return [Run(centre[:, i], ice[:, i] / top[i], least[:, i]) for i in range(count)]


def frozen_through_h(run: Run, share: float = 0.5) -> float:
    """First hour (interpolated) at which every cell has ``share`` of its water as ice; inf if never."""
    at = np.flatnonzero(run.least_ice >= share)
    if not at.size:
        return float("inf")
    i = int(at[0])
    if i == 0:
        return 0.0
    a, b = run.least_ice[i - 1], run.least_ice[i]
    return float(i - 1 + (share - a) / (b - a))
