"""From a capacitive probe's raw number to moisture, % wet basis.

The probe is read in samples whose moisture is then found in the oven; between those points the curve is a
monotone cubic (Fritsch and Butland), which never overshoots them. No scipy here: a service calibrates from
its first message on.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from underlid.science.domain import FloatArray, within

REFERENCE_C = 20.0
"""Raw readings are brought to this temperature before the curve is used, C."""


@dataclass(frozen=True)
class OvenPoint:
    """A calibration point's moisture, % wet basis, and its standard deviation."""

    pct_wb: float
    sd_pct: float


@dataclass(frozen=True)
class Calibration:
    """A curve through points: raw at 20 C rising, moisture, standard deviation of each point's moisture.

    temp_coeff: raw units by which the probe reads more for each degree, at one moisture.
    """

    raw: tuple[float, ...]
    pct_wb: tuple[float, ...]
    sd_pct: tuple[float, ...]
    temp_coeff: float = 0.0

    def apply(self, raw: ArrayLike, temp_c: ArrayLike | None = None) -> tuple[FloatArray, NDArray[np.bool_]]:
        """Moisture and whether it may be relied on: (values, in_range), of the shape of raw.

        raw: float or array, NaN gives NaN; temp_c: temperature at the probe, same shape or one for all; left
        out (or NaN), the reading counts as taken at 20 C. Outside the points the curve goes on straight, as
        steep as across its last interval, held within 0 to 100 %, and is marked out of range. At or below 0 C
        the value is NaN and out of range: ice hardly shows in permittivity, so frozen bedding reads as dry.
        """
        at_reference, frozen = self._at_reference(raw, temp_c)
        _, (c0, c1, c2, c3), d = self._piece(at_reference)
        values = np.clip(c0 + d * (c1 + d * (c2 + d * c3)), 0.0, 100.0)
        in_range = (at_reference >= self.raw[0]) & (at_reference <= self.raw[-1]) & ~frozen
        return np.where(frozen, np.nan, values), np.asarray(in_range)

    def uncertainty(self, raw: ArrayLike, temp_c: ArrayLike | None = None, raw_sd: float = 0.0) -> FloatArray:
        """Standard deviation of apply's moisture, % wet basis, of the shape of raw.

        Joins the points' own uncertainty (by the weights of straight interpolation, which grow beyond the
        points) and the scatter of the raw reading times the curve's slope. The shape of the curve between
        points is not in it: take more points where it bends. raw_sd: at least 0, raw units. NaN when frozen.
        """
        within("raw_sd", raw_sd, 0.0, np.inf, "raw units")
        at_reference, frozen = self._at_reference(raw, temp_c)
        piece, (_, c1, c2, c3), d = self._piece(at_reference)
        points, sds = np.array(self.raw), np.array(self.sd_pct)
        left = np.clip(piece - 1, 0, points.size - 2)
        along = (at_reference - points[left]) / (points[left + 1] - points[left])
        slope = c1 + d * (2.0 * c2 + d * 3.0 * c3)
        variance = ((1.0 - along) * sds[left]) ** 2 + (along * sds[left + 1]) ** 2 + (slope * raw_sd) ** 2
        return np.where(frozen, np.nan, np.sqrt(variance))

    def _at_reference(self, raw: ArrayLike, temp_c: ArrayLike | None) -> tuple[FloatArray, NDArray[np.bool_]]:
        numbers = np.asarray(raw, dtype=np.float64)
        if temp_c is None:
            return numbers, np.zeros(numbers.shape, dtype=np.bool_)
        temp = within("temp_c", np.asarray(temp_c, dtype=np.float64), -60.0, 100.0, "C")
        # A probe without a thermometer still has a moisture.
        warmer = np.where(np.isnan(temp), 0.0, temp - REFERENCE_C)
        numbers, temp = np.broadcast_arrays(numbers - self.temp_coeff * warmer, temp)
        return numbers, np.asarray(temp <= 0.0)

    def _piece(self, at_reference: FloatArray) -> tuple[NDArray[np.intp], FloatArray, FloatArray]:
        """The piece of the curve that each reading lies on, its coefficients, the way from its origin."""
        origin, coefficients = self._pieces
        piece = np.asarray(np.searchsorted(origin[1:], at_reference, side="right"))
        return piece, coefficients[:, piece], np.asarray(at_reference - origin[piece])

    @cached_property
    def _pieces(self) -> tuple[FloatArray, FloatArray]:
        """Origins, shape (n + 1,), and cubic coefficients, (4, n + 1): below, between and above the points.

        The slopes at the points are those of Fritsch and Butland (1984), with a three-point one at the ends.
        """
        x, y = np.array(self.raw), np.array(self.pct_wb)
        width = np.diff(x)
        secant = np.diff(y) / width
        slope = np.repeat(secant[:1], x.size)
        if secant.size > 1:
            w1, w2 = 2 * width[1:] + width[:-1], width[1:] + 2 * width[:-1]
            slope[1:-1] = (w1 + w2) / (w1 / secant[:-1] + w2 / secant[1:])
            slope[0] = _end_slope(width[0], width[1], secant[0], secant[1])
            slope[-1] = _end_slope(width[-1], width[-2], secant[-1], secant[-2])
        between = np.array(
            [
                y[:-1],
                slope[:-1],
                (3 * secant - 2 * slope[:-1] - slope[1:]) / width,
                (slope[:-1] + slope[1:] - 2 * secant) / width**2,
            ]
        )
        below, above = [y[0], secant[0], 0.0, 0.0], [y[-1], secant[-1], 0.0, 0.0]
        return np.concatenate([x[:1], x]), np.column_stack([below, between, above])


