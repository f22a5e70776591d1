"""The farm at a moment: the one mutable thing, moved on by `advance` and by what the keeper does."""

import re
from collections.abc import Mapping

import numpy as np

from underlid.demo import bed
from underlid.demo.farm import DRY_BIN, DRYING_BIN, FREEZING_TUB, FROZEN_TUB, LEAN_TO, DemoFarm
from underlid.demo.matter import heat_j
from underlid.demo.tub import Tub, fill_tub, step_tub
from underlid.demo.weather import DAY_MS, Weather
from underlid.model import Bin, LogEntry, SubjectKind

STEP_MS = 300_000
TAP_C = 9.0
STORED_FEED_C = 11.0  # feed waits in the shed
FROZEN_FEED_C = -4.0
_BEDDING_PCT_WB = 65.0
_FREEZING_C: Mapping[str, float] = {FREEZING_TUB: -0.7, FROZEN_TUB: -1.4}  # trimmings; sugary pomace
_TUB_PCT_WB: Mapping[str, float] = {FREEZING_TUB: 88.0, FROZEN_TUB: 74.0}
_TUB_SURFACE_W_M2K = 8.0  # a bare tub in nearly still air, radiation with it

_OPENED = re.compile(r"\b(open|opened|propped|ajar|off|removed)\b", re.IGNORECASE)
_SHUT = re.compile(r"\b(shut|closed|close|on|back|down)\b", re.IGNORECASE)


