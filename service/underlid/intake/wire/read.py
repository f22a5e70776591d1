"""Bytes to packets, as a server reads them and, below, as a client does.

Pure and total: any bytes give a packet, nothing yet, or `MalformedError`. What level 5 adds to a message
(properties) is checked and then left out: nothing here uses it.
"""

from underlid.intake.wire.packets import (
    V5,
    V311,
    Ack,
    Connect,
    Disconnect,
    Greeting,
    Kind,
    MalformedError,
    Packet,
    Ping,
    Property,
    Publish,
    Reason,
    Subscribe,
    Unsubscribe,
    Will,
    Wish,
)
from underlid.intake.wire.topics import topic_valid

# Which properties a client may send where, and how each is written (MQTT 5.0 table 2-4).
_IN_CONNECT = frozenset({0x11, 0x15, 0x16, 0x17, 0x19, 0x21, 0x22, 0x26, 0x27})
_IN_WILL = frozenset({0x01, 0x02, 0x03, 0x08, 0x09, 0x18, 0x26})
_IN_PUBLISH = frozenset({0x01, 0x02, 0x03, 0x08, 0x09, 0x23, 0x26})
_IN_ACK = frozenset({0x1F, 0x26})
_IN_SUBSCRIBE = frozenset({0x0B, 0x26})
_IN_UNSUBSCRIBE = frozenset({0x26})
_IN_CONNACK = frozenset(
    {0x11, 0x12, 0x13, 0x15, 0x16, 0x1A, 0x1C, 0x1F, 0x21, 0x22, 0x24, 0x25, 0x26, 0x27, 0x28, 0x29, 0x2A}
)
_IN_DISCONNECT = frozenset({0x11, 0x1C, 0x1F, 0x26})
_WIDTH = {
    0x01: 1, 0x17: 1, 0x19: 1, 0x24: 1, 0x25: 1, 0x28: 1, 0x29: 1, 0x2A: 1,
    0x13: 2, 0x21: 2, 0x22: 2, 0x23: 2, 0x02: 4, 0x11: 4, 0x18: 4, 0x27: 4,
}  # fmt: skip
_TEXTS = frozenset({0x03, 0x08, 0x12, 0x15, 0x1A, 0x1C, 0x1F})
_BINARIES = frozenset({0x09, 0x16})


def take(buffer: bytearray, limit: int) -> tuple[int, bytes] | None:
    """Cut the next whole packet off the front of `buffer`: its first byte and its body; None while not whole.

    Raises `MalformedError` for a length that is no length, or a body of more than `limit` bytes.
    """
    length = 0
    for index in range(4):
        if len(buffer) < index + 2:
            return None
        byte = buffer[index + 1]
        length |= (byte & 0x7F) << 7 * index
        if not byte & 0x80:
            break
    else:
        raise MalformedError("a packet's length takes at most four bytes")
    if length > limit:
        raise MalformedError(f"a packet of {length} bytes; at most {limit} are taken", Reason.TOO_LARGE)
    start = index + 2
    if len(buffer) < start + length:
        return None
    first, body = buffer[0], bytes(buffer[start : start + length])
    del buffer[: start + length]
    return first, body


class _Body:
    """A packet's body, read from front to back."""

    def __init__(self, data: bytes) -> None:
        self.data = data
        self.at = 0

    def some(self, count: int) -> bytes:
        end = self.at + count
        if end > len(self.data):
            raise MalformedError("the packet ends too early")
        taken = self.data[self.at : end]
        self.at = end
        return taken

    def number(self, width: int) -> int:
        return int.from_bytes(self.some(width))

    def binary(self) -> bytes:
        return self.some(self.number(2))

    def text(self) -> str:
        try:
            text = self.binary().decode()
        except UnicodeDecodeError:
            raise MalformedError("a string is not UTF-8") from None
        if "\0" in text:
            raise MalformedError("a string holds U+0000")
        return text

    def packet_id(self) -> int:
        if packet_id := self.number(2):
            return packet_id
        raise MalformedError("a packet identifier is 0", Reason.PROTOCOL_ERROR)

    def varint(self) -> int:
        value = 0
        for index in range(4):
            byte = self.number(1)
            value |= (byte & 0x7F) << 7 * index
            if not byte & 0x80:
                return value
        raise MalformedError("a variable byte integer takes at most four bytes")

    def properties(self, allowed: frozenset[int]) -> dict[int, int | str]:
        """Read a property list, checked in full; texts and numbers are given, the rest is skipped."""
        end = self.varint() + self.at
        found: dict[int, int | str] = {}
        while self.at < end:
            key = self.varint()
            if key not in allowed:
                raise MalformedError(f"property 0x{key:02X} has no place here", Reason.PROTOCOL_ERROR)
            if key in found and key != Property.USER:
                raise MalformedError(f"property 0x{key:02X} is given twice", Reason.PROTOCOL_ERROR)
            if key in _WIDTH:
                found[key] = self.number(_WIDTH[key])
            elif key in _TEXTS:
                found[key] = self.text()
            elif key in _BINARIES:
                self.binary()
                found[key] = 0
            elif key == Property.USER:
                self.text()
                self.text()
            else:
                found[key] = self.varint()
        if self.at != end:
            raise MalformedError("a property runs past the end of its list")
        return found

    def end(self) -> None:
        if self.at != len(self.data):
            raise MalformedError("the packet has bytes left over")

    @property
    def more(self) -> bool:
        return self.at < len(self.data)


