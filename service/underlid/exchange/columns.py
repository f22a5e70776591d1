"""What the columns of a table of readings mean, and in which units they are. Pure."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from zoneinfo import available_timezones

import numpy as np
from numpy.typing import NDArray

from underlid.exchange.cells import Decimal, short
from underlid.exchange.moments import Order
from underlid.exchange.sheet import SEPARATORS
from underlid.exchange.zones import Twice
from underlid.model import Quantity
from underlid.quantities import UNITS, kept_as, unit_by_name

PROBE = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,127}")  # as in the topics of probes
CHANNEL = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")
FAHRENHEIT = "degF"  # no unit of SenML, but one of many loggers
_UNIT_WORDS = {
    "°c": "Cel", "c": "Cel", "degc": "Cel", "deg c": "Cel", "celsius": "Cel", "cel": "Cel",
    "°f": FAHRENHEIT, "f": FAHRENHEIT, "degf": FAHRENHEIT, "deg f": FAHRENHEIT, "fahrenheit": FAHRENHEIT,
    "% rh": "%RH", "%rh": "%RH", "rh%": "%RH", "%rf": "%RH", "% rf": "%RH", "% r.f.": "%RH",
    "counts": "count", "raw": "count", "volt": "V", "volts": "V", "pct": "%", "percent": "%", "prozent": "%",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Column:
    """A column that holds the values of one channel."""

    index: int
    probe: str
    channel: str
    unit: str


@dataclass(frozen=True, slots=True)
class ReadingsMap:
    """How a table of readings is read. Columns are counted from 0; a text stands for every row alike.

    Wide: `columns` has one for each channel. Long: `value` is set, and a row is one reading.
    """

    separator: str
    width: int
    time: int
    order: Order
    zone: str
    clock: int | None = None  # a column with the time of day, where `time` has the date alone
    twice: Twice = "refuse"
    decimal: Decimal = "."
    columns: tuple[Column, ...] = ()
    value: int | None = None
    probe: int | str = ""
    channel: int | str = ""
    unit: int | str = ""


def check(map_: ReadingsMap) -> None:
    """Raises ValueError with what is wrong or missing."""
    check_form(map_.separator, map_.zone)
    indices = [map_.time, map_.clock, map_.value, *(column.index for column in map_.columns)]
    indices += [part for part in (map_.probe, map_.channel, map_.unit) if isinstance(part, int)]
    if wrong := [index for index in indices if index is not None and not 0 <= index < map_.width]:
        raise ValueError(f"there is no column {wrong[0] + 1}; the table has {map_.width}")
    if map_.value is None and not map_.columns:
        raise ValueError("no column of values is named")
    named = [(c.probe, c.channel, c.unit) for c in map_.columns]
    if map_.value is not None:
        told_by_row = not isinstance(map_.channel, str) or not isinstance(map_.unit, str) or not map_.unit
        probe = map_.probe if isinstance(map_.probe, str) else "a-probe"
        channel = map_.channel if isinstance(map_.channel, str) else "temp"
        named = [(probe, channel, "Cel" if told_by_row else str(map_.unit))]
    for probe, channel, unit in named:
        key_of(probe, channel, unit)
    if len({c.index for c in map_.columns}) < len(map_.columns) or len(set(named)) < len(named):
        raise ValueError("two columns go to the same channel; give one another name")


def check_form(separator: str, zone: str) -> None:
    """Raises ValueError for a separator that parts no cells, or a time zone that is none."""
    if separator not in SEPARATORS:
        raise ValueError(f"'{short(separator)}' is no separator; cells are parted by , ; | or tabs")
    if zone not in available_timezones():
        raise ValueError(f"'{short(zone)}' is not an IANA time zone, for example Europe/Vienna")


def key_of(probe: str, channel: str, unit: str) -> tuple[str, str, str, Quantity]:
    """Probe, channel, stored unit and quantity of values in a unit. Raises ValueError with what would be right."""
    if not PROBE.fullmatch(probe):
        raise ValueError(
            f"'{short(probe)}' can't be a probe's id, which is of A-Z a-z 0-9 . _ -"
            if probe
            else "no probe is named"
        )
    if not CHANNEL.fullmatch(channel):
        raise ValueError(
            f"'{short(channel)}' can't be a channel's name, which is of A-Z a-z 0-9 . _ -"
            if channel
            else "no channel is named"
        )
    unit = "Cel" if unit == FAHRENHEIT else unit
    if unit not in UNITS:
        words = f"unit '{short(unit)}' is not known" if unit else f"'{channel}' has no unit"
        raise ValueError(f"{words}; known are {', '.join(UNITS)}, {FAHRENHEIT}")
    kept = kept_as(channel, unit)
    return probe, channel, kept.unit, kept.quantity


def stored(channel: str, unit: str, values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Values in the unit that is kept, to the last bit as the intake would keep them."""
    if unit == FAHRENHEIT:
        return (values - 32) * 5 / 9
    kept = kept_as(channel, unit)
    return values * kept.numerator / kept.denominator + kept.offset


def unit_in(words: str) -> str:
    """The unit that words in a header or a cell stand for; '' where it is none that is known."""
    text = words.strip()
    found = text if text in UNITS else _UNIT_WORDS.get(text.lower(), "")
    return found or next((unit for unit in UNITS if unit.lower() == text.lower()), "")


def unit_for(channel: str, values: Sequence[float]) -> str:
    """The unit of bare numbers by the channel's name and the middle one; '' where these do not tell."""
    middle = float(np.median(values))
    try:
        return unit_by_name(channel, int(middle) if middle.is_integer() else middle)
    except ValueError:
        return ""
