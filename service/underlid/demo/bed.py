"""The bins, as heat and water balances of four layers each: top, core, base and feed pocket.

All bins are stepped at once: arrays have shape (bins, 4) for layers and (bins,) for whole bins. Balances are
exact to rounding: what a layer loses another gains, or it stands in the `Ledger`. Coefficients without a
source are common practice or were chosen so that the bins behave as keepers describe; the physics is meant to
be plausible, not a forecast.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from underlid.demo.matter import (
    EVAPORATION_J_KG,
    WATER_J_KGK,
    Floats,
    heat_j,
    temperature_c,
    vapour_pressure_kpa,
)

TOP, CORE, BASE, POCKET = range(4)
FREEZING_C = -0.4  # bedding water is a thin solution
MAX_STEP_S = 300.0

_DEPTH_SHARE = np.array([0.22, 0.43, 0.35])  # of the bedding: top, core, base
_DRY_KG_M3 = 130.0  # bedding and castings, dry
_POCKET_DRY_KG = 0.45  # what the pocket probe's surroundings weigh when no feed is there
_CONDUCTIVITY_W_MK = 0.5
# Conduction from a ball of a kg into bedding, with moving vapour; grows with the cube root of the kg.
_POCKET_W_K = 1.5
_POCKET_TO_CORE = 0.7  # the rest goes to the top
_OPEN_W_M2K = 5.0  # what an open lid adds
_EVAPORATION_KG_M2S_KPA = 3.5e-5  # about 3 mm a day per kPa from an open wet surface in still air
_WET_ENOUGH_DB = 2.2  # kg/kg: drier tops give off less
_CAPILLARY_KG_M2S = 2.5e-6  # per kg/kg of difference
_CAPACITY_DB = np.array([4.0, 4.2, 4.5, 4.6])  # kg/kg held against drainage
_DRAIN_S = 2.0 * 3600.0
# Rows: what leaves top, core, base, pocket. Columns: what those four get of it. The base drains out.
_DRAINS = np.array(
    [[-1.0, 1.0, 0.0, 0.0], [0.0, -1.0, 1.0, 0.0], [0.0, 0.0, -1.0, 0.0], [0.0, 1.0, 0.0, -1.0]]
)
_CREEP_FROM, _CREEP_TO = np.array([TOP, CORE, POCKET]), np.array([CORE, BASE, CORE])
_CREEP_SHARE = np.array([1.0, 1.0, 0.1])
_CREEPS = np.array([[-1.0, 1.0, 0.0, 0.0], [0.0, -1.0, 1.0, 0.0], [0.0, 1.0, 0.0, -1.0]])
_J_PER_KG_DRY = 17e6  # heat of decomposing a kg of dry matter
_WATER_PER_KG_DRY = 0.5  # water that decomposition makes
_BASAL_W_KG = 0.30  # castings and bedding, per kg dry at 20 C
_WORM_W_KG = 0.6  # worms' own heat per kg of worms at 20 C
_DECAY_PER_S = 0.7 / 86400.0  # of the feed's fuel at 20 C when fully settled by microbes
_OXYGEN_W = 17.0  # per kg^(2/3): the most heat that the air reaching a pocket lets its microbes make
_GROWTH_PER_S = 0.5 / 3600.0  # of the microbes at 20 C
_SEED = 0.02  # share settled in a fresh feeding
_CARRY_OFF_S = 5.0 * 86400.0  # how fast worms spread a pocket into the core


@dataclass(frozen=True, slots=True)
class Shape:
    """A bin as the physics sees it. Lengths are of the bedding; U-values in W/m2K."""

    length_m: float
    width_m: float
    depth_m: float
    worm_kg: float
    side_w_m2k: float = 3.0
    bottom_w_m2k: float = 2.0
    lid_w_m2k: float = 2.4  # closed; open adds
    vent_share: float = 0.08  # of open-top evaporation when the lid is closed
    sun_share: float = 0.0  # of the sun that its top takes up
    draught: float = 1.0  # how much more than still air an open lid lets in


@dataclass(slots=True)
class Ledger:
    """What crossed the border of each bin since the start, shape (bins,). Into the bin is positive."""

    added_kg: Floats
    made_kg: Floats
    evaporated_kg: Floats
    drained_kg: Floats
    removed_kg: Floats
    conducted_j: Floats
    released_j: Floats
    evaporated_j: Floats
    carried_j: Floats


@dataclass(slots=True)
class Beds:
    """The state of all bins. Layers: shape (bins, 4); lid: 0 closed to 1 open, shape (bins,)."""

    shapes: tuple[Shape, ...]
    dry_kg: Floats
    water_kg: Floats
    heat_j: Floats
    fuel_j: Floats
    settled: Floats  # share of the fuel that microbes have settled, 0..1
    lid: Floats
    ledger: Ledger
    area_m2: Floats = field(init=False)
    outward_w_k: Floats = field(init=False)  # each layer to the air, lid closed
    inward_w_k: Floats = field(init=False)  # top-core, core-base
    vent: Floats = field(init=False)
    sun_share: Floats = field(init=False)
    draught: Floats = field(init=False)
    worm_kg: Floats = field(init=False)

    def __post_init__(self) -> None:
        length, width, depth, side, bottom, lid = (
            np.array([getattr(s, name) for s in self.shapes])
            for name in ("length_m", "width_m", "depth_m", "side_w_m2k", "bottom_w_m2k", "lid_w_m2k")
        )
        self.area_m2 = length * width
        thick = depth[:, None] * _DEPTH_SHARE
        walls = 2.0 * (length + width)[:, None] * thick * side[:, None]
        self.outward_w_k = np.concatenate([walls, np.zeros((len(self.shapes), 1))], axis=1)
        self.outward_w_k[:, TOP] += self.area_m2 * lid
        self.outward_w_k[:, BASE] += self.area_m2 * bottom
        apart = (thick[:, :-1] + thick[:, 1:]) / 2.0
        self.inward_w_k = _CONDUCTIVITY_W_MK * self.area_m2[:, None] / apart
        self.vent = np.array([s.vent_share for s in self.shapes])
        self.sun_share = np.array([s.sun_share for s in self.shapes])
        self.draught = np.array([s.draught for s in self.shapes])
        self.worm_kg = np.array([s.worm_kg for s in self.shapes])

    @property
    def temp_c(self) -> Floats:
        return temperature_c(self.heat_j, self.dry_kg, self.water_kg, FREEZING_C)

    @property
    def moist_pct_wb(self) -> Floats:
        return 100.0 * self.water_kg / (self.water_kg + self.dry_kg)


def fill(shapes: tuple[Shape, ...], temp_c: Floats, moist_pct_wb: Floats) -> Beds:
    """New beds at temperatures (bins,) and moistures (bins, 4), per cent wet basis."""
    volume = np.array([s.length_m * s.width_m * s.depth_m for s in shapes])
    dry = np.concatenate(
        [_DRY_KG_M3 * volume[:, None] * _DEPTH_SHARE, np.full((len(shapes), 1), _POCKET_DRY_KG)], axis=1
    )
    water = dry * moist_pct_wb / (100.0 - moist_pct_wb)
    heat = heat_j(temp_c[:, None], dry, water, FREEZING_C)
    zero = np.zeros(len(shapes))
    return Beds(
        shapes,
        dry,
        water,
        heat,
        np.zeros_like(dry),
        np.full_like(dry, 0.5),
        zero.copy(),
        Ledger(*(zero.copy() for _ in range(9))),
    )


def step(beds: Beds, dt_s: float, air_c: Floats, vapour_kpa: Floats, sun_w_m2: Floats) -> None:
    """Move all beds on by `dt_s` (at most 300 s) under air at (bins,)."""
    if not 0.0 < dt_s <= MAX_STEP_S:
        raise ValueError(f"dt_s must lie in 0..{MAX_STEP_S:g}, got {dt_s:g}")
    temp = beds.temp_c
    _conduct(beds, dt_s, temp, air_c, sun_w_m2)
    _decompose(beds, dt_s, temp)
    _evaporate(beds, dt_s, temp, vapour_kpa)
    _seep(beds, dt_s, temp)
    _carry_off(beds, np.full(len(beds.shapes), dt_s / _CARRY_OFF_S))


def _conduct(beds: Beds, dt_s: float, temp: Floats, air_c: Floats, sun_w_m2: Floats) -> None:
    outward = beds.outward_w_k.copy()
    outward[:, TOP] += beds.lid * beds.draught * beds.area_m2 * _OPEN_W_M2K
    gain = outward * (air_c[:, None] - temp) * dt_s
    gain[:, TOP] += beds.sun_share * beds.area_m2 * sun_w_m2 * dt_s
    beds.ledger.conducted_j += gain.sum(axis=1)
    between = beds.inward_w_k * (temp[:, :BASE] - temp[:, CORE:POCKET]) * dt_s  # downwards
    gain[:, :BASE] -= between
    gain[:, CORE:POCKET] += between
    ball = _POCKET_W_K * np.cbrt(beds.dry_kg[:, POCKET] + beds.water_kg[:, POCKET]) * dt_s
    for layer, share in ((CORE, _POCKET_TO_CORE), (TOP, 1.0 - _POCKET_TO_CORE)):
        flow = share * ball * (temp[:, POCKET] - temp[:, layer])
        gain[:, layer] += flow
        gain[:, POCKET] -= flow
    beds.heat_j += gain


def warmth(temp_c: Floats) -> Floats:
    """How fast decomposition goes against 20 C: Haug's two-term curve, and none in frozen matter."""
    return np.where(temp_c > 0.0, np.maximum(1.066 ** (temp_c - 20.0) - 1.21 ** (temp_c - 60.0), 0.0), 0.0)