def _number(properties: dict[int, int | str], key: int, default: int) -> int:
    value = properties.get(key, default)
    return value if isinstance(value, int) else default


def read_connect(first: int, body: bytes) -> Connect:
    """Read the packet a connection must begin with. Raises `MalformedError`."""
    if first != Kind.CONNECT << 4:
        raise MalformedError("the first packet is not CONNECT", Reason.PROTOCOL_ERROR)
    packet = _Body(body)
    protocol, level = packet.binary(), packet.number(1)
    if protocol != b"MQTT" or level not in (V311, V5):
        raise MalformedError("a protocol other than MQTT 3.1.1 and 5", Reason.BAD_VERSION)
    flags, keep_alive_s = packet.number(1), packet.number(2)
    has_will, will_qos, will_retain = bool(flags & 0x04), flags >> 3 & 0x03, bool(flags & 0x20)
    if flags & 0x01 or will_qos == 3 or (not has_will and (will_qos or will_retain)):
        raise MalformedError("CONNECT flags that do not fit together")
    properties = packet.properties(_IN_CONNECT) if level == V5 else {}
    client_id, will = packet.text(), None
    if has_will:
        if level == V5:
            packet.properties(_IN_WILL)
        will = Will(packet.text(), packet.binary(), will_retain)
        if not topic_valid(will.topic):
            raise MalformedError("a will's topic is empty or holds a wildcard", Reason.BAD_TOPIC)
    user = packet.text() if flags & 0x80 else None
    password = packet.binary() if flags & 0x40 else b""
    packet.end()
    if level == V311 and flags & 0x40 and user is None:
        raise MalformedError("a password without a user name", Reason.BAD_PASSWORD)
    clean = bool(flags & 0x02)
    receive_maximum = _number(properties, Property.RECEIVE_MAXIMUM, 0xFFFF)
    if receive_maximum == 0 or properties.get(Property.PACKET_MAXIMUM) == 0:
        raise MalformedError("a maximum of 0", Reason.PROTOCOL_ERROR)
    method = properties.get(Property.METHOD)
    return Connect(
        level=level,
        client_id=client_id,
        clean=clean,
        keep_alive_s=keep_alive_s,
        user=user,
        password=password,
        will=will,
        expiry_s=_number(properties, Property.EXPIRY, 0) if level == V5 else 0 if clean else 0xFFFFFFFF,
        receive_maximum=receive_maximum,
        packet_maximum=_number(properties, Property.PACKET_MAXIMUM, 0),
        method=str(method) if method is not None else None,
    )


def read(level: int, first: int, body: bytes) -> Packet:
    """Read any packet a client may send after CONNECT. Raises `MalformedError`."""
    kind, flags = first >> 4, first & 0x0F
    packet = _Body(body)
    if kind == Kind.PUBLISH:
        return _publish(level, flags, packet)
    if flags != (0x02 if kind in (Kind.PUBREL, Kind.SUBSCRIBE, Kind.UNSUBSCRIBE) else 0):
        raise MalformedError("flags that this packet must not have")
    match kind:
        case Kind.PUBACK | Kind.PUBREC | Kind.PUBREL | Kind.PUBCOMP:
            packet_id = packet.packet_id()
            reason, _ = _reason(level, packet, _IN_ACK)
            result: Packet = Ack(Kind(kind), packet_id, reason)
        case Kind.SUBSCRIBE:
            result = _subscribe(level, packet)
        case Kind.UNSUBSCRIBE:
            packet_id = packet.packet_id()
            if level == V5:
                packet.properties(_IN_UNSUBSCRIBE)
            filters = [packet.text()]
            while packet.more:
                filters.append(packet.text())
            result = Unsubscribe(packet_id, tuple(filters))
        case Kind.PINGREQ:
            result = Ping()
        case Kind.DISCONNECT:
            reason, properties = _reason(level, packet, _IN_DISCONNECT)
            expiry_s = properties.get(Property.EXPIRY)
            result = Disconnect(reason, expiry_s if isinstance(expiry_s, int) else None)
        case _:
            raise MalformedError(
                f"packet type {kind} is not for a client to send here", Reason.PROTOCOL_ERROR
            )
    packet.end()
    return result


