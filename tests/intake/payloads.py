"""Payloads as no probe should send them: bent and broken packs, objects and noise, the same for the same seed."""

import json
import random
import struct
from collections.abc import Callable
from typing import Any

import cbor2

from underlid.mapping import TopicMapping
from underlid.senml import CBOR_LABELS

NOW_MS = 1_764_000_000_000
MAPPINGS = (
    TopicMapping(topic="shed/+/sensors", pointer="/temp", probe="{1}", channel="temp", unit="Cel"),
    TopicMapping(topic="shed/#", pointer="", probe="whole", channel="moist", unit="/", scale=2, offset=-1),
    TopicMapping(topic="shed/+/sensors", pointer="/0/v", probe="{1}", channel="first", unit="count"),
)
TOPICS = ("underlid/probe/alder-1",) * 8 + (
    "shed/alder/sensors",
    "shed/alder/sensors",
    "shed/a b/sensors",
    "shed",
    "underlid/probe/alder-1/status",
    "underlid/probe/",
    "underlid/bin/x/state",
    "",
)
_LABELS = {name: label for label, name in CBOR_LABELS.items()}
_FIELDS = (*_LABELS, "x_", "extra", "temp", "moist", "batt", "rssi")
_NUMBERS = (
    0,
    1,
    -1,
    21.5,
    2310,
    2**28,
    2**28 - 1,
    1_764_000_000,
    1.764e9,
    1e300,
    -1e300,
    5e-324,
    2**63,
    -(2**63),
    10**15,
)
_TEXTS = (
    "",
    "temp",
    "top-moist",
    "urn:dev:mac:0024befffe804ff1:",
    "Cel",
    "K",
    "%",
    "/",
    "mV",
    "dBm",
    "lx",
    "é",
    "\0",
    "a" * 600,
)
_ODD = (None, True, False, [], {}, [1], {"v": 1}, "21.5", "nan")


def payload(chance: random.Random) -> tuple[str, bytes]:
    """A topic and a payload."""
    make = chance.choice((_json_pack, _json_pack, _cbor_pack, _cbor_pack, _object, _noise, _cbor_items))
    body = make(chance)
    for _ in range(chance.choice((0, 0, 0, 1, 1, 3))):
        body = chance.choice(_BENDS)(chance, body)
    return chance.choice(TOPICS), body


def _value(chance: random.Random) -> Any:
    kind = chance.random()
    if kind < 0.55:
        return chance.choice(_NUMBERS) if chance.random() < 0.4 else round(chance.uniform(-40, 4000), 2)
    return chance.choice(_TEXTS) if kind < 0.85 else chance.choice(_ODD)


def _record(chance: random.Random) -> dict[str, Any]:
    record: dict[str, Any] = {
        "n": chance.choice(("temp", "moist", "rh", "batt", "x:rssi")),
        "u": "Cel",
        "v": 21.5,
    }
    if chance.random() < 0.3:
        record |= {"bn": "urn:dev:mac:0024befffe804ff1:", "bt": NOW_MS / 1000}
    for _ in range(chance.choice((0, 0, 0, 0, 1, 2))):
        record[chance.choice(_FIELDS)] = _value(chance)
    return record


def _pack(chance: random.Random) -> list[Any]:
    return [_record(chance) for _ in range(chance.choice((1, 1, 2, 3, 6)))]


def _json_pack(chance: random.Random) -> bytes:
    return json.dumps(_pack(chance)).encode()


def _cbor_pack(chance: random.Random) -> bytes:
    by_label = chance.random() < 0.9
    pack = [{_LABELS.get(k, k) if by_label else k: v for k, v in record.items()} for record in _pack(chance)]
    return cbor2.dumps(
        pack, canonical=chance.random() < 0.5
    )  # canonical: the shortest floats, halves among them


def _object(chance: random.Random) -> bytes:
    return json.dumps(
        {chance.choice((*_FIELDS, "t", "t")): _value(chance) for _ in range(chance.randint(0, 4))}
    ).encode()


def _noise(chance: random.Random) -> bytes:
    return chance.randbytes(chance.choice((0, 1, 2, 8, 40, 300)))


def _cbor_items(chance: random.Random) -> bytes:
    """Heads of CBOR items at random: tags, huge lengths, breaks, floats of every size."""
    out = bytearray(chance.choice((b"\x81", b"\x9f", b"\x81\xbf", b"\x81\xa1", b"")))
    for _ in range(chance.randint(1, 12)):
        major, size = chance.randrange(8), chance.choice((0, 1, 2, 3, 4, 5, 22, 24, 25, 26, 27, 31))
        out.append(major << 5 | size)
        if 24 <= size <= 27:
            out += chance.randbytes(1 << size - 24)
    return bytes(out)


def _flip(chance: random.Random, body: bytes) -> bytes:
    if not body:
        return body
    at = chance.randrange(len(body))
    return body[:at] + bytes((body[at] ^ 1 << chance.randrange(8),)) + body[at + 1 :]


def _cut(chance: random.Random, body: bytes) -> bytes:
    return body[: chance.randint(0, len(body))]


def _insert(chance: random.Random, body: bytes) -> bytes:
    at = chance.randint(0, len(body))
    return body[:at] + chance.choice((chance.randbytes(3), *_TOKENS)) + body[at:]


def _repeat(chance: random.Random, body: bytes) -> bytes:
    start = chance.randint(0, len(body))
    piece = body[start : start + chance.randint(1, 40)]
    return body[:start] + piece * chance.choice((2, 3, 50)) + body[start:]


_TOKENS = (
    b"{",
    b"[",
    b"]",
    b'"',
    b"\\u0000",
    b"\\ud800",
    b"1e999",
    b"-",
    b",",
    b"null",
    b"\xef\xbb\xbf",
    b"[" * 2000,
)
_TOKENS += tuple(
    bytes.fromhex(h)
    for h in ("c2", "c4", "c482", "c482211a00ffffff", "c4821bffffffffffffffff01", "d81c", "d81d00")
)
_TOKENS += tuple(
    bytes.fromhex(h)
    for h in ("d823", "f97e00", "fb7ff0000000000000", "9bffffffffffffffff", "5f", "7f", "ff", "f7")
)
_TOKENS += (b"\xc2\x58\xff" + b"\xff" * 255, struct.pack(">BQ", 0x3B, 2**64 - 1))
_BENDS: tuple[Callable[[random.Random, bytes], bytes], ...] = (_flip, _flip, _cut, _insert, _insert, _repeat)