class Garden:
    """Beds, tubs and weather at `time_ms`."""

    def __init__(self, farm: DemoFarm, weather: Weather, time_ms: int, seed: int) -> None:
        self.farm = farm
        self.weather = weather
        self.time_ms = time_ms
        rng = np.random.default_rng([seed, 97])
        self._bin_index = {b.id: i for i, b in enumerate(farm.bins)}
        self._is_outdoors = np.array([b.place_id == LEAN_TO for b in farm.bins])
        count = len(farm.bins)
        moist = np.array([75.5, 76.5, 77.5, 76.0]) + rng.uniform(-1.5, 1.5, (count, 4))
        moist[self._bin_index[DRY_BIN]] -= 5.5  # this one was never wet
        moist[self._bin_index[DRYING_BIN]] -= 2.0
        warm = np.where(self._is_outdoors, 15.5, 16.0) + rng.uniform(-0.8, 0.8, count)
        self.beds = bed.fill(tuple(_shape(b) for b in farm.bins), warm, moist)
        self._look_ahead()
        self.tubs: dict[str, Tub] = {
            s.id: fill_tub(
                s.diameter_m, s.fill_depth_m, _TUB_SURFACE_W_M2K, _FREEZING_C[s.id], _TUB_PCT_WB[s.id], 5.0
            )
            for s in farm.feed_stores
        }

    def advance(self, to_ms: int) -> None:
        """Move on to a time; earlier times change nothing."""
        while self.time_ms < to_ms:
            if not self._air_from_ms <= self.time_ms < self._air_until_ms:
                self._look_ahead()
            slot = (self.time_ms - self._air_from_ms) // STEP_MS
            stop = min(to_ms, self._air_from_ms + (slot + 1) * STEP_MS)
            dt_s = (stop - self.time_ms) / 1000.0
            shed_c, shed_kpa = self._shed.temp_c[slot], self._shed_kpa[slot]
            out_c, out_kpa, sun = (
                self._outdoor.temp_c[slot],
                self._outdoor_kpa[slot],
                self._outdoor.sun_w_m2[slot],
            )
            bed.step(
                self.beds,
                dt_s,
                np.where(self._is_outdoors, out_c, shed_c),
                np.where(self._is_outdoors, out_kpa, shed_kpa),
                np.where(self._is_outdoors, sun, 0.0),
            )
            for tub in self.tubs.values():
                step_tub(tub, dt_s, float(out_c))
            self.time_ms = stop

    def _look_ahead(self) -> None:
        """Compute the air of the day from now on, in slots of one step: much cheaper at once than step by
        step.
        """
        self._air_from_ms = self.time_ms // STEP_MS * STEP_MS
        self._air_until_ms = self._air_from_ms + DAY_MS
        middles = self._air_from_ms + (np.arange(DAY_MS // STEP_MS) + 0.5) * STEP_MS
        self._shed, self._outdoor = self.weather.shed(middles), self.weather.outdoors(middles)
        self._shed_kpa, self._outdoor_kpa = self._shed.vapour_kpa, self._outdoor.vapour_kpa

    def act(self, entry: LogEntry) -> bool:
        """Let the simulated bin or tub feel what the keeper logged. False when it is none of this farm's or
        moves nothing.
        """
        if entry.subject.kind == SubjectKind.FEED_STORE:
            return self._fill_tub(entry)
        index = self._bin_index.get(entry.subject.id)
        if entry.subject.kind != SubjectKind.BIN or index is None:
            return False
        kg, litres = entry.amount_kg or 0.0, entry.amount_l or 0.0
        match entry.kind:
            case "fed" if kg > 0.0:
                cold = "frozen" in entry.what.lower()
                feed_c = FROZEN_FEED_C if cold else STORED_FEED_C
                bed.feed(self.beds, index, kg, bed.food_named(entry.what), feed_c)
            case "wetted" if litres > 0.0:
                bed.wet(self.beds, index, litres, TAP_C)
            case "bedding" if kg > 0.0:
                bed.bed_down(self.beds, index, kg, _BEDDING_PCT_WB, STORED_FEED_C)
            case "turned":
                bed.turn(self.beds, index)
            case "harvest" if kg > 0.0:
                bed.harvest(self.beds, index, kg)
            case "lid":
                return self._move_lid(index, f"{entry.what} {entry.note}")
            case _:
                return False
        return True

    def litres_to(self, bin_id: str, pct_wb: float) -> float:
        """Litres that bring a bin's top to a moisture, 0 when it is there."""
        i = self._bin_index[bin_id]
        dry, water = self.beds.dry_kg[i, bed.TOP], self.beds.water_kg[i, bed.TOP]
        return max(float(dry * pct_wb / (100.0 - pct_wb) - water), 0.0)

    def truth(self) -> tuple[np.ndarray[tuple[int, ...], np.dtype[np.float64]], ...]:
        """Layer temperatures and moistures, (bins, 4) each, and tub core temperatures, (tubs,)."""
        cores = np.array([float(t.temp_c[0]) for t in self.tubs.values()])
        return self.beds.temp_c, self.beds.moist_pct_wb, cores

    def _move_lid(self, index: int, words: str) -> bool:
        if _OPENED.search(words):
            self.beds.lid[index] = 1.0
        elif _SHUT.search(words):
            self.beds.lid[index] = 0.0
        else:
            return False
        return True

    def _fill_tub(self, entry: LogEntry) -> bool:
        tub = self.tubs.get(entry.subject.id)
        if tub is None or "filled" not in entry.what.lower():
            return False
        tub.heat_j[:] = heat_j(STORED_FEED_C, tub.dry_kg, tub.water_kg, tub.freezing_c)
        return True


def _shape(bin_: Bin) -> bed.Shape:
    size = (bin_.length_m, bin_.width_m, bin_.depth_m, bin_.worm_kg)
    if bin_.place_id == LEAN_TO:  # boarded, with straw bales on all sides and a blanket under the lid
        return bed.Shape(
            *size, side_w_m2k=0.33, bottom_w_m2k=0.3, lid_w_m2k=0.4, vent_share=0.03, sun_share=0.02
        )
    by_the_door = bin_.id in (DRY_BIN, DRYING_BIN)
    return bed.Shape(*size, draught=2.0 if by_the_door else 1.0)
