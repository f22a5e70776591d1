"""Real hourly weather from pvlib's wheel: two typical years (public data of the United States)."""

from __future__ import annotations

import csv
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray

SAND_POINT, GREENSBORO = "703165TY.csv", "723170TYA.CSV"


def outdoor_c(name: str) -> NDArray[np.float64]:
    """Dry-bulb temperature (C), 8,760 hours from January on."""
    text = files("pvlib").joinpath("data", name).read_text()
    rows = csv.DictReader(text.splitlines()[1:])
    return np.array([float(row["Dry-bulb (C)"]) for row in rows])


def winter(name: str) -> NDArray[np.float64]:
    """July to June: the winter in one piece."""
    year = outdoor_c(name)
    return np.concatenate([year[4344:], year[:4344]])
