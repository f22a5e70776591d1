"""SenML records (RFC 8428): a pack's records resolved, whether they came as JSON or CBOR. Pure.

Secondary units (RFC 8798) are taken with and without the version that announces them (RFC 9100).
"""

import math
from collections.abc import Iterable, Iterator
from typing import Any, NamedTuple

VERSION = 10
VERSION_WITH_SECONDARY_UNITS = VERSION + 2**4  # RFC 9100: 10, and the bit of feature 4

CBOR_LABELS = {
    -1: "bver", -2: "bn", -3: "bt", -4: "bu", -5: "bv", -6: "bs",
    0: "n", 1: "u", 2: "v", 3: "vs", 4: "vb", 5: "s", 6: "t", 7: "ut", 8: "vd",
}  # fmt: skip  # RFC 8428 section 6, table 4
_FIELDS = frozenset(CBOR_LABELS.values())
_BASE = frozenset(("bver", "bn", "bt", "bu", "bv"))
_OTHER_VALUES = ("vs", "vb", "vd")
_NUMBER = frozenset((int, float))


class SenmlError(ValueError):
    """The pack as a whole can't be used."""


class Record(NamedTuple):
    """A resolved record (RFC 8428, section 4.6). A time below 2^28 is relative to now.

    Sums and update times are read over.
    """

    name: str
    unit: str
    value: float | str | bool | bytes
    time_s: float


def resolve(pack: Iterable[Any], problems: list[str]) -> Iterator[tuple[int, Record]]:
    """The resolved records that hold a value, each with its number. What is wrong with one goes to `problems`.

    Raises SenmlError for what makes every later record doubtful: then nothing of the pack may be used.
    """
    base_name, base_time, base_unit, base_value = "", 0.0, "", 0.0
    version = None
    for number, fields in enumerate(pack, start=1):
        if type(fields) is not dict:
            raise SenmlError(f"record {number}: is not an object")
        if not fields.keys() <= _FIELDS:
            _check_strange(number, fields)
        if not _BASE.isdisjoint(fields):
            version = _version(number, fields, version)
            base_name = _base(number, fields, "bn", base_name)
            base_time = _base(number, fields, "bt", base_time)
            base_unit = _base(number, fields, "bu", base_unit)
            base_value = _base(number, fields, "bv", base_value)
        name, unit = fields.get("n", ""), fields.get("u", base_unit)
        time_s: Any = fields.get("t", 0)
        value: Any = fields.get("v")
        if type(name) is not str or type(unit) is not str:
            problems.append(f"record {number}: '{'n' if type(name) is not str else 'u'}' is no text")
        elif type(time_s) not in _NUMBER or not math.isfinite(time_s):
            problems.append(f"record {number}: 't' is no finite number")
        elif type(value) in _NUMBER:
            if not math.isfinite(value):
                problems.append(f"record {number}: 'v' is no finite number")
            elif fields.keys().isdisjoint(_OTHER_VALUES):
                yield number, Record(base_name + name, unit, base_value + value, base_time + time_s)
            else:
                problems.append(f"record {number}: has more than one value")
        elif "v" in fields:
            problems.append(f"record {number}: 'v' is no finite number")
        elif others := [fields[key] for key in _OTHER_VALUES if key in fields]:
            yield number, Record(base_name + name, unit, others[0], base_time + time_s)
        elif base_value and "n" in fields:
            yield number, Record(base_name + name, unit, base_value, base_time + time_s)
        # else it is of base fields or a sum alone


def _check_strange(number: int, fields: dict[str, Any]) -> None:
    for key in fields:
        if key.endswith("_"):
            raise SenmlError(
                f"record {number}: has the field '{key[:40]}', which must be understood (RFC 8428) and isn't"
            )


def _version(number: int, fields: dict[str, Any], so_far: Any) -> Any:
    if "bver" not in fields:
        return so_far
    version = fields["bver"]
    if type(version) not in _NUMBER or (version > VERSION and version != VERSION_WITH_SECONDARY_UNITS):
        raise SenmlError(
            f"record {number}: SenML version {str(version)[:40]} is none of those understood, "
            f"which are up to {VERSION}, and {VERSION_WITH_SECONDARY_UNITS}"
        )
    if so_far not in (None, version):
        raise SenmlError(f"record {number}: SenML version {version} after {so_far}; a pack has one")
    return version


def _base(number: int, fields: dict[str, Any], key: str, so_far: Any) -> Any:
    """A base field's value from this record on."""
    if key not in fields:
        return so_far
    value = fields[key]
    if key in ("bt", "bv"):
        if type(value) not in _NUMBER or not math.isfinite(value):
            raise SenmlError(f"record {number}: '{key}' is no finite number")
    elif type(value) is not str:
        raise SenmlError(f"record {number}: '{key}' is no text")
    return value