def _reason(level: int, packet: _Body, allowed: frozenset[int]) -> tuple[int, dict[int, int | str]]:
    """Read the reason code and properties that level 5 may leave away from the end of a packet."""
    if level != V5 or not packet.more:
        return Reason.SUCCESS, {}
    reason = packet.number(1)
    properties = packet.properties(allowed) if len(packet.data) > packet.at else {}
    return reason, properties


def _publish(level: int, flags: int, packet: _Body) -> Publish:
    qos = flags >> 1 & 0x03
    if qos == 3 or (flags & 0x08 and not qos):
        raise MalformedError("PUBLISH flags that do not fit together")
    topic = packet.text()
    packet_id = packet.packet_id() if qos else 0
    if level == V5 and Property.ALIAS in packet.properties(_IN_PUBLISH):
        raise MalformedError("a topic alias, though none is allowed", Reason.ALIAS_INVALID)
    if not topic_valid(topic):
        raise MalformedError("a topic is empty or holds a wildcard", Reason.BAD_TOPIC)
    return Publish(topic, packet.data[packet.at :], qos, bool(flags & 0x01), packet_id)


def _subscribe(level: int, packet: _Body) -> Subscribe:
    packet_id = packet.packet_id()
    if level == V5 and Property.SUBSCRIPTION_ID in packet.properties(_IN_SUBSCRIBE):
        raise MalformedError("a subscription identifier, though none is allowed", Reason.NO_SUBSCRIPTION_ID)
    wishes: list[Wish] = []
    while packet.more or not wishes:
        topic_filter, options = packet.text(), packet.number(1)
        qos, handling = options & 0x03, options >> 4 & 0x03
        if qos == 3 or handling == 3 or options & (0xC0 if level == V5 else 0xFC):
            raise MalformedError("subscription options that do not exist")
        wishes.append(Wish(topic_filter, qos, bool(options & 0x04), handling))
    return Subscribe(packet_id, tuple(wishes))


# As a client reads what a server sends.

_LEVEL_4_REASONS = {  # MQTT 3.1.1 table 3.1
    1: Reason.BAD_VERSION,
    2: Reason.BAD_CLIENT_ID,
    3: Reason.BUSY,
    4: Reason.BAD_PASSWORD,
    5: Reason.NOT_AUTHORISED,
}


def read_connack(level: int, body: bytes) -> Greeting:
    """Read a CONNACK. A server that has no level 5 answers at its own level. Raises `MalformedError`."""
    packet = _Body(body)
    flags, code = packet.number(1), packet.number(1)
    if level != V5 or not packet.more:
        return Greeting(_LEVEL_4_REASONS.get(code, code), bool(flags & 1), None)
    keep_alive = packet.properties(_IN_CONNACK).get(Property.SERVER_KEEP_ALIVE)
    packet.end()
    return Greeting(code, bool(flags & 1), keep_alive if isinstance(keep_alive, int) else None)


def read_suback(level: int, body: bytes) -> bytes:
    """Read the granted QoS or reason for each filter of a SUBSCRIBE. Raises `MalformedError`."""
    packet = _Body(body)
    packet.packet_id()
    if level == V5:
        packet.properties(_IN_ACK)
    return packet.data[packet.at :]


def read_disconnect(level: int, body: bytes) -> int:
    """Read why a server ends the connection. Raises `MalformedError`."""
    return _reason(level, _Body(body), _IN_DISCONNECT)[0]


def read_publish(level: int, first: int, body: bytes) -> tuple[str, bytes, int, int]:
    """Read a PUBLISH: topic, payload, QoS and packet identifier (0 at QoS 0). Raises `MalformedError`.

    Written out, not by the steps above: it is all that is done for every message of the intake.
    """
    end = 2 + (body[0] << 8 | body[1]) if len(body) > 1 else len(body) + 1
    qos = first >> 1 & 3
    at = end + 2 if qos else end
    if at > len(body) or qos == 3:
        raise MalformedError("the packet ends too early, or has flags that do not fit together")
    try:
        topic = body[2:end].decode()
    except UnicodeDecodeError:
        raise MalformedError("a string is not UTF-8") from None
    packet_id = body[end] << 8 | body[end + 1] if qos else 0
    if level == V5:
        if at < len(body) and not body[at]:
            at += 1  # no properties, as nearly always
        else:
            packet = _Body(body)
            packet.at = at
            packet.properties(_IN_PUBLISH)
            at = packet.at
    return topic, body[at:], qos, packet_id
