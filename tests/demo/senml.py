"""A reader of SenML JSON by RFC 8428 section 4.6, written for the tests alone."""

import json
import re
from dataclasses import dataclass

NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")  # section 4.5.1
KNOWN = {"bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut"}


@dataclass(frozen=True)
class Record:
    name: str
    unit: str
    time_s: float
    value: float


def resolve(payload: bytes) -> list[Record]:
    pack = json.loads(payload)
    assert isinstance(pack, list)
    base: dict[str, object] = {}
    resolved = []
    for record in pack:
        assert record.keys() <= KNOWN
        base |= {key: value for key, value in record.items() if key.startswith("b")}
        name = str(base.get("bn", "")) + record.get("n", "")
        assert NAME.fullmatch(name), name
        time_s = float(base.get("bt", 0.0)) + float(record.get("t", 0.0))  # type: ignore[arg-type]
        unit = record.get("u") or str(base["bu"])
        resolved.append(Record(name, unit, time_s, float(record["v"])))
    return resolved
