"""The one way this package refuses a number that a model cannot take."""

from __future__ import annotations

from typing import TypeVar, overload

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Num = TypeVar("Num", float, FloatArray)
"""A float or an array of floats: what goes in elementwise comes out elementwise."""


@overload
def within(name: str, value: float, low: float, high: float, unit: str) -> float: ...
@overload
def within(name: str, value: FloatArray, low: float, high: float, unit: str) -> FloatArray: ...
def within(name: str, value: float | FloatArray, low: float, high: float, unit: str) -> float | FloatArray:
    """Give `value` back as float64 when every element lies in low..high (bounds included).

    NaN stands for "not known" and passes. Raises ValueError that names the argument, the bound and the
    first value outside it.
    """
    numbers = np.asarray(value, dtype=np.float64)
    outside = (numbers < low) | (numbers > high)
    if outside.any():
        first = numbers[outside].flat[0]
        raise ValueError(f"{name} must lie within {low:g} to {high:g} {unit}, got {first:g}")
    return numbers if numbers.ndim else float(numbers)
