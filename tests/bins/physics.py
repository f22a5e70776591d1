"""Heat and water of a layered bin with one feed pocket, many bins at a time, in small explicit steps.

Node order: layer 0 is the top. Units inside are SI (kg, J, W, s) with temperatures in C.
Assumed, not fitted to any forecast: conductivity of moist organic matter 0.26 to 0.55 W/m/K by water share and heat
capacities 0.84 and 4.19 kJ/kg/K (Earle, Unit Operations in Food Processing, app. 7); still-air evaporation near
2.6 mm a day per kPa (Shuttleworth 1993, from memory), times how far the lid lets vapour out; 17 MJ per kg degraded
(about 14 kJ per g oxygen, Haug 1993, from memory); decay rate by Haug's temperature and moisture factors (from memory),
held back by the oxygen that gets in, so that pockets stay below the 40 to 50 C that Cornell's composting pages give for
containers of some ten gallons.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from tests.bins.climate import saturation_kpa
from tests.bins.keeper import Food

Floats = NDArray[np.float64]

LAYERS = 6
SLOTS = 10  # feedings whose decay is followed
_LATENT = 2.45e6
_HEAT_OF_DECAY = 17e6


def _hot_factor(temp: Floats) -> Floats:
    return np.maximum(1.066 ** (temp - 20.0) - 1.21 ** (temp - 60.0), 0.0)


def _wet_factor(share: Floats) -> Floats:
    return 1.0 / (np.exp(-17.684 * share + 7.0622) + 1.0)


class Bins:
    """State and constants of a batch of bins."""

    def __init__(self, rng: np.random.Generator, count: int, start_c: Floats) -> None:
        self.area = rng.uniform(0.14, 0.40, count)
        self.depth = rng.uniform(0.20, 0.40, count)
        dry_density = rng.uniform(90.0, 160.0, count)
        share = np.array(
            [0.10, 0.14, 0.19, 0.19, 0.19, 0.19]
        )  # of the depth; the top probe sits in the first
        self.dz = self.depth[:, None] * share
        self.dry = dry_density[:, None] * self.area[:, None] * self.dz
        pct = rng.uniform(70.0, 84.0, count)[:, None] + np.linspace(-2.0, 2.0, LAYERS)
        self.water = self.dry * pct / (100.0 - pct)
        self.temp = np.repeat(start_c[:, None], LAYERS, 1) + 1.0
        self.pocket_dry = np.full(count, 0.5)
        self.pocket_water = np.full(count, 2.0)
        self.pocket_temp = self.temp[:, 2].copy()
        self.side_u = rng.uniform(2.0, 4.5, count)
        self.lid_u = rng.uniform(2.5, 5.0, count)
        self.vent = np.exp(rng.normal(np.log(0.9), 0.7, count))
        self.diffusivity = np.exp(rng.normal(np.log(2.5e-9), 0.5, count))
        self.capacity_db = rng.uniform(4.5, 6.0, count)
        self.air_w = rng.uniform(6.0, 22.0, count)  # heat that the oxygen reaching a pocket allows
        self.vigour = np.exp(rng.normal(0.0, 0.25, count))  # how lively this bin's microbes are
        self.food_kg = np.zeros((count, SLOTS))
        self.active = np.zeros((count, SLOTS))
        self.decay = np.zeros((count, SLOTS))
        self.growth = np.zeros((count, SLOTS))
        self.in_pocket = np.zeros((count, SLOTS), dtype=bool)

    @staticmethod
    def _heat_capacity(dry: Floats, water: Floats) -> Floats:
        return np.asarray(840.0 * dry + 4190.0 * water)

    def top_pct(self) -> Floats:
        return np.asarray(100.0 * self.water[:, 0] / (self.water[:, 0] + self.dry[:, 0]))

    def base_pct(self) -> Floats:
        return np.asarray(100.0 * self.water[:, -1] / (self.water[:, -1] + self.dry[:, -1]))

    def step(self, seconds: float, air_c: Floats, vapour_kpa: Floats, sun_w: Floats) -> None:
        area = self.area[:, None]
        db = self.water / self.dry
        wet = self.water / (self.water + self.dry)
        capacity = self._heat_capacity(self.dry, self.water)
        conduct = 0.26 + 0.29 * wet
        between_z = (self.dz[:, 1:] + self.dz[:, :-1]) / 2
        through = (
            (conduct[:, 1:] + conduct[:, :-1]) / 2 * area / between_z * (self.temp[:, 1:] - self.temp[:, :-1])
        )
        perimeter = 4.0 * np.sqrt(area)
        power = -self.side_u[:, None] * perimeter * self.dz * (self.temp - air_c[:, None])
        power[:, :-1] += through
        power[:, 1:] -= through
        power[:, 0] -= self.lid_u * self.area * (self.temp[:, 0] - air_c) - sun_w
        power[:, -1] -= 0.5 * self.side_u * self.area * (self.temp[:, -1] - air_c)

        activity = 1.0 - np.exp(-1.6 * db[:, 0])
        evaporated = (
            self.area * self.vent * 3.0e-5 * (activity * saturation_kpa(self.temp[:, 0]) - vapour_kpa)
        )  # kg/s
        evaporated = np.minimum(evaporated, 0.02 * self.water[:, 0] / seconds)
        power[:, 0] -= _LATENT * evaporated

        pocket_capacity = self._heat_capacity(self.pocket_dry, self.pocket_water)
        radius = (3 * (self.pocket_dry + self.pocket_water) / 700.0 / (4 * np.pi)) ** (1 / 3)
        leak = 4 * np.pi * 0.5 * radius * 1.5 * (self.pocket_temp - self.temp[:, 2])
        power[:, 2] += leak
        pocket_wet = self.pocket_water / (self.pocket_water + self.pocket_dry)
        where_t = np.where(self.in_pocket, self.pocket_temp[:, None], self.temp[:, 2:3])
        where_w = np.where(self.in_pocket, pocket_wet[:, None], wet[:, 2:3])
        speed = _hot_factor(where_t) * _wet_factor(where_w)
        lost = self.food_kg * self.decay * speed * self.active * (seconds / 3600.0)
        wanted = lost.sum(1, keepdims=True) * _HEAT_OF_DECAY / seconds
        lost /= 1.0 + wanted / self.air_w[:, None]  # a crowd short of breath
        self.active += (
            self.growth * _hot_factor(where_t) * self.active * (1 - self.active) * (seconds / 3600.0)
        )
        np.clip(self.active, 0.0, 1.0, out=self.active)
        self.food_kg -= lost
        heat = lost * _HEAT_OF_DECAY
        self.pocket_temp += (np.sum(heat * self.in_pocket, 1) - leak * seconds) / pocket_capacity
        self.temp += power * seconds / capacity
        self.temp[:, 2] += np.sum(heat * ~self.in_pocket, 1) / capacity[:, 2]

        mean_db = (db[:, 1:] + db[:, :-1]) / 2
        flow = (
            (
                self.diffusivity[:, None]
                * (mean_db / 3.0) ** 2
                * area
                * (self.dry / (area * self.dz)).mean(1)[:, None]
            )
            / between_z
            * (db[:, 1:] - db[:, :-1])
        )
        over = np.maximum(self.water - self.capacity_db[:, None] * self.dry, 0.0) / 2500.0
        change = np.zeros_like(self.water)
        change[:, :-1] += flow - over[:, :-1]
        change[:, 1:] += over[:, :-1] - flow
        change[:, -1] -= over[:, -1]  # drips into the tray
        change[:, 0] -= evaporated
        self.water = np.maximum(self.water + change * seconds, 0.02 * self.dry)

    def feed(self, i: int, kg: float, food: Food, temp_c: float, bedding_kg: float) -> None:
        """The old pocket joins the core; a new one is made of the feed and some bedding around it."""
        self._merge_pocket(i)
        take = bedding_kg / (self.dry[i, 2] + self.water[i, 2])
        take = min(take, 0.5)
        self.pocket_dry[i] = self.dry[i, 2] * take
        self.pocket_water[i] = self.water[i, 2] * take
        self.dry[i, 2] *= 1 - take
        self.water[i, 2] *= 1 - take
        own = float(self._heat_capacity(self.pocket_dry[i], self.pocket_water[i]))
        fresh = float(self._heat_capacity(np.float64(kg * (1 - food.water)), np.float64(kg * food.water)))
        self.pocket_temp[i] = (own * self.temp[i, 2] + fresh * temp_c) / (own + fresh)
        self.pocket_dry[i] += kg * (1 - food.water)
        self.pocket_water[i] += kg * food.water
        slot = int(np.argmin(self.food_kg[i]))
        self.food_kg[i, slot] = kg * (1 - food.water) * food.degradable
        self.active[i, slot] = food.start
        self.decay[i, slot] = food.decay_per_h * self.vigour[i]
        self.growth[i, slot] = food.growth_per_h * self.vigour[i]
        self.in_pocket[i, slot] = True

    def _merge_pocket(self, i: int) -> None:
        own = float(self._heat_capacity(self.pocket_dry[i], self.pocket_water[i]))
        core = float(self._heat_capacity(self.dry[i, 2], self.water[i, 2]))
        self.temp[i, 2] = (own * self.pocket_temp[i] + core * self.temp[i, 2]) / (own + core)
        # castings are taken out in time; the layer keeps its mass, the pocket's water share blends in
        dry = self.dry[i, 2] + self.pocket_dry[i]
        water = self.water[i, 2] + self.pocket_water[i]
        full = self.dry[i].sum() / self.depth[i] * self.dz[i, 2] * 1.05
        shrink = min(1.0, full / dry)
        self.dry[i, 2], self.water[i, 2] = dry * shrink, water * shrink
        self.in_pocket[i] = False

    def wet(self, i: int, litres: float, temp_c: float) -> None:
        for layer, share in ((0, 0.6), (1, 0.3), (2, 0.1)):
            added = litres * share
            here = float(self._heat_capacity(self.dry[i, layer], self.water[i, layer]))
            self.temp[i, layer] = (here * self.temp[i, layer] + 4190.0 * added * temp_c) / (
                here + 4190.0 * added
            )
            self.water[i, layer] += added

    def turn(self, i: int, share: float) -> None:
        self._merge_pocket(i)
        self.pocket_dry[i], self.pocket_water[i] = 0.3, 1.2
        total_w, total_d = self.water[i].sum(), self.dry[i].sum()
        weights = self._heat_capacity(self.dry[i], self.water[i])
        mixed_t = float(np.average(self.temp[i], weights=weights))
        self.water[i] = (1 - share) * self.water[i] + share * self.dry[i] * total_w / total_d
        self.temp[i] = (1 - share) * self.temp[i] + share * mixed_t
        self.pocket_temp[i] = self.temp[i, 2]
