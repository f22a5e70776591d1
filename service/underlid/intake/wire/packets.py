"""MQTT control packets as data, for protocol levels 4 (OASIS MQTT 3.1.1) and 5 (OASIS MQTT 5.0)."""

from dataclasses import dataclass
from enum import IntEnum
from typing import NamedTuple

V311, V5 = 4, 5  # protocol levels


class Kind(IntEnum):
    """Control packet types, MQTT 5.0 table 2-1."""

    CONNECT = 1
    CONNACK = 2
    PUBLISH = 3
    PUBACK = 4
    PUBREC = 5
    PUBREL = 6
    PUBCOMP = 7
    SUBSCRIBE = 8
    SUBACK = 9
    UNSUBSCRIBE = 10
    UNSUBACK = 11
    PINGREQ = 12
    PINGRESP = 13
    DISCONNECT = 14


class Reason(IntEnum):
    """Reason codes, MQTT 5.0 table 2-6: those used here."""

    SUCCESS = 0x00
    WITH_WILL = 0x04
    NO_SUBSCRIPTION = 0x11
    UNSPECIFIED = 0x80
    MALFORMED = 0x81
    PROTOCOL_ERROR = 0x82
    NOT_POSSIBLE_HERE = 0x83
    BAD_VERSION = 0x84
    BAD_CLIENT_ID = 0x85
    BAD_PASSWORD = 0x86
    NOT_AUTHORISED = 0x87
    BUSY = 0x89
    SHUTTING_DOWN = 0x8B
    BAD_METHOD = 0x8C
    KEEP_ALIVE = 0x8D
    TAKEN_OVER = 0x8E
    BAD_FILTER = 0x8F
    BAD_TOPIC = 0x90
    UNKNOWN_PACKET_ID = 0x92
    ALIAS_INVALID = 0x94
    TOO_LARGE = 0x95
    QUOTA = 0x97
    NO_SHARED = 0x9E
    NO_SUBSCRIPTION_ID = 0xA1


class Property:
    """Property identifiers of MQTT 5.0 table 2-4 that are acted on."""

    EXPIRY = 0x11
    SERVER_KEEP_ALIVE = 0x13
    METHOD = 0x15
    ASSIGNED_ID = 0x12
    RECEIVE_MAXIMUM = 0x21
    ALIAS_MAXIMUM = 0x22
    ALIAS = 0x23
    USER = 0x26
    PACKET_MAXIMUM = 0x27
    SUBSCRIPTION_ID = 0x0B
    SUBSCRIPTION_IDS_AVAILABLE = 0x29
    SHARED_AVAILABLE = 0x2A


class MalformedError(ValueError):
    """Bytes that are no packet the other side may send, with the reason code that says why."""

    def __init__(self, text: str, reason: Reason = Reason.MALFORMED) -> None:
        super().__init__(text)
        self.reason = reason


class Will(NamedTuple):
    topic: str
    payload: bytes
    retain: bool


@dataclass(frozen=True, slots=True)
class Connect:
    level: int
    client_id: str
    clean: bool
    keep_alive_s: int
    user: str | None
    password: bytes
    will: Will | None
    expiry_s: int  # level 4: for ever when not clean
    receive_maximum: int
    packet_maximum: int  # bytes; 0: no bound
    method: str | None  # extended authentication, level 5


@dataclass(frozen=True, slots=True)
class Publish:
    topic: str
    payload: bytes
    qos: int
    retain: bool
    packet_id: int


@dataclass(frozen=True, slots=True)
class Ack:
    kind: Kind
    packet_id: int
    reason: int


class Wish(NamedTuple):
    """One filter of a SUBSCRIBE."""

    topic_filter: str
    qos: int
    no_local: bool
    retain_handling: int


@dataclass(frozen=True, slots=True)
class Subscribe:
    packet_id: int
    wishes: tuple[Wish, ...]


@dataclass(frozen=True, slots=True)
class Unsubscribe:
    packet_id: int
    filters: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Ping:
    pass


@dataclass(frozen=True, slots=True)
class Disconnect:
    reason: int
    expiry_s: int | None


@dataclass(frozen=True, slots=True)
class Greeting:
    """A CONNACK: the reason in the codes of level 5, and the keep-alive the server wants instead (None: ours)."""

    reason: int
    session_present: bool
    keep_alive_s: int | None


Packet = Publish | Ack | Subscribe | Unsubscribe | Ping | Disconnect
