"""One-dimensional enthalpy model of a body that freezes and thaws: implicit and conservative.

The body is cut into shells between its centre and its surface (finite volumes). Enthalpy is the unknown;
temperature and ice follow from it through a table made of the food's composition, so the latent heat cannot
be stepped over; heat flows by conductivity integrated over temperature (Kirchhoff). Each step is backward
Euler, solved by Newton's method; heat leaves each shell by the very fluxes its neighbour receives, so heat
out equals the enthalpy lost whatever the step. Shells have areas growing as r^(E-1): E is 1, 2, 3 for slab,
cylinder, sphere, and other values for finite bodies (see ``tubs.equivalent_body``).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from underlid.science.food import (
    CP_KJ_KGK,
    LATENT_ICE_KJ_KG,
    SOLIDS,
    Composition,
    Floats,
    food_properties,
    ice_fraction,
)

TABLE_C = (-40.0, 60.0)
SHELLS = 12
_GRADING = 1.4
_TOLERANCE_C = 0.02
_MAX_NEWTON = 12


@dataclass(frozen=True)
class EnthalpyTable:
    """Nodes, rising: temperature (C), enthalpy (kJ/m3, 0 at 0 C unfrozen), conductivity integrated over
    temperature (W/m), frozen share of the freezable water."""

    temp_c: Floats
    enthalpy_kj_m3: Floats
    heat_flux_w_m: Floats
    frozen: Floats
    density_kg_m3: float

    def at(self, temp_c: float | Floats) -> Floats:
        return np.asarray(np.interp(temp_c, self.temp_c, self.enthalpy_kj_m3))


def _integral(name: str, t: Floats) -> Floats:
    a, b, c = CP_KJ_KGK[name]
    return ((c / 3.0 * t + b / 2.0) * t + a) * t


def enthalpy_kj_kg(food: Composition, temp_c: Floats) -> Floats:
    """Specific enthalpy: 0 for the unfrozen food at 0 C. Sums the components' own; ice lies 333.6 lower."""
    ice = ice_fraction(food, temp_c)
    liquid = np.where(temp_c < 0.0, _integral("supercooled", temp_c), _integral("water", temp_c))
    total = (food.water - ice) * liquid + ice * (_integral("ice", temp_c) - LATENT_ICE_KJ_KG)
    for name in SOLIDS:
        total = total + getattr(food, name) * _integral(name, temp_c)
    return total


@lru_cache(maxsize=64)
def enthalpy_table(food: Composition) -> EnthalpyTable:
    """Nodes crowd just below the freezing point, where most of the ice forms."""
    point = food.freezing_point_c
    below = point - np.geomspace(0.02, point - TABLE_C[0], 90)[::-1]
    below[0] = TABLE_C[0]
    above = np.linspace(point, TABLE_C[1], 25)
    temp = np.concatenate([below, above])
    properties = food_properties(food, temp)
    # The mass in the tub does not change as ice swells into the voids: one density throughout.
    density = float(food_properties(food, max(point, 0.0)).density_kg_m3)
    freezable = max(food.freezable, 1e-9)
    k = properties.conductivity_w_mk
    flux = np.concatenate([[0.0], np.cumsum(0.5 * (k[1:] + k[:-1]) * np.diff(temp))])
    return EnthalpyTable(
        temp_c=temp,
        enthalpy_kj_m3=density * enthalpy_kj_kg(food, temp),
        heat_flux_w_m=flux,
        frozen=properties.ice_fraction / freezable,
        density_kg_m3=density,
    )


@dataclass(frozen=True)
class March:
    """Histories at every step, (steps + 1, members); ``step_of_input`` picks those at the input's times."""

    time_h: Floats
    step_of_input: np.ndarray[tuple[int], np.dtype[np.intp]]
    frozen: Floats
    warmest_frozen: Floats
    core_c: Floats
    surface_c: Floats
    heat_out_kj_m3: Floats
    enthalpy_kj_m3: Floats

    def member(self, i: int) -> March:
        """One member alone, (steps + 1, 1)."""
        one = slice(i, i + 1)
        return March(
            self.time_h,
            self.step_of_input,
            self.frozen[:, one],
            self.warmest_frozen[:, one],
            self.core_c[:, one],
            self.surface_c[:, one],
            self.heat_out_kj_m3[:, one],
            self.enthalpy_kj_m3[:, one],
        )


def _steps(time_h: Floats, max_step_h: float) -> tuple[Floats, np.ndarray[tuple[int], np.dtype[np.intp]]]:
    counts = np.maximum(1, np.ceil(np.diff(time_h) / max_step_h - 1e-9).astype(np.intp))
    step_of_input = np.concatenate([[0], np.cumsum(counts)]).astype(np.intp)
    return np.interp(np.arange(step_of_input[-1] + 1), step_of_input, time_h), step_of_input


