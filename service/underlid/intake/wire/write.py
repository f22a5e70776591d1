"""Packets to bytes, as a server writes them and, at the top, as a client does."""

from collections.abc import Iterable, Sequence

from underlid.intake.wire.packets import V5, V311, Kind, Property, Reason

_RETURN_CODE = {  # MQTT 3.1.1 table 3.1: what a CONNACK can say at level 4
    Reason.SUCCESS: 0,
    Reason.BAD_VERSION: 1,
    Reason.BAD_CLIENT_ID: 2,
    Reason.BUSY: 3,
    Reason.BAD_PASSWORD: 4,
    Reason.NOT_AUTHORISED: 5,
}


def _packet(first: int, *parts: bytes) -> bytes:
    body = b"".join(parts)
    return bytes([first]) + _varint(len(body)) + body


def _varint(value: int) -> bytes:
    out = bytearray()
    while value > 0x7F:
        out.append(value & 0x7F | 0x80)
        value >>= 7
    out.append(value)
    return bytes(out)


def _text(text: str) -> bytes:
    data = text.encode()
    return len(data).to_bytes(2) + data


def connect(client_id: str) -> bytes:
    """Give the CONNECT of an anonymous, clean session at level 4 without keep-alive."""
    return _packet(Kind.CONNECT << 4, _text("MQTT"), bytes([V311, 0x02, 0, 0]), _text(client_id))


def connect_lasting(
    level: int,
    client_id: str,
    keep_alive_s: int,
    user: str | None,
    password: str | None,
    *,
    expiry_s: int,
    receive_maximum: int,
    packet_maximum: int,
) -> bytes:
    """Give the CONNECT of a session that lasts: at level 5 for `expiry_s`, at level 4 as long as the server likes."""
    flags = (0x80 if user is not None else 0) | (0x40 if password is not None else 0)
    listed = (
        bytes([Property.EXPIRY]) + expiry_s.to_bytes(4)
        + bytes([Property.RECEIVE_MAXIMUM]) + receive_maximum.to_bytes(2)
        + bytes([Property.PACKET_MAXIMUM]) + packet_maximum.to_bytes(4)
    )  # fmt: skip
    return _packet(
        Kind.CONNECT << 4,
        _text("MQTT"),
        bytes([level, flags]),
        keep_alive_s.to_bytes(2),
        _varint(len(listed)) + listed if level == V5 else b"",
        _text(client_id),
        _text(user) if user is not None else b"",
        _text(password) if password is not None else b"",
    )


def subscribe(packet_id: int, filters: Sequence[str], level: int = V311, qos: int = 0) -> bytes:
    """Give a SUBSCRIBE."""
    wishes = b"".join(_text(topic_filter) + bytes([qos]) for topic_filter in filters)
    properties = b"\0" if level == V5 else b""
    return _packet(Kind.SUBSCRIBE << 4 | 0x02, packet_id.to_bytes(2), properties, wishes)


def unsubscribe(packet_id: int, filters: Sequence[str], level: int = V311) -> bytes:
    """Give an UNSUBSCRIBE."""
    properties = b"\0" if level == V5 else b""
    return _packet(Kind.UNSUBSCRIBE << 4 | 0x02, packet_id.to_bytes(2), properties, *map(_text, filters))


def pubacks(packet_ids: Iterable[int]) -> bytes:
    """Give a PUBACK for each identifier, one after the other."""
    return b"".join([b"\x40\x02" + packet_id.to_bytes(2) for packet_id in packet_ids])


def connack(
    level: int,
    reason: Reason,
    session_present: bool,
    *,
    expiry_s: int | None = None,
    assigned_id: str | None = None,
    receive_maximum: int = 0,
    packet_maximum: int = 0,
) -> bytes:
    """Give a CONNACK. At level 5 it says what is not offered: aliases, subscription identifiers and shares.

    `expiry_s` and `assigned_id` are said only when they differ from what the client asked for.
    """
    if level != V5:
        return _packet(Kind.CONNACK << 4, bytes([session_present, _RETURN_CODE.get(reason, 3)]))
    listed = b""
    if reason == Reason.SUCCESS:
        listed = (
            bytes([Property.RECEIVE_MAXIMUM]) + receive_maximum.to_bytes(2)
            + bytes([Property.PACKET_MAXIMUM]) + packet_maximum.to_bytes(4)
            + bytes([Property.ALIAS_MAXIMUM, 0, 0])
            + bytes([Property.SUBSCRIPTION_IDS_AVAILABLE, 0, Property.SHARED_AVAILABLE, 0])
        )  # fmt: skip
        if expiry_s is not None:
            listed += bytes([Property.EXPIRY]) + expiry_s.to_bytes(4)
        if assigned_id is not None:
            listed += bytes([Property.ASSIGNED_ID]) + _text(assigned_id)
    return _packet(Kind.CONNACK << 4, bytes([session_present, reason]), _varint(len(listed)), listed)


def publish(
    level: int, topic: str, payload: bytes, packet_id: int, retain: bool, again: bool = False
) -> bytes:
    """Give a PUBLISH: at QoS 1 with a packet identifier, at QoS 0 with 0 in its place."""
    first = Kind.PUBLISH << 4 | (0x08 if again else 0) | (0x02 if packet_id else 0) | retain
    number = packet_id.to_bytes(2) if packet_id else b""
    return _packet(first, _text(topic), number, b"\0" if level == V5 else b"", payload)


def ack(level: int, kind: Kind, packet_id: int, reason: Reason = Reason.SUCCESS) -> bytes:
    """Give a PUBACK, PUBREC, PUBREL or PUBCOMP; a reason other than success can be said at level 5 only."""
    first = kind << 4 | (0x02 if kind == Kind.PUBREL else 0)
    return _packet(first, packet_id.to_bytes(2), bytes([reason]) if level == V5 and reason else b"")


def suback(level: int, packet_id: int, codes: Sequence[int]) -> bytes:
    """Give a SUBACK: per filter the granted QoS or a reason of 0x80 and more (at level 4 always 0x80)."""
    if level == V5:
        return _packet(Kind.SUBACK << 4, packet_id.to_bytes(2), b"\0", bytes(codes))
    return _packet(Kind.SUBACK << 4, packet_id.to_bytes(2), bytes(min(code, 0x80) for code in codes))


def unsuback(level: int, packet_id: int, codes: Sequence[int]) -> bytes:
    """Give an UNSUBACK; only level 5 says per filter whether there was something to end."""
    return _packet(Kind.UNSUBACK << 4, packet_id.to_bytes(2), b"\0" + bytes(codes) if level == V5 else b"")


PINGRESP = _packet(Kind.PINGRESP << 4)
PINGREQ = _packet(Kind.PINGREQ << 4)
LEAVE = _packet(Kind.DISCONNECT << 4)


def disconnect(reason: Reason) -> bytes:
    """Give the DISCONNECT with which a server ends a connection at level 5 (level 4 has none)."""
    return _packet(Kind.DISCONNECT << 4, bytes([reason]))
