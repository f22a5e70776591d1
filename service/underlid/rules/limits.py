"""The limits that rules judge by: per species from published sources, adjustable by farm, place and bin.

`effective_limits` gives each limit with where its value comes from; the most specific value wins. A name may carry a
season in months, both included: `temp_low_c@11-3` holds from November to March, before the same level's `temp_low_c`.
"""

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

Origin = Literal["species", "farm", "place", "bin", "feed-store"]

_EDWARDS = "Edwards 1988, in Earthworm Ecology table 18.3"
_KAPLAN = "Kaplan, Hartenstein, Neuhauser & Malecki 1980, Soil Biol. Biochem. 12, 347"
_REINECKE = "Reinecke & Venter 1987, Biol. Fertil. Soils 3, 135"
_VILJOEN = "Reinecke, Viljoen & Saayman 1992, Soil Biol. Biochem. 24, 1295 (figure from memory)"
_DOMINGUEZ = "Dominguez & Edwards 2011, ch. 3 of Vermiculture Technology (figure from memory)"
_FAO = "Misra, Roy & Hiraoka 2003, FAO Land and Water Discussion Paper 2, ch. 4"
_OURS = "common practice, no source"
_ISA = "deadband and delay are those of ISA-18.2-2016; the figure is for a bin's slow signals: " + _OURS

DEFAULT_SPECIES = "eisenia-fetida"


@dataclass(frozen=True, slots=True)
class Limit:
    """One effective limit: its value, unit, where the value was set, and what that rests on."""

    name: str
    value: float
    unit: str
    origin: Origin
    source: str
    season: str | None = None  # '11-3': the months that the value was set for; None: the whole year


@dataclass(frozen=True, slots=True)
class _Row:
    unit: str
    value: float
    low: float
    high: float
    source: str
    general: bool = False  # does it matter to feed stores and probes as well?


# On-delay and off-delay of each rule, minutes.
_DELAYS_MIN: tuple[tuple[str, tuple[float, float], bool], ...] = (
    ("top-drying", (30.0, 30.0), False),
    ("too-wet", (120.0, 60.0), False),
    ("feed-heating", (15.0, 60.0), False),
    ("too-warm", (30.0, 60.0), False),
    ("too-cold", (60.0, 60.0), False),
    ("bin-freezing", (30.0, 60.0), False),
    ("feed-freezing", (30.0, 60.0), True),
    ("feed-hard-frozen", (0.0, 60.0), True),
    ("feed-thawed", (0.0, 60.0), True),
    ("probe-silent", (0.0, 10.0), True),
    ("probe-battery", (60.0, 60.0), True),
    ("probe-suspect", (60.0, 60.0), True),
    ("nothing-heard", (0.0, 0.0), True),
)

