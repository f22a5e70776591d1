"""What a channel measures, told from its name and the unit its values came in."""

import re
from collections.abc import Mapping
from fractions import Fraction
from functools import lru_cache
from typing import NamedTuple

from underlid.model import Quantity

UNITS = ("Cel", "K", "%RH", "%", "/", "/100", "/1000", "ppm", "%EL", "V", "mV", "count", "dBm", "dBW")

# Secondary units of RFC 8798, table 2: the SenML unit, and scale and offset that lead to it.
SECONDARY_UNITS: Mapping[str, tuple[str, Fraction, int]] = {
    "ms": ("s", Fraction(1, 1000), 0),
    "min": ("s", Fraction(60), 0),
    "h": ("s", Fraction(3600), 0),
    "MHz": ("Hz", Fraction(10**6), 0),
    "kW": ("W", Fraction(1000), 0),
    "kVA": ("VA", Fraction(1000), 0),
    "kvar": ("var", Fraction(1000), 0),
    "Ah": ("C", Fraction(3600), 0),
    "Wh": ("J", Fraction(3600), 0),
    "kWh": ("J", Fraction(3_600_000), 0),
    "varh": ("vars", Fraction(3600), 0),
    "kvarh": ("vars", Fraction(3_600_000), 0),
    "kVAh": ("VAs", Fraction(3_600_000), 0),
    "Wh/km": ("J/m", Fraction(36, 10), 0),
    "KiB": ("B", Fraction(1024), 0),
    "GB": ("B", Fraction(10**9), 0),
    "Mbit/s": ("bit/s", Fraction(10**6), 0),
    "B/s": ("bit/s", Fraction(8), 0),
    "MB/s": ("bit/s", Fraction(8 * 10**6), 0),
    "mV": ("V", Fraction(1, 1000), 0),
    "mA": ("A", Fraction(1, 1000), 0),
    "dBm": ("dBW", Fraction(1), -30),
    "ug/m3": ("kg/m3", Fraction(1, 10**9), 0),
    "mm/h": ("m/s", Fraction(1, 3_600_000), 0),
    "m/h": ("m/s", Fraction(1, 3600), 0),
    "ppm": ("/", Fraction(1, 10**6), 0),
    "/100": ("/", Fraction(1, 100), 0),
    "/1000": ("/", Fraction(1, 1000), 0),
    "hPa": ("Pa", Fraction(100), 0),
    "mm": ("m", Fraction(1, 1000), 0),
    "cm": ("m", Fraction(1, 100), 0),
    "km": ("m", Fraction(1000), 0),
    "km/h": ("m/s", Fraction(10, 36), 0),
}

_WORDS = {
    "temp": Quantity.TEMPERATURE,
    "temperature": Quantity.TEMPERATURE,
    "moist": Quantity.MOISTURE,
    "moisture": Quantity.MOISTURE,
    "rh": Quantity.HUMIDITY,
    "humidity": Quantity.HUMIDITY,
    "batt": Quantity.BATTERY,
    "battery": Quantity.BATTERY,
    "rssi": Quantity.SIGNAL,
    "signal": Quantity.SIGNAL,
}


class Kept(NamedTuple):
    """How a channel's values are kept: `value * numerator / denominator + offset` in `unit`.

    Two whole numbers rather than one factor, so that 3300 mV is 3.3 V to the last bit.
    """

    quantity: Quantity
    unit: str
    numerator: int
    denominator: int
    offset: float

    def value(self, value: float) -> float:
        return value * self.numerator / self.denominator + self.offset


def quantity_word(name: str) -> Quantity | None:
    """The quantity a channel's name speaks of, as in 'temp', 'top-moist' or 'temp2'; None if it doesn't."""
    words = re.split(r"[^a-z]+", name.lower())
    return next((_WORDS[word] for word in words if word in _WORDS), None)


@lru_cache(4096)  # names come from outside; callers bound their length
def kept_as(name: str, unit: str) -> Kept:
    """How the values of a channel that come in `unit` are kept. Raises ValueError for a strange unit.

    `%` is taken as 0 to 100, as probes send it, though RFC 8428 (section 12.1) gives it the meaning of `/`.
    """
    if unit not in UNITS:
        raise ValueError(f"unit '{unit[:40]}' is not known; known are {', '.join(UNITS)}")
    primary, scale, shift = SECONDARY_UNITS.get(unit, (unit, Fraction(1), 0))
    quantity, stored_unit, factor, offset = _stored(quantity_word(name), primary)
    scale *= factor
    # In one sum, so that -30 to dBW and +30 back to dBm cancel.
    return Kept(quantity, stored_unit, scale.numerator, scale.denominator, float(shift * factor + offset))


def _stored(word: Quantity | None, primary: str) -> tuple[Quantity, str, int, Fraction]:
    """The quantity and stored unit for values in a SenML unit, and the factor and offset that lead there."""
    none = Fraction(0)
    match primary:
        case "Cel":
            return Quantity.TEMPERATURE, "Cel", 1, none
        case "K":
            return Quantity.TEMPERATURE, "Cel", 1, Fraction("-273.15")
        case "%" | "/" | "%RH":
            factor = 100 if primary == "/" else 1
            if word is Quantity.MOISTURE:
                return Quantity.MOISTURE, "%", factor, none
            if word is Quantity.BATTERY:
                return Quantity.BATTERY, "%EL", factor, none
            if word is Quantity.HUMIDITY or primary == "%RH":
                return Quantity.HUMIDITY, "%RH", factor, none
            return Quantity.OTHER, "%", factor, none
        case "%EL":
            return Quantity.BATTERY, "%EL", 1, none
        case "V":
            raw = {Quantity.MOISTURE: Quantity.MOISTURE_RAW, Quantity.BATTERY: Quantity.BATTERY}
            return raw.get(word or Quantity.OTHER, Quantity.OTHER), "V", 1, none
        case "count":
            is_moisture = word is Quantity.MOISTURE
            return (Quantity.MOISTURE_RAW if is_moisture else Quantity.OTHER), "count", 1, none
    return Quantity.SIGNAL, "dBm", 1, Fraction(30)  # dBW


def in_stored_unit(name: str, unit: str, value: float) -> tuple[Quantity, str, float]:
    """A value in the unit that is stored, with that unit and the quantity. Raises as `kept_as`."""
    kept = kept_as(name, unit)
    return kept.quantity, kept.unit, kept.value(value)


def unit_by_name(name: str, value: float, before: str | None = None) -> str:
    """The unit of a bare number, by the channel's name, its size, and the unit in which the channel was first heard.

    Raises ValueError for a strange name.
    """
    match quantity_word(name):
        case Quantity.TEMPERATURE:
            return "Cel"
        case Quantity.MOISTURE:
            # Few counts are those of a loose wire, not per cent.
            return "%" if 0 <= value <= 100 and before != "count" else "count"
        case Quantity.HUMIDITY:
            return "%RH"
        case Quantity.BATTERY:
            if isinstance(value, int) and value <= 100 and not (before == "V" and value <= 6):
                return "%EL"  # volts have decimals, and a per cent of 5 must not become them
            return "V" if value <= 6 else "%EL" if value <= 100 else "mV"
        case Quantity.SIGNAL:
            return "dBm"
    raise ValueError(f"'{name}' does not say what it measures; name it after temp, moist, rh, batt or rssi")