def march(
    table: EnthalpyTable,
    radius_m: Floats,
    dimensionality: Floats,
    surface_w_m2k: Floats,
    start_c: float,
    time_h: Floats,
    outdoor_c: Floats,
    max_step_h: float = 0.5,
) -> March:
    """March a food through time. ``outdoor_c`` (members, times); the first three have one value per member.

    Members are cases computed side by side: other weather, surface or size, the same food and start.
    """
    from scipy.linalg.lapack import dptsv  # here: not needed at the start of the service

    members = outdoor_c.shape[0]
    # Thin shells at the centre: the last of them to freeze decides when the body is frozen through.
    edges = radius_m[:, np.newaxis] * np.linspace(0.0, 1.0, SHELLS + 1) ** _GRADING
    power = dimensionality[:, np.newaxis]
    volume = np.diff(edges**power) / power
    whole = volume.sum(axis=1)
    share = volume / whole[:, np.newaxis]
    middles = 0.5 * (edges[:, 1:] + edges[:, :-1])
    rim_gap = edges[:, -1] - middles[:, -1]
    areas = edges[:, 1:] ** (power - 1.0)
    rim_area = areas[:, -1]
    steps, step_of_input = _steps(time_h, max_step_h)
    outside = np.array([np.interp(steps, time_h, row) for row in outdoor_c])
    outside_mid = 0.5 * (outside[:, :-1] + outside[:, 1:])
    durations = np.diff(steps) * 3.6  # h to ks: with W and kJ the balance needs no other factor

    # All members lie end to end in one chain of shells; no heat passes from one to the next.
    volumes = volume.ravel()
    rim = slice(SHELLS - 1, None, SHELLS)
    gaps = np.column_stack([np.diff(middles), np.full(members, np.inf)])
    inner_area = (areas / gaps).ravel()[:-1]
    chain = volumes.size

    node_t, node_h = table.temp_c, table.enthalpy_kj_m3
    capacity = np.diff(node_h) / np.diff(node_t)
    node_q, node_f = table.heat_flux_w_m, table.frozen
    segment_k = np.diff(node_q) / np.diff(node_t)
    inner_nodes = node_h[1:-1]

    n_steps = len(steps)
    enthalpies = np.empty((n_steps, chain))
    temps = np.empty((n_steps, chain))
    surface = np.empty((n_steps, members))
    heat_out = np.zeros((n_steps, members))
    enthalpies[0] = enthalpy = np.full(chain, float(table.at(start_c)))
    index = np.searchsorted(inner_nodes, enthalpy)
    over = enthalpy - node_h[index]
    slope = capacity[index]
    temps[0] = t = node_t[index] + over / slope
    surface[0] = start_c
    for n in range(n_steps - 1):
        before = enthalpy
        per_step = volumes / durations[n]
        # Conductivity integrated between the two temperatures: exact for steady flow, and a shell that is
        # half frozen conducts towards the cold side like the ice it has there.
        k = segment_k[index]
        q = node_q[index] + k * (t - node_t[index])
        step_t = t[1:] - t[:-1]
        flat = np.abs(step_t) < 1e-4
        inner_k = np.where(flat, 0.5 * (k[1:] + k[:-1]), (q[1:] - q[:-1]) / np.where(flat, 1.0, step_t))
        between = inner_area * inner_k
        step_s = surface[n] - t[rim]
        flat = np.abs(step_s) < 1e-4
        rim_q = np.interp(surface[n], node_t, node_q) - q[rim]
        rim_k = np.where(flat, k[rim], rim_q / np.where(flat, 1.0, step_s))
        out = rim_area / (1.0 / surface_w_m2k + rim_gap / rim_k)
        conduct = np.zeros(chain)
        conduct[:-1] = between
        conduct[1:] += between
        conduct[rim] += out
        driven = np.zeros(chain)
        driven[rim] = out * outside_mid[:, n]
        for _ in range(_MAX_NEWTON):
            stiff = per_step * slope
            right = stiff * t + driven - per_step * (enthalpy - before)
            solved = dptsv(stiff + conduct, -between, right)[2]
            enthalpy = enthalpy + slope * (solved - t)
            index = np.searchsorted(inner_nodes, enthalpy)
            over = enthalpy - node_h[index]
            slope = capacity[index]
            t = node_t[index] + over / slope
            if np.abs(solved - t).max() < _TOLERANCE_C:
                break
        leaving = out * (solved[rim] - outside_mid[:, n])
        heat_out[n + 1] = heat_out[n] + leaving * durations[n] / whole
        surface[n + 1] = outside_mid[:, n] + leaving / (rim_area * surface_w_m2k)
        enthalpies[n + 1], temps[n + 1] = enthalpy, t
    by_member = (n_steps, members, SHELLS)
    enthalpies, temps = enthalpies.reshape(by_member), temps.reshape(by_member)
    frozen = np.interp(enthalpies, node_h, node_f)
    return March(
        time_h=steps,
        step_of_input=step_of_input,
        frozen=np.clip((frozen * share).sum(axis=-1), 0.0, 1.0),
        warmest_frozen=frozen.min(axis=-1),
        core_c=temps[..., 0],
        surface_c=surface,
        heat_out_kj_m3=heat_out,
        enthalpy_kj_m3=(enthalpies * share).sum(axis=-1),
    )
