"""Bytes to readings, or a reason: what a message says, by its topic and its first byte. Pure and total."""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import orjson

from underlid.intake.mapped import decode_mapped
from underlid.intake.plain import decode_object
from underlid.intake.sample import Decoded, Sample, refused, summary
from underlid.intake.senml import decode_pack, read_cbor
from underlid.mapping import TopicMapping

MAX_BYTES = 256 * 1024
# Arrays, maps and tags of CBOR; no JSON text begins so.
_CBOR_FROM, _CBOR_TO = 0x80, 0xDB
_OWN_TOPIC = re.compile(r"underlid/probe/([A-Za-z0-9][A-Za-z0-9._-]{0,127})(/status)?")
STRANGE_TOPIC = (
    "a probe publishes to underlid/probe/ID or underlid/probe/ID/status; an ID holds A-Z a-z 0-9 . _ - only"
)


@dataclass(frozen=True, slots=True)
class Message:
    """What a message says: readings as probe and sample, a probe's word on itself, and what can't be used."""

    readings: tuple[tuple[str, Sample], ...] = ()
    problems: tuple[str, ...] = ()
    status: tuple[str, bool] | None = None  # probe, online

    @property
    def dated_by_arrival(self) -> bool:
        """Whether any time depends on when the message came, so that a repeat must be dated as the first."""
        return any(sample.by_arrival for _, sample in self.readings)

    @property
    def reason(self) -> str:
        return summary(self.problems)


def read_message(
    topic: str,
    payload: bytes,
    received_ms: int,
    mappings: Sequence[TopicMapping] = (),
    unit_before: Callable[[str, str], str | None] = lambda _probe, _channel: None,
) -> Message:
    """What a message says that arrived at `received_ms`. Total: what is wrong is in `problems`.

    `unit_before` gives the unit in which a channel of a probe was first heard, for numbers that come without one.
    """
    own = _OWN_TOPIC.fullmatch(topic)
    if own is None:
        if topic.startswith("underlid/"):
            return Message(problems=(STRANGE_TOPIC,))
        own_mappings = [mapping for mapping in mappings if mapping.takes(topic)]
        # A subscription may take in more than its mappings do: what none of them takes was not asked for.
        return _mapped(topic, payload, received_ms, own_mappings) if own_mappings else Message()
    probe_id = own[1]
    if own[2]:
        return _status(probe_id, payload)
    decoded = decode(payload, received_ms, partial(unit_before, probe_id))
    return Message(tuple([(probe_id, sample) for sample in decoded.samples]), decoded.problems)


def decode(
    payload: bytes, received_ms: int, unit_before: Callable[[str], str | None] = lambda _channel: None
) -> Decoded:
    """The samples in what a probe sent. Total: what is wrong is in `problems`."""
    try:
        body = _body(payload)
    except ValueError as error:
        return refused(str(error))
    match body:
        case [dict(), *_]:
            return decode_pack(body, received_ms)
        case dict() if body and payload[0] < _CBOR_FROM:
            return decode_object(body, received_ms, unit_before)
    return refused("neither a SenML pack (a list of records) nor a JSON object of numbers")


def _body(payload: bytes) -> Any:
    """What JSON or CBOR holds. Raises ValueError with the reason."""
    _check_size(payload)
    if payload and _CBOR_FROM <= payload[0] <= _CBOR_TO:
        return read_cbor(payload)
    return _json(payload)


def _check_size(payload: bytes) -> None:
    if len(payload) > MAX_BYTES:
        raise ValueError(f"{len(payload)} bytes; at most {MAX_BYTES} are taken")


def _json(payload: bytes) -> Any:
    try:
        return orjson.loads(payload)
    except orjson.JSONDecodeError as error:
        try:
            payload.decode("utf-8")
        except UnicodeDecodeError as odd:
            raise ValueError(f"not UTF-8 text: byte {odd.start} is 0x{payload[odd.start]:02x}") from error
        raise ValueError(f"not JSON: {error}") from error


def _mapped(topic: str, payload: bytes, received_ms: int, mappings: Sequence[TopicMapping]) -> Message:
    try:
        _check_size(payload)
        readings, problems = decode_mapped(topic, _json(payload), received_ms, mappings)
    except ValueError as error:
        return Message(problems=(str(error),))
    return Message(tuple(readings), tuple(problems))


def _status(probe_id: str, payload: bytes) -> Message:
    word = payload[:16].strip()
    if word in (b"online", b"offline"):
        return Message(status=(probe_id, word == b"online"))
    if payload:  # an empty one only clears a retained word
        return Message(problems=("a status is 'online' or 'offline'",))
    return Message()
