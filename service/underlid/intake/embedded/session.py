"""What one client asked for and is owed."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from underlid.intake.embedded import bounds
from underlid.intake.embedded.rights import Principal
from underlid.intake.wire.packets import Reason
from underlid.intake.wire.topics import matches

if TYPE_CHECKING:
    from underlid.intake.embedded.connection import Connection
    from underlid.intake.embedded.front import Front


class Line(Protocol):
    """One session's line to the router. What is sent down it takes effect in order."""

    def publish(self, topic: str, payload: bytes, retain: bool) -> None:
        """Hand a message over; `Session.routed` is called once it is being passed on."""

    def subscribe(self, topic_filter: str) -> None:
        """Ask for messages; `Session.subscribed` is called before the retained ones come."""

    def hang_up(self) -> None: ...


@dataclass(frozen=True, slots=True)
class Message:
    topic: str
    payload: bytes
    qos: int
    retain: bool

    @property
    def octets(self) -> int:
        return len(self.topic.encode()) + len(self.payload)


@dataclass(frozen=True, slots=True)
class Subscription:
    qos: int
    retained: bool  # whether the client wants what was retained before


@dataclass(frozen=True, slots=True)
class Owed:
    """An acknowledgement that waits for the router: of a PUBLISH or of a SUBSCRIBE."""

    to: Connection | None
    packet: bytes


class Session:
    """What one client asked for and is owed; the service's outlives its connections."""

    def __init__(self, front: Front, client_id: str, principal: Principal) -> None:
        self.front = front
        self.client_id = client_id
        self.principal = principal
        self.persistent = False
        self.connection: Connection | None = None
        self.subscriptions: dict[str, Subscription] = {}
        self.waiting: deque[Message] = deque()
        self.sent: dict[int, Message] = {}
        self.octets = 0
        self._next_id = 0
        self._again: deque[int] = deque()
        self._routing: deque[Owed] = deque()
        self._subscribing: deque[Owed] = deque()
        self._filters: set[str] = set()
        self._ended = False
        self._line = front.open_line(self)

    def __str__(self) -> str:
        return f"client {self.client_id[:64]!r} (user {self.principal.name or 'anonymous'})"

    # What the connection asks for

    def publish(self, topic: str, payload: bytes, retain: bool, owed: Owed) -> None:
        self._routing.append(owed)
        self._line.publish(topic, payload, retain)

    def subscribe(self, topic_filter: str, subscription: Subscription, owed: Owed) -> None:
        self.subscriptions[topic_filter] = subscription
        self._filters.add(topic_filter)
        self._subscribing.append(owed)
        self._line.subscribe(topic_filter)

    def has_room_for(self, topic_filter: str) -> bool:
        return topic_filter in self._filters or len(self._filters) < bounds.MAX_FILTERS

    @property
    def owed(self) -> int:
        return len(self.waiting) + len(self.sent)

    @property
    def unrouted(self) -> int:
        return len(self._routing)

    def acknowledged(self, packet_id: int) -> None:
        message = self.sent.pop(packet_id, None)
        if message is not None:
            self._forget(message)
            self.pump()

    def end(self) -> None:
        """Leave once all that was published is on its way."""
        self._ended = True
        self.front.full.discard(self)
        self.subscriptions.clear()
        self.waiting.clear()
        self.sent.clear()
        self._close_when_routed()

    # What the router says

    def routed(self) -> None:
        owed = self._routing.popleft()
        if owed.to:
            owed.to.settle(owed.packet)
        self._close_when_routed()

    def subscribed(self) -> None:
        owed = self._subscribing.popleft()
        if owed.to:
            owed.to.settle(owed.packet)

    def delivered(self, topic: str, payload: bytes, retained: bool) -> None:
        """Take a message for the client. The router has no unsubscribing: what nobody asked for ends here."""
        granted = [
            subscription.qos
            for topic_filter, subscription in self.subscriptions.items()
            if (subscription.retained or not retained) and matches(topic, topic_filter)
        ]
        if not granted or (max(granted) == 0 and self.connection is None):
            return
        message = Message(topic, payload, max(granted), retained)
        self.waiting.append(message)
        self.octets += message.octets
        self.pump()
        if self.is_full and self.persistent:
            self.front.full.add(self)
        while self.is_full and self.waiting and not self.persistent:
            self._forget(self.waiting.popleft())
            self.front.note("dropped", f"MQTT {self} reads too slowly; its oldest messages go")

    @property
    def is_full(self) -> bool:
        limits = bounds.LASTING if self.persistent else bounds.SHORT
        return self.owed >= limits.messages or self.octets >= limits.octets

    def wants(self, topic: str) -> bool:
        return any(matches(topic, topic_filter) for topic_filter in self.subscriptions)

    def lost(self) -> None:
        """Start over: the router let go of the line."""
        if not self._ended:
            self.front.note("lost lines", f"MQTT {self} lost its line to the router")
            self.front.forget(self)
            if self.connection:
                self.connection.end(Reason.UNSPECIFIED)

    # Sending

    def resume(self, connection: Connection) -> None:
        """Send again what was not acknowledged, in the order of the first sending, then what waits."""
        self.connection = connection
        self._again = deque(self.sent)
        self.pump()

    def pump(self) -> None:
        connection = self.connection
        while connection and self._again and not connection.choked:
            packet_id = self._again.popleft()
            if packet_id in self.sent:
                connection.send_message(self.sent[packet_id], packet_id, again=True)
        while connection and self.waiting and not connection.choked:
            message = self.waiting[0]
            if message.qos and len(self.sent) >= connection.window:
                return
            self.waiting.popleft()
            packet_id = self._free_id() if message.qos and connection.takes(message) else 0
            if packet_id:
                self.sent[packet_id] = message
            else:
                self._forget(message)
            if connection.takes(message):
                connection.send_message(message, packet_id)
            else:
                self.front.note("dropped", f"MQTT {self} takes no packet as large as it is owed")

    def _forget(self, message: Message) -> None:
        self.octets -= message.octets
        if not self.is_full:
            self.front.full.discard(self)

    def _free_id(self) -> int:
        while True:
            self._next_id = self._next_id % 0xFFFF + 1
            if self._next_id not in self.sent:
                return self._next_id

    def _close_when_routed(self) -> None:
        if self._ended and not self._routing:
            self._line.hang_up()