def fit_calibration(
    raw: ArrayLike,
    pct_wb: ArrayLike,
    temp_c: ArrayLike | None = None,
    temp_coeff: float = 0.0,
    sd_pct: ArrayLike = 2.0,
) -> Calibration:
    """A monotone calibration through two or more points, in any order.

    raw, pct_wb: shape (n,), counts or volts and % wet basis (0 to 100); temp_c: the temperature at which each
    point was read, or one for all (left out: 20 C); temp_coeff: raw units per C; sd_pct: standard deviation
    of each point's moisture, or one for all (2 % for samples from one bin: common practice, no source).
    Raises ValueError for fewer than two points, NaN, a raw value given twice, and moisture that does not
    steadily rise or steadily fall with raw; the message names the points.
    """
    x, y = np.asarray(raw, dtype=np.float64), np.asarray(pct_wb, dtype=np.float64)
    if x.ndim != 1 or x.shape != y.shape:
        raise ValueError(f"raw and pct_wb must be of one length, got shapes {x.shape} and {y.shape}")
    if x.size < 2:
        raise ValueError(f"raw must hold at least 2 points, got {x.size}")
    within("pct_wb", y, 0.0, 100.0, "%")
    if temp_c is not None:
        temp = within(
            "temp_c", np.asarray(temp_c, dtype=np.float64), 0.1, 100.0, "C (a frozen point says nothing)"
        )
        x = x - temp_coeff * (temp - REFERENCE_C)
    sds = np.broadcast_to(within("sd_pct", np.asarray(sd_pct, dtype=np.float64), 0.0, 100.0, "%"), x.shape)
    if not np.isfinite(x + y + sds).all():
        raise ValueError("raw, pct_wb, temp_c and sd_pct must be finite in every point")
    order = np.argsort(x)
    x, y, sds = x[order], y[order], sds[order]
    twice = np.flatnonzero(np.diff(x) == 0)
    if twice.size:
        raise ValueError(f"raw must differ from point to point, got {x[twice[0]]:g} twice")
    rise = np.diff(y) * (1.0 if y[-1] >= y[0] else -1.0)
    turns = np.flatnonzero(rise <= 0)
    if turns.size:
        i = int(turns[0])
        raise ValueError(
            "pct_wb must steadily rise or steadily fall with raw, but does not from "
            f"raw {x[i]:g} ({y[i]:g} %) to raw {x[i + 1]:g} ({y[i + 1]:g} %): take one of these points again"
        )
    return Calibration(tuple(x.tolist()), tuple(y.tolist()), tuple(sds.tolist()), float(temp_coeff))


def oven_point(before_g: float, after_g: float, tare_g: float, balance_sd_g: float = 0.1) -> OvenPoint:
    """Moisture of an oven-dried sample and its standard deviation from the balance's.

    before_g, after_g: dish with sample before and after drying to constant mass; tare_g: the empty dish,
    at least 0; tare < after <= before. M = 100 (before - after) / (before - tare). balance_sd_g: standard
    deviation of one weighing, at least 0; the three weighings err independently. Source: ASTM D2974 (as
    received basis); Cornell Composting, "Moisture content"; first-order propagation (GUM, JCGM 100:2008).
    """
    within("tare_g", tare_g, 0.0, 1e6, "g")
    within("before_g", before_g, 0.0, 1e6, "g")
    within("balance_sd_g", balance_sd_g, 0.0, 1e6, "g")
    if not tare_g < after_g <= before_g:
        raise ValueError(
            "after_g must lie above tare_g and not above before_g, "
            f"got before {before_g:g}, after {after_g:g}, tare {tare_g:g} g"
        )
    wet = before_g - tare_g
    share = (before_g - after_g) / wet
    by_weighing = np.array([1.0 - share, -1.0, share]) / wet  # before, after, tare
    return OvenPoint(100.0 * share, float(100.0 * balance_sd_g * np.sqrt(by_weighing @ by_weighing)))


def _end_slope(near: float, far: float, secant_near: float, secant_far: float) -> float:
    """Three-point slope at an end, kept from turning the curve round."""
    slope = ((2 * near + far) * secant_near - near * secant_far) / (near + far)
    return 0.0 if slope * secant_near <= 0 else float(slope)
