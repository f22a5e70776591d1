"""SenML packs (RFC 8428): JSON and CBOR alike become records, records are resolved, values become samples."""

import io
import re
from collections.abc import Mapping
from functools import lru_cache
from typing import Any

import cbor2

from underlid.intake.sample import Decoded, Sample, refused, sample
from underlid.senml import CBOR_LABELS, Record, SenmlError, resolve

NAME_LETTERS = 512
NESTING = 8  # a pack, its records, a decimal fraction; the rest is for fields that are read over

_NUMBER = frozenset((int, float))
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")


def decode_pack(pack: list[Any], received_ms: int) -> Decoded:
    """The samples of a pack whose fields have their JSON names."""
    samples: list[Sample] = []
    problems: list[str] = []
    try:
        for number, record in resolve(pack, problems):
            try:
                samples.append(_sample(record, received_ms))
            except ValueError as error:
                problems.append(f"record {number}: {error}")
    except SenmlError as error:
        return refused(str(error))
    if not samples and not problems:
        problems.append("the pack holds no value")
    return Decoded(tuple(samples), tuple(problems))


def _sample(record: Record, received_ms: int) -> Sample:
    name, unit, value, time_s = record
    if len(name) > NAME_LETTERS:
        raise ValueError(f"its name is {len(name)} letters long; at most {NAME_LETTERS} are taken")
    if type(value) not in _NUMBER:
        kinds = {str: "a text", bool: "true or false"}
        raise ValueError(f"'{name}' is {kinds.get(type(value), 'binary data')}; only numbers are kept")
    if not unit:
        raise ValueError(f"'{name}' has no unit")
    return sample(_channel(name), unit, value, time_s, received_ms)  # type: ignore[arg-type]


@lru_cache(4096)
def _channel(name: str) -> str:
    """The channel, which is the last part of a name. Raises ValueError where there is none."""
    if not _NAME.fullmatch(name):
        raise ValueError(f"'{name}' is not a SenML name")
    channel = re.split(r"[:/]", name)[-1]
    if not channel:
        raise ValueError(f"the name '{name}' ends before the channel")
    return channel


def read_cbor(payload: bytes) -> Any:
    """The item that a CBOR payload holds, maps with their JSON names. Raises SenmlError.

    What costs more than reading the payload once is refused: deep nesting, and every tag (big numbers,
    shared and cyclic values, regular expressions) but that of decimal fractions.
    """
    decoder = cbor2.CBORDecoder(
        io.BytesIO(payload), max_depth=NESTING, semantic_decoders=_TAGS, allow_duplicate_keys=False
    )
    try:
        item = decoder.decode()
    except Exception as error:  # of many kinds, those of odd keys among them
        raise SenmlError(f"not CBOR: {_cause(error)}") from error
    try:
        decoder.read(1)
    except cbor2.CBORDecodeEOF:
        return [_named(entry) for entry in item] if type(item) is list else item
    raise SenmlError("not CBOR: more bytes follow the first item")


def _named(fields: Any) -> Any:
    """A record's fields by their JSON names. Those that stand as text keep it; numbers that say nothing go."""
    if type(fields) is not dict:
        return fields
    named = {}
    for label, value in fields.items():
        name = label if type(label) is str else CBOR_LABELS.get(label) if type(label) is int else None
        if name in named:
            raise SenmlError(f"a record has the field '{name}' twice")
        if name is not None:
            named[name] = value
    return named


def _decimal_fraction(parts: Any, _immutable: bool) -> float:
    """RFC 7049 section 2.4.3: exponent and mantissa; as the nearest double, as if it had been JSON."""
    match parts:
        case [int(exponent), int(mantissa)]:
            return float(f"{mantissa}e{exponent}")
    raise ValueError("a decimal fraction is a list of two whole numbers")


class _Tags(dict[int, Any]):
    def __missing__(self, tag: int) -> Any:
        def refuse(_value: Any, _immutable: bool) -> Any:
            raise ValueError(f"tag {tag} has no place in SenML")

        return refuse


_TAGS: Mapping[int, Any] = _Tags({4: _decimal_fraction})


def _cause(error: BaseException) -> str:
    while error.__cause__ is not None:
        error = error.__cause__
    return str(error) or type(error).__name__