def _decompose(beds: Beds, dt_s: float, temp: Floats) -> None:
    pace = warmth(temp) * dt_s
    wanted = beds.fuel_j * beds.settled * _DECAY_PER_S * pace
    breathed = _OXYGEN_W * np.cbrt(beds.dry_kg + beds.water_kg) ** 2 * dt_s
    burnt = np.minimum(wanted * breathed / (wanted + breathed), beds.fuel_j)
    beds.fuel_j -= burnt
    beds.settled += _GROWTH_PER_S * pace * beds.settled * (1.0 - beds.settled)
    np.clip(beds.settled, 0.0, 1.0, out=beds.settled)
    share = beds.dry_kg / beds.dry_kg.sum(axis=1, keepdims=True)
    basal = (_BASAL_W_KG * beds.dry_kg + _WORM_W_KG * beds.worm_kg[:, None] * share) * pace
    released = burnt + basal
    lost = released / _J_PER_KG_DRY
    beds.dry_kg -= lost
    beds.water_kg += _WATER_PER_KG_DRY * lost
    beds.heat_j += released
    beds.ledger.released_j += released.sum(axis=1)
    beds.ledger.made_kg += _WATER_PER_KG_DRY * lost.sum(axis=1)


def _evaporate(beds: Beds, dt_s: float, temp: Floats, vapour_kpa: Floats) -> None:
    top_c = temp[:, TOP]
    openness = beds.vent + beds.lid * (beds.draught - beds.vent)
    wetness = np.minimum(beds.water_kg[:, TOP] / beds.dry_kg[:, TOP] / _WET_ENOUGH_DB, 1.0)
    deficit = np.maximum(wetness * vapour_pressure_kpa(top_c) - vapour_kpa, 0.0)
    lost = _EVAPORATION_KG_M2S_KPA * beds.area_m2 * openness * deficit * dt_s
    lost = np.minimum(lost, 0.5 * beds.water_kg[:, TOP])
    beds.water_kg[:, TOP] -= lost
    taken = lost * (EVAPORATION_J_KG + WATER_J_KGK * top_c)
    beds.heat_j[:, TOP] -= taken
    beds.ledger.evaporated_kg += lost
    beds.ledger.evaporated_j -= taken