# What holds unless a species says otherwise; low..high are the bounds of a sane own value.
_TABLE: Mapping[str, _Row] = {
    "moist_low_pct_wb": _Row(
        "%", 65.0, 30.0, 90.0, f"{_REINECKE}: cocoons are laid at 65 to 70 %, growth suffers below 64 %"
    ),
    "moist_danger_low_pct_wb": _Row("%", 50.0, 20.0, 85.0, f"{_DOMINGUEZ}: survival from 50 %"),
    "moist_target_pct_wb": _Row("%", 75.0, 40.0, 92.0, f"{_KAPLAN}: best growth at 70 to 85 %"),
    "moist_high_pct_wb": _Row(
        "%", 88.0, 50.0, 97.0, f"{_EDWARDS}: limit 90 %; 2 points before it, the margin is ours"
    ),
    "moist_deadband_pct": _Row("%", 2.0, 0.0, 20.0, _ISA),
    "temp_high_c": _Row("Cel", 30.0, 10.0, 45.0, f"{_EDWARDS}: limits 4 to 30 C"),
    "temp_low_c": _Row("Cel", 4.0, -5.0, 25.0, f"{_EDWARDS}: limits 4 to 30 C"),
    "temp_danger_high_c": _Row("Cel", 35.0, 20.0, 50.0, f"{_DOMINGUEZ}: 0 to 35 C is survived"),
    "pocket_high_c": _Row(
        "Cel", 35.0, 20.0, 60.0, f"{_DOMINGUEZ}: 0 to 35 C is survived; worms can leave a pocket"
    ),
    "pocket_rate_c_per_h": _Row("Cel/h", 2.0, 0.1, 20.0, _OURS),
    "temp_deadband_c": _Row("Cel", 1.0, 0.0, 10.0, _ISA, general=True),
    "freeze_c": _Row("Cel", 0.0, -5.0, 5.0, "freezing point of water", general=True),
    "drying_horizon_h": _Row("h", 24.0, 1.0, 240.0, _OURS),
    "heating_horizon_h": _Row("h", 24.0, 1.0, 120.0, _OURS),
    "freezing_horizon_h": _Row("h", 12.0, 1.0, 72.0, _OURS, general=True),
    "feed_room_c": _Row("Cel", 15.0, 2.0, 35.0, f"{_OURS}: where a frozen tub is thawed", general=True),
    "feed_next_h": _Row(
        "h",
        48.0,
        1.0,
        720.0,
        f"{_OURS}: hours to the next feeding when the log tells no rhythm",
        general=True,
    ),
    "top_layer_m": _Row("m", 0.10, 0.02, 0.30, f"{_OURS}: at most this, and at most a third of the depth"),
    "bedding_dry_density_kg_m3": _Row(
        "kg/m3", 120.0, 20.0, 600.0, f"{_OURS}: dry matter per volume of a loose top layer"
    ),
    "cooling_per_h": _Row(
        "1/h", 0.05, 0.001, 2.0, f"{_OURS}: of a shelf bin, until it was seen to cool down"
    ),
    "settle_h": _Row("h", 1.0, 0.0, 24.0, f"{_OURS}: after wetting or turning a probe needs time"),
    "lid_open_h": _Row("h", 0.5, 0.0, 24.0, f"{_OURS}: how long a lid noted as open is taken to be open"),
    "bedding_pct_wb": _Row("%", 8.0, 0.0, 60.0, "NRAES-54 table A.1: corrugated cardboard 8 % (from memory)"),
    "too_wet_turn_h": _Row(
        "h", 168.0, 1.0, 2000.0, f"{_OURS}: so long unturned, wet bedding runs out of air"
    ),
    "bin_freezing_horizon_h": _Row("h", 24.0, 1.0, 72.0, _OURS),
    "hard_frozen_h": _Row(
        "h",
        144.0,
        1.0,
        160.0,
        "US National Park Service, Conserve O Gram 3/6, 1994: 6 to 10 days at -20 C for most museum pests",
        general=True,
    ),
    "thawed_told_h": _Row("h", 48.0, 1.0, 90.0, f"{_OURS}: how long a thawed tub is news", general=True),
    "probe_silent_h": _Row(
        "h", 2.0, 0.25, 160.0, f"{_OURS}; a slow probe has three of its intervals", general=True
    ),
    "battery_low_v": _Row(
        "V", 3.5, 1.0, 13.0, "lithium-ion cell at rest, about 8 % left (from memory)", general=True
    ),
    "battery_empty_v": _Row(
        "V", 3.3, 0.9, 12.9, "lithium-ion cell at rest, about 3 % left (from memory)", general=True
    ),
    "battery_low_pct": _Row("%EL", 15.0, 1.0, 90.0, _OURS, general=True),
    "battery_deadband_v": _Row("V", 0.05, 0.0, 2.0, _ISA, general=True),
    **{
        f"{rule.replace('-', '_')}_{edge}_delay_min": _Row("min", minutes, 0.0, 1440.0, _ISA, general=general)
        for rule, delays, general in _DELAYS_MIN
        for edge, minutes in zip(("on", "off"), delays, strict=True)
    },
}

# Where a species differs from the table: value and source.
_SPECIES: Mapping[str, Mapping[str, tuple[float, str]]] = {
    "eisenia-fetida": {},
    "eisenia-andrei": {},  # Dominguez & Edwards treat it with E. fetida
    "dendrobaena-veneta": {
        "temp_high_c": (28.0, f"{_DOMINGUEZ}: best at 15 to 25 C, survives 3 to 33 C; 5 C before that"),
        "temp_danger_high_c": (33.0, f"{_DOMINGUEZ}: survives 3 to 33 C"),
        "pocket_high_c": (33.0, f"{_DOMINGUEZ}: survives 3 to 33 C"),
    },
    "eudrilus-eugeniae": {
        "temp_low_c": (10.0, f"{_FAO}: dies below 7 C; 3 C before that, the margin is ours"),
        "temp_high_c": (30.0, f"{_VILJOEN}: 30 C"),
        "moist_low_pct_wb": (70.0, f"{_DOMINGUEZ}: best at 80 %, 70 to 85 %"),
        "moist_target_pct_wb": (80.0, f"{_DOMINGUEZ}: best at 80 %"),
    },
    "perionyx-excavatus": {
        "temp_low_c": (9.0, f"{_VILJOEN}: 9 to 30 C"),
        "temp_high_c": (30.0, f"{_VILJOEN}: 9 to 30 C"),
        "moist_low_pct_wb": (70.0, f"{_DOMINGUEZ}: best at 75 to 85 %; 5 points before that"),
        "moist_target_pct_wb": (80.0, f"{_DOMINGUEZ}: best at 75 to 85 %"),
    },
}

SPECIES = tuple(_SPECIES)
LIMIT_NAMES = tuple(_TABLE)

