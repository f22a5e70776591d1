"""An outdoor bin as layers of bedding between a wall and the ground, explicit in time, warm of itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

LAYERS = 8
STEPS_PER_HOUR = 24


@dataclass(frozen=True)
class OutdoorBin:
    """``size`` m from wall to middle, ``wall`` W/m2/K, own ``heat`` W/m3, ``ground`` W/m3/K to the earth."""

    size: float
    wall: float
    heat: float
    ground: float
    earth_c: float
    start: float


def any_bin(rng: np.random.Generator, start: float) -> OutdoorBin:
    """A crate or a thick-walled box, full of food or without, on boards or on the ground."""
    return OutdoorBin(
        size=float(rng.uniform(0.1, 0.3)),
        wall=float(rng.uniform(1.5, 10.0)),
        heat=float(rng.uniform(0.0, 30.0)),
        ground=float(rng.uniform(0.0, 1.5)),
        earth_c=float(rng.uniform(4.0, 10.0)),
        start=start,
    )


def temperatures(bins: list[OutdoorBin], outdoor: list[Array]) -> list[Array]:
    """Hourly temperature half-way between wall and middle (C); unfrozen, so for times before the first frost.

    Wet bedding: 700 kg/m3, 3.4 kJ/kg/K, 0.45 W/m/K (handbook range for wet organic matter, from memory).
    """
    air = np.array(outdoor)
    size, wall, heat, ground, earth, start = np.array(
        [[b.size, b.wall, b.heat, b.ground, b.earth_c, b.start] for b in bins]
    ).T[:, :, np.newaxis]
    store, conduct = 700.0 * 3400.0, 0.45
    width = size / LAYERS
    step = 3600.0 / STEPS_PER_HOUR
    temp = start * np.ones((len(bins), LAYERS))
    out = np.empty_like(air)
    for hour in range(air.shape[1]):
        out[:, hour] = temp[:, LAYERS // 2]
        now, nxt = air[:, hour], air[:, min(hour + 1, air.shape[1] - 1)]
        for part in range(STEPS_PER_HOUR):
            outside = now + (nxt - now) * part / STEPS_PER_HOUR
            flow = conduct * np.diff(temp, axis=1) / width
            gain = width * (heat * 1.07 ** np.minimum(temp - 10.0, 10.0) + ground * (earth - temp))
            gain[:, :-1] += flow
            gain[:, 1:] -= flow
            gain[:, 0] += (outside - temp[:, 0]) / (1.0 / wall[:, 0] + 0.5 * width[:, 0] / conduct)
            temp = temp + gain * step / (store * width)
    return list(out)