def _seep(beds: Beds, dt_s: float, temp: Floats) -> None:
    """Drainage of what a layer cannot hold, and the slow creep of water towards drier matter."""
    liquid = temp > 0.0
    spill = np.maximum(beds.water_kg - _CAPACITY_DB * beds.dry_kg, 0.0) * min(dt_s / _DRAIN_S, 1.0) * liquid
    spilt_j = spill * WATER_J_KGK * temp
    beds.water_kg += spill @ _DRAINS
    beds.heat_j += spilt_j @ _DRAINS
    beds.ledger.drained_kg += spill[:, BASE]
    beds.ledger.carried_j -= spilt_j[:, BASE]
    basis = beds.water_kg / beds.dry_kg
    creep = _CREEP_SHARE * (_CAPILLARY_KG_M2S * dt_s) * beds.area_m2[:, None]
    flow = creep * (basis[:, _CREEP_FROM] - basis[:, _CREEP_TO])
    flow *= liquid[:, _CREEP_FROM] & liquid[:, _CREEP_TO]
    beds.water_kg += flow @ _CREEPS
    upstream_c = np.where(flow > 0.0, temp[:, _CREEP_FROM], temp[:, _CREEP_TO])
    beds.heat_j += (flow * WATER_J_KGK * upstream_c) @ _CREEPS


def _carry_off(beds: Beds, share: Floats) -> None:
    """Worms spread this share of what the pocket holds beyond its usual mass into the core."""
    excess = np.maximum(1.0 - _POCKET_DRY_KG / beds.dry_kg[:, POCKET], 0.0) * np.minimum(share, 1.0)
    moved_fuel = beds.fuel_j[:, POCKET] * excess
    core_fuel = beds.fuel_j[:, CORE] + moved_fuel
    mixed = beds.fuel_j[:, CORE] * beds.settled[:, CORE] + moved_fuel * beds.settled[:, POCKET]
    beds.settled[:, CORE] = np.where(
        core_fuel > 0.0, mixed / np.maximum(core_fuel, 1e-9), beds.settled[:, CORE]
    )
    for stock in (beds.dry_kg, beds.water_kg, beds.heat_j, beds.fuel_j):
        moved = stock[:, POCKET] * excess
        stock[:, POCKET] -= moved
        stock[:, CORE] += moved