_SEASONAL = re.compile(r"(\w+)@(\d{1,2})-(\d{1,2})", re.ASCII)
_MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip

# Pairs whose first must stay below the second, or a rule would contradict itself.
_ORDER = (
    ("moist_danger_low_pct_wb", "moist_low_pct_wb"),
    ("moist_low_pct_wb", "moist_target_pct_wb"),
    ("moist_target_pct_wb", "moist_high_pct_wb"),
    ("temp_low_c", "temp_high_c"),
    ("battery_empty_v", "battery_low_v"),
)


@dataclass(frozen=True, slots=True)
class Limits:
    """The effective limits of one thing. `limits["temp_high_c"]` is a value, `limits.rows[...]` all of it."""

    rows: Mapping[str, Limit]

    def __getitem__(self, name: str) -> float:
        return self.rows[name].value

    def __contains__(self, name: object) -> bool:
        return name in self.rows

    def __iter__(self) -> Iterator[Limit]:
        return iter(self.rows.values())

    def __len__(self) -> int:
        return len(self.rows)

    def minutes_ms(self, name: str) -> int:
        """A limit in minutes as milliseconds."""
        return round(self[name] * 60_000)


def effective_limits(
    species: str | None,
    farm: Mapping[str, float] = MappingProxyType({}),
    place: Mapping[str, float] = MappingProxyType({}),
    own: Mapping[str, float] = MappingProxyType({}),
    month: int | None = None,
) -> Limits:
    """Limits of a bin of a species, or of a feed store (species None), under farm, place and own values.

    `month`, 1 to 12, is that of the farm's calendar; without it no season holds, and each is checked. A farm's or
    place's value that does not matter to a feed store is passed over for one. Raises ValueError
    for an unknown species or name, a value out of its bounds, or limits that contradict each other.
    """
    if species is not None and species not in _SPECIES:
        raise ValueError(f"no profile for species {species!r}; there are profiles for {', '.join(SPECIES)}")
    differs = _SPECIES[species] if species is not None else {}
    rows: dict[str, Limit] = {}
    for name, row in _TABLE.items():
        if species is not None or row.general:
            value, source = differs.get(name, (row.value, row.source))
            rows[name] = Limit(name, value, row.unit, "species", source)
    mine: Origin = "bin" if species is not None else "feed-store"
    levels: tuple[tuple[Origin, Mapping[str, float]], ...] = (("farm", farm), ("place", place), (mine, own))
    for origin, overrides in levels:
        for key, value in sorted(overrides.items(), key=lambda each: "@" in each[0]):
            name, season = _split(origin, key)
            _check(origin, name, value)
            if name in rows and (season is None or (month is not None and _holds(season, month))):
                rows[name] = _set(rows[name], float(value), origin, season)
    if month is None and any("@" in key for _, overrides in levels for key in overrides):
        for each in range(1, 13):
            effective_limits(species, farm, place, own, each)
    for lower, upper in _ORDER:
        if lower in rows and rows[lower].value >= rows[upper].value:
            raise ValueError(
                f"{lower} ({rows[lower].value:g}, from the {rows[lower].origin}) must be below "
                f"{upper} ({rows[upper].value:g}, from the {rows[upper].origin})"
            )
    return Limits(MappingProxyType(rows))


def _split(origin: str, key: str) -> tuple[str, tuple[int, int] | None]:
    """The name of a limit and the months it is set for. ValueError for months that there are not."""
    if "@" not in key:
        return key, None
    found = _SEASONAL.fullmatch(key)
    months = (int(found[2]), int(found[3])) if found else (0, 0)
    if found is None or not all(1 <= each <= 12 for each in months):
        raise ValueError(f"the {origin}'s {key!r} is not name@month-month, for example temp_low_c@11-3")
    return found[1], months


def _holds(season: tuple[int, int], month: int) -> bool:
    first, last = season
    return first <= month <= last if first <= last else month >= first or month <= last


def _set(row: Limit, value: float, origin: Origin, season: tuple[int, int] | None) -> Limit:
    source = f"set for this {origin}"
    if season is None:
        return Limit(row.name, value, row.unit, origin, source)
    first, last = season
    months = f"{_MONTHS[first - 1]} to {_MONTHS[last - 1]}"
    return Limit(row.name, value, row.unit, origin, f"{source}, {months}", f"{first}-{last}")


def _check(origin: str, name: str, value: float) -> None:
    row = _TABLE.get(name)
    if row is None:
        raise ValueError(f"the {origin} sets the unknown limit {name!r}; known are {', '.join(LIMIT_NAMES)}")
    if not row.low <= value <= row.high:  # false for NaN as well
        raise ValueError(
            f"the {origin}'s {name} must lie within {row.low:g} to {row.high:g} {row.unit}, got {value:g}"
        )
