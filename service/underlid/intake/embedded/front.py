"""The door of the embedded broker: MQTT 3.1.1 and 5 clients outside, a plain router of messages inside.

Everything that has to hold for a client holds here, and is bounded: how many connect, how long they may
take to say who they are, how large a packet is, what they may publish and read, what is kept for them.
Only the service's own session outlives its connection. The router behind passes messages on and keeps the
retained ones.
"""

import asyncio
import logging
from collections import Counter
from collections.abc import Callable, Iterable

from underlid.intake.embedded import bounds
from underlid.intake.embedded.connection import Connection
from underlid.intake.embedded.rights import INTAKE_USER, Principal, Rights
from underlid.intake.embedded.session import Line, Owed, Session, Subscription
from underlid.intake.wire.packets import MalformedError, Reason, Wish
from underlid.intake.wire.topics import filter_valid

log = logging.getLogger(__name__)

_SAY_AGAIN_AFTER_S = 60.0


class Front:
    """All sessions and connections of one broker, its bounds and its counts."""

    def __init__(self, rights: Rights, open_line: Callable[[Session], Line]) -> None:
        self.is_closed = False
        self.rights = rights
        self.open_line = open_line
        self.counts: Counter[str] = Counter()
        self.sessions: dict[str, Session] = {}
        self.full: set[Session] = set()  # lasting sessions whose queue is full
        self.half_open: dict[Connection, None] = {}
        self.tasks: set[asyncio.Task[None]] = set()
        self._one_check_at_a_time = asyncio.Lock()  # each takes 16 MiB and a core
        self._retained: dict[str, int] = {}
        self._retained_octets = 0
        self._said_at: dict[str, float] = {}
        self._server: asyncio.Server | None = None

    async def listen(self, host: str, port: int) -> int:
        """Open the door and give the port. Raises OSError."""
        loop = asyncio.get_running_loop()
        self._server = await loop.create_server(lambda: Connection(self), host, port)
        bound: int = self._server.sockets[0].getsockname()[1]
        self.tasks.add(loop.create_task(self._take_back()))
        return bound

    def keep_for_service(self, client_id: str, filters: Iterable[str]) -> None:
        """Begin the service's session before it connects, so that nothing said in the meantime is missed."""
        principal = Principal(INTAKE_USER, ("#",), ("#",))
        session = self.sessions[client_id] = Session(self, client_id, principal)
        session.persistent = True
        for topic_filter in filters:
            session.subscribe(topic_filter, Subscription(1, retained=True), Owed(None, b""))

    def shut(self) -> None:
        """Take no further client and let go of all but the service's."""
        self.is_closed = True
        if self._server:
            self._server.close()
        for connection in list(self.half_open):
            connection.end(Reason.SHUTTING_DOWN)
        for session in list(self.sessions.values()):
            if session.connection and not session.principal.is_service:
                session.connection.end(Reason.SHUTTING_DOWN)

    @property
    def owed(self) -> int:
        """How many messages lasting sessions did not acknowledge yet."""
        return sum(session.owed for session in self.sessions.values() if session.persistent)

    async def close(self) -> None:
        """Close the door, every connection and every session."""
        connections = [*self.half_open, *(s.connection for s in self.sessions.values() if s.connection)]
        self.shut()
        for task in self.tasks:
            task.cancel()
        for connection in connections:
            connection.end(Reason.SHUTTING_DOWN)
        await asyncio.gather(*self.tasks, return_exceptions=True)
        for connection in connections:
            connection.abort()
        for session in self.sessions.values():
            if session.owed:
                log.warning(
                    "The embedded broker stops with %d messages not taken by %s", session.owed, session
                )
            session.end()
        self.sessions.clear()

    def forget(self, session: Session) -> None:
        """End a session; messages that wait for it are lost with it, as its client asked."""
        if self.sessions.get(session.client_id) is session:
            del self.sessions[session.client_id]
        if session.persistent and session.owed:
            log.warning("MQTT %s begins anew; %d messages for it are dropped", session, session.owed)
        session.end()

    async def admit(self, user: str | None, password: bytes) -> Principal | None:
        if user is None or user == INTAKE_USER:
            return self.rights.admit(user, password)
        async with self._one_check_at_a_time:
            return await asyncio.to_thread(self.rights.admit, user, password)

    async def _take_back(self) -> None:
        """Let go of probes whose password is no longer the one they came with."""
        while True:
            await asyncio.sleep(bounds.TAKE_BACK_EVERY_S)
            for session in [each for each in self.sessions.values() if each.principal.credential]:
                holds = await asyncio.to_thread(self.rights.holds, session.principal)
                if session.connection and not holds:
                    log.info("MQTT: %s is let go; its password was taken back", session)
                    session.connection.end(Reason.NOT_AUTHORISED)

    @property
    def clients(self) -> int:
        return sum(session.connection is not None for session in self.sessions.values())

    def is_taken(self, client_id: str, principal: Principal) -> bool:
        """Whether the name belongs to the service and somebody else comes under it."""
        old = self.sessions.get(client_id)
        return not principal.is_service and (
            client_id == INTAKE_USER or (old is not None and old.principal.is_service)
        )

    def judge(self, session: Session, topic: str, payload: bytes) -> Reason:
        """Decide on a message to be published. Raises `MalformedError` when it is too large for anybody.

        One that would find the service's queue full is refused here instead of dropped inside, so that what
        was acknowledged is kept.
        """
        if len(payload) > bounds.MAX_PAYLOAD_BYTES:
            raise MalformedError(
                f"a payload of {len(payload)} bytes; at most {bounds.MAX_PAYLOAD_BYTES} are taken",
                Reason.TOO_LARGE,
            )
        if topic.startswith("$") or not session.principal.may_publish(topic):
            self.note("not permitted", f"MQTT: {session} may not publish to {topic[:80]!r}; it is left out")
            return Reason.NOT_AUTHORISED
        if any(full.wants(topic) for full in self.full):
            self.note(
                "refused", "MQTT: the queue for the intake is full; publishers are refused until it reads on"
            )
            return Reason.QUOTA
        return Reason.SUCCESS

    def may_retain(self, session: Session, topic: str, payload: bytes) -> bool:
        """Count a message to be retained, or note that there is no room for it. An empty one clears.

        The service's own are as many as there are bins and always have room.
        """
        before = self._retained.get(topic)
        octets = self._retained_octets - (before or 0) + len(payload)
        one_more = before is None and len(self._retained) >= bounds.MAX_RETAINED
        if payload and (one_more or octets > bounds.MAX_RETAINED_BYTES):
            if session.principal.is_service:
                return True
            self.note(
                "not retained", f"MQTT: no room to retain {topic[:80]!r} of {session}; it is passed on only"
            )
            return False
        self._retained_octets = octets
        if payload:
            self._retained[topic] = len(payload)
        else:
            self._retained.pop(topic, None)
        return True

    def judge_wish(self, session: Session, wish: Wish) -> int:
        """Give the granted QoS for one filter of a SUBSCRIBE, or the reason for refusing it."""
        if not filter_valid(wish.topic_filter):
            return Reason.BAD_FILTER
        if wish.topic_filter.startswith("$share/"):
            return Reason.NO_SHARED
        if wish.no_local:
            return Reason.NOT_POSSIBLE_HERE
        if not session.principal.may_read(wish.topic_filter):
            self.note("not permitted", f"MQTT: {session} may not subscribe to {wish.topic_filter[:80]!r}")
            return Reason.NOT_AUTHORISED
        if not session.has_room_for(wish.topic_filter):
            self.note("too many", f"MQTT: {session} subscribes to more than {bounds.MAX_FILTERS} filters")
            return Reason.QUOTA
        return min(wish.qos, 1)

    def note(self, count: str, text: str) -> None:
        """Count an event; say it at most once a minute of its kind, with how many there were."""
        self.counts[count] += 1
        now = asyncio.get_running_loop().time()
        if now - self._said_at.get(count, -_SAY_AGAIN_AFTER_S) >= _SAY_AGAIN_AFTER_S:
            self._said_at[count] = now
            log.warning("%s (%d so far: %s)", text, self.counts[count], count)