@dataclass(frozen=True, slots=True)
class Food:
    """What a kg of feed brings."""

    moist_pct_wb: float
    fuel_j_kg: float


FOODS: dict[str, Food] = {
    "grounds": Food(62.0, 1.3e6),
    "pomace": Food(74.0, 1.3e6),
    "trimmings": Food(89.0, 0.6e6),
}
"""Moistures: common figures for wet grounds, pressed pomace and vegetable wastes. Fuel: what decays within
weeks.
"""


def food_named(what: str) -> Food:
    """The mean of the foods that a log entry names; vegetable trimmings when it names none."""
    named = [food for name, food in FOODS.items() if name in what.lower()] or [FOODS["trimmings"]]
    return Food(sum(f.moist_pct_wb for f in named) / len(named), sum(f.fuel_j_kg for f in named) / len(named))


def feed(beds: Beds, i: int, amount_kg: float, food: Food, temp_c: float) -> None:
    """Bury feed in a new pocket; what is left of the last one stays behind as part of the core."""
    behind = np.zeros(len(beds.shapes))
    behind[i] = 1.0
    _carry_off(beds, behind)
    before = beds.fuel_j[i, POCKET]
    fuel = amount_kg * food.fuel_j_kg
    beds.settled[i, POCKET] = (before * beds.settled[i, POCKET] + fuel * _SEED) / max(before + fuel, 1e-9)
    beds.fuel_j[i, POCKET] += fuel
    _add(beds, i, POCKET, amount_kg, food.moist_pct_wb, temp_c)


def wet(beds: Beds, i: int, water_kg: float, temp_c: float) -> None:
    """Sprinkle water on the top; what it cannot hold seeps down within hours."""
    _add(beds, i, TOP, water_kg, 100.0, temp_c)


def bed_down(beds: Beds, i: int, amount_kg: float, moist_pct_wb: float, temp_c: float) -> None:
    """Lay bedding on the top."""
    _add(beds, i, TOP, amount_kg, moist_pct_wb, temp_c)


def _add(beds: Beds, i: int, layer: int, amount_kg: float, moist_pct_wb: float, temp_c: float) -> None:
    water = amount_kg * moist_pct_wb / 100.0
    dry = amount_kg - water
    heat = float(heat_j(temp_c, dry, water, FREEZING_C))
    beds.water_kg[i, layer] += water
    beds.dry_kg[i, layer] += dry
    beds.heat_j[i, layer] += heat
    beds.ledger.added_kg[i] += water
    beds.ledger.carried_j[i] += heat


def turn(beds: Beds, i: int, thoroughness: float = 0.7) -> None:
    """Fork the bed over: each layer moves this share of the way to the whole bed's mixture, and heat and
    water with it.
    """
    weight = beds.dry_kg[i] / beds.dry_kg[i].sum()
    settled_fuel = beds.fuel_j[i] * beds.settled[i]
    stocks: list[NDArray[np.float64]] = [beds.water_kg[i], beds.heat_j[i], beds.fuel_j[i], settled_fuel]
    for stock in stocks:
        stock += thoroughness * (stock.sum() * weight - stock)
    some = beds.fuel_j[i] > 0.0
    beds.settled[i, some] = np.minimum(settled_fuel[some] / beds.fuel_j[i, some], 1.0)


def harvest(beds: Beds, i: int, amount_kg: float) -> None:
    """Take castings from the base, at most four fifths of it; core matter moves down in its place."""
    mass = beds.dry_kg[i, BASE] + beds.water_kg[i, BASE]
    share = min(amount_kg / mass, 0.8)
    beds.ledger.removed_kg[i] += share * beds.water_kg[i, BASE]
    beds.ledger.carried_j[i] -= share * beds.heat_j[i, BASE]
    down = min(share * mass / (beds.dry_kg[i, CORE] + beds.water_kg[i, CORE]), 0.8) * 0.5
    for stock in (beds.dry_kg, beds.water_kg, beds.heat_j, beds.fuel_j):
        stock[i, BASE] *= 1.0 - share
        stock[i, BASE] += down * stock[i, CORE]
        stock[i, CORE] *= 1.0 - down
