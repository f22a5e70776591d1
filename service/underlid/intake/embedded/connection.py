"""One client's connection to the embedded broker, at protocol level 4 or 5."""

from __future__ import annotations

import asyncio
import secrets
import socket
from typing import TYPE_CHECKING, cast

from underlid.intake.embedded import bounds
from underlid.intake.embedded.rights import INTAKE_USER, Principal
from underlid.intake.embedded.session import Message, Owed, Session, Subscription
from underlid.intake.wire import read, write
from underlid.intake.wire.packets import (
    V5,
    V311,
    Ack,
    Connect,
    Disconnect,
    Kind,
    MalformedError,
    Packet,
    Ping,
    Publish,
    Reason,
    Subscribe,
    Unsubscribe,
    Will,
)

if TYPE_CHECKING:
    from underlid.intake.embedded.front import Front

FOR_EVER_S = 0xFFFFFFFF
_AROUND = 10  # bytes of a PUBLISH besides topic and payload: at most 5 + 2 + 2 + 1


class Connection(asyncio.Protocol):
    """One client's connection, from the first byte to the last."""

    def __init__(self, front: Front) -> None:
        self.front = front
        self.session: Session | None = None
        self.choked = False
        self.window = bounds.WINDOW
        self._level = V311
        self._buffer = bytearray()
        self._packet_maximum = 0
        self._will: Will | None = None
        self._held: set[int] = set()  # packet identifiers of QoS 2 messages that are not released
        self._keep_alive_s = 0.0
        self._heard_at = 0.0
        self._spoke = self._admitting = self._paused = self._closed = False
        self._timer: asyncio.TimerHandle | None = None
        self._transport: asyncio.Transport
        self._who = "a client"

    # From the event loop

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = transport = cast(asyncio.Transport, transport)
        peer = transport.get_extra_info("peername")
        self._who = f"a client at {peer[0]}" if peer else self._who
        self._loop = asyncio.get_running_loop()
        # A peer that lost its power says nothing; where it asked for no keep-alive, only this ends it.
        transport.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
        if self.front.is_closed:  # it was accepted just before
            transport.abort()
            return
        waiting = self.front.half_open
        if len(waiting) >= bounds.MAX_HALF_OPEN:
            oldest = next(iter(waiting))
            next((each for each in waiting if not each._spoke), oldest).end(Reason.BUSY)
            self.front.note("half-open", "MQTT connections that say nothing are closed, oldest first")
        waiting[self] = None
        self._timer = self._loop.call_later(bounds.CONNECT_WITHIN_S, self._never_spoke)

    def data_received(self, data: bytes) -> None:
        self._heard_at = self._loop.time()
        self._buffer += data
        self._work()

    def pause_writing(self) -> None:
        self.choked = True

    def resume_writing(self) -> None:
        self.choked = False
        if self.session:
            self.session.pump()

    def connection_lost(self, _exc: Exception | None) -> None:
        self._finish(with_will=True)

    # Reading

    def _work(self) -> None:
        """Take packets while there are whole ones and the router keeps up."""
        try:
            while not (self._closed or self._admitting or self._is_held_up()):
                if self.session is None and self._buffer and self._buffer[0] != Kind.CONNECT << 4:
                    raise MalformedError("something other than CONNECT first", Reason.PROTOCOL_ERROR)
                taken = read.take(
                    self._buffer, bounds.MAX_PACKET_BYTES if self.session else bounds.MAX_CONNECT_BYTES
                )
                if taken is None:
                    break
                if self.session is None:
                    self._connect(read.read_connect(*taken))
                else:
                    self._packet(self.session, read.read(self._level, *taken))
        except MalformedError as error:
            self.front.note("malformed", f"MQTT: {self._who} is closed for sending {error}")
            self.end(error.reason)
        if not self._closed:
            self._pause(self._admitting or self._is_held_up())

    def _is_held_up(self) -> bool:
        return self.session is not None and self.session.unrouted >= bounds.MAX_UNROUTED

    def _pause(self, pause: bool) -> None:
        if pause != self._paused:
            self._paused = pause
            if pause:
                self._transport.pause_reading()
            else:
                self._transport.resume_reading()

    def _connect(self, packet: Connect) -> None:
        self._level, self._spoke = packet.level, True
        if packet.method is not None:
            raise MalformedError("a wish for another way to authenticate", Reason.BAD_METHOD)
        if not packet.client_id and packet.level == V311 and not packet.clean:
            raise MalformedError("no client identifier for a session that is to last", Reason.BAD_CLIENT_ID)
        self._admitting = True
        task = self._loop.create_task(self._admit(packet))
        self.front.tasks.add(task)
        task.add_done_callback(self.front.tasks.discard)

    async def _admit(self, packet: Connect) -> None:
        principal = await self.front.admit(packet.user, packet.password)
        self._admitting = False
        if self._closed:
            return
        if principal is None:
            named = packet.user if packet.user is not None else "nobody by name"
            self.front.note("not admitted", f"MQTT: {self._who} is not let in as {named[:64]!r}")
            self.end(Reason.BAD_PASSWORD if packet.user is not None else Reason.NOT_AUTHORISED)
        elif self.front.is_taken(packet.client_id, principal):
            self.front.note(
                "not admitted", f"MQTT: {self._who} comes under the name of one of the service's clients"
            )
            self.end(Reason.BAD_CLIENT_ID)
        elif not principal.is_service and self.front.clients >= bounds.MAX_CLIENTS:
            self.front.note(
                "too many", f"MQTT: more than {bounds.MAX_CLIENTS} clients; further ones are turned away"
            )
            self.end(Reason.BUSY)
        else:
            self._welcome(packet, principal)
            self._work()

    def _welcome(self, packet: Connect, principal: Principal) -> None:
        front, client_id = self.front, packet.client_id or f"client-{secrets.token_hex(8)}"
        old = front.sessions.get(client_id)
        if old and old.connection:
            old.connection.end(Reason.TAKEN_OVER)
            old = front.sessions.get(client_id)
        present = old is not None and not packet.clean and old.persistent and old.principal == principal
        if old and not present:
            front.forget(old)
        session = old if old and present else Session(front, client_id, principal)
        front.sessions[client_id] = session
        front.half_open.pop(self, None)
        session.persistent = principal.is_service and client_id == INTAKE_USER and packet.expiry_s > 0
        expiry_s = FOR_EVER_S if session.persistent else 0
        self.session, self._will, self._who = session, packet.will, str(session)
        self.window = min(bounds.WINDOW, packet.receive_maximum)
        self._packet_maximum = packet.packet_maximum
        self._watch(packet.keep_alive_s * 1.5)
        self._send(
            write.connack(
                self._level,
                Reason.SUCCESS,
                present,
                expiry_s=expiry_s if expiry_s != packet.expiry_s else None,
                assigned_id=client_id if not packet.client_id else None,
                receive_maximum=bounds.MAX_UNROUTED,
                packet_maximum=bounds.MAX_PACKET_BYTES,
            )
        )
        session.resume(self)

    def _packet(self, session: Session, packet: Packet) -> None:
        match packet:
            case Publish():
                self._publish(session, packet)
            case Ack(Kind.PUBACK, packet_id):
                session.acknowledged(packet_id)
            case Ack(Kind.PUBREL, packet_id):
                known = packet_id in self._held
                self._held.discard(packet_id)
                reason = Reason.SUCCESS if known else Reason.UNKNOWN_PACKET_ID
                self._send(write.ack(self._level, Kind.PUBCOMP, packet_id, reason))
            case Ack():
                raise MalformedError(
                    "an acknowledgement of QoS 2, which it was sent nothing with", Reason.PROTOCOL_ERROR
                )
            case Subscribe():
                self._subscribe(session, packet)
            case Unsubscribe(packet_id, filters):
                codes = [
                    Reason.SUCCESS if session.subscriptions.pop(each, None) else Reason.NO_SUBSCRIPTION
                    for each in filters
                ]
                self._send(write.unsuback(self._level, packet_id, codes))
            case Ping():
                self._send(write.PINGRESP)
            case Disconnect(reason, expiry_s):
                if expiry_s == 0:
                    session.persistent = False
                self._finish(with_will=reason == Reason.WITH_WILL)

    def _publish(self, session: Session, packet: Publish) -> None:
        kind = Kind.PUBREC if packet.qos == 2 else Kind.PUBACK
        if packet.qos == 2 and packet.packet_id in self._held:  # sent again; it is on its way already
            self._send(write.ack(self._level, kind, packet.packet_id))
            return
        reason = self.front.judge(session, packet.topic, packet.payload)
        if reason == Reason.QUOTA and packet.qos and self._level == V311:
            self.end(reason)  # level 4 has no other way to say that a message was not taken
            return
        if packet.qos == 2 and reason == Reason.SUCCESS:
            self._held.add(packet.packet_id)
        answer = write.ack(self._level, kind, packet.packet_id, reason) if packet.qos else b""
        if reason == Reason.SUCCESS:
            retain = packet.retain and self.front.may_retain(session, packet.topic, packet.payload)
            session.publish(packet.topic, packet.payload, retain, Owed(self, answer))
        elif answer:
            self._send(answer)

    def _subscribe(self, session: Session, packet: Subscribe) -> None:
        codes = [self.front.judge_wish(session, wish) for wish in packet.wishes]
        answer = write.suback(self._level, packet.packet_id, codes)
        granted = [wish for wish, code in zip(packet.wishes, codes, strict=True) if code < Reason.UNSPECIFIED]
        if not granted:
            self._send(answer)
        for index, wish in enumerate(granted):
            known = wish.topic_filter in session.subscriptions
            retained = wish.retain_handling == 0 or (wish.retain_handling == 1 and not known)
            owed = Owed(self, answer if index == len(granted) - 1 else b"")
            session.subscribe(wish.topic_filter, Subscription(min(wish.qos, 1), retained), owed)

    # Writing

    def takes(self, message: Message) -> bool:
        return not self._packet_maximum or message.octets + _AROUND <= self._packet_maximum

    def send_message(self, message: Message, packet_id: int, again: bool = False) -> None:
        self._send(
            write.publish(self._level, message.topic, message.payload, packet_id, message.retain, again)
        )

    def settle(self, answer: bytes) -> None:
        """Send an acknowledgement that was owed, and read on if that had to wait."""
        if answer:
            self._send(answer)
        if self._paused:
            self._loop.call_soon(self._work)

    def _send(self, packet: bytes) -> None:
        if not self._closed:
            self._transport.write(packet)

    # Ending

    def _never_spoke(self) -> None:
        if self.session is None and not self._admitting:
            self.front.note(
                "half-open", f"MQTT: {self._who} is closed; no CONNECT within {bounds.CONNECT_WITHIN_S:g} s"
            )
            self.end(Reason.KEEP_ALIVE)

    def _watch(self, silence_s: float) -> None:
        """End the connection when nothing was heard for so long (0: never)."""
        if self._timer:
            self._timer.cancel()
            self._timer = None
        self._keep_alive_s = silence_s
        if silence_s:
            self._timer = self._loop.call_later(silence_s, self._listen_for_life)

    def _listen_for_life(self) -> None:
        left = self._heard_at + self._keep_alive_s - self._loop.time()
        if left > 0 or self._paused:
            self._timer = self._loop.call_later(max(left, 1.0), self._listen_for_life)
        else:
            self.end(Reason.KEEP_ALIVE)

    def end(self, reason: Reason) -> None:
        """End the connection from this side, saying why as far as the protocol can."""
        if self._closed:
            return
        if self.session is None:
            if self._spoke or reason == Reason.BAD_VERSION:
                self._send(write.connack(self._level, reason, session_present=False))
        elif self._level == V5:
            self._send(write.disconnect(reason))
        self._finish(with_will=True)

    def abort(self) -> None:
        """Let go of what was not sent."""
        self._transport.abort()

    def _finish(self, with_will: bool) -> None:
        if self._closed:
            return
        self._closed = True
        self._buffer.clear()
        self._transport.close()
        if self._transport.get_write_buffer_size():  # a client that does not read must not hold on for ever
            self._loop.call_later(bounds.LINGER_S, self._transport.abort)
        self._watch(0)
        self.front.half_open.pop(self, None)
        session = self.session
        if session is None:
            return
        will = self._will
        if with_will and will and self.front.judge(session, will.topic, will.payload) == Reason.SUCCESS:
            retain = will.retain and self.front.may_retain(session, will.topic, will.payload)
            session.publish(will.topic, will.payload, retain, Owed(None, b""))
        session.connection = None
        if not session.persistent:
            self.front.forget(session)
