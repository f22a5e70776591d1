"""The gate: who is asking, whether they may, how much they may send, and a note of what they changed."""

from collections.abc import Awaitable, Callable

import structlog
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import cookie_parser
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from underlid.access import accounts
from underlid.access.roles import ANYBODY, Who
from underlid.store import accounts as store
from underlid.store import audit
from underlid.store.readings import StoreError
from underlid.web.context import WHO, Context
from underlid.web.live import STILL_IN
from underlid.web.problems import problem
from underlid.web.rights import Asked, asked

log = structlog.get_logger("underlid.web")

SAFE = ("GET", "HEAD", "OPTIONS")
COOKIE, SECURE_COOKIE = "underlid", "__Host-underlid"
MOST_SECRET = 200  # signs of a cookie or token that are looked at


class Gate:
    """Lets in who may; everybody where the service asks for no sign-in."""

    def __init__(self, app: ASGIApp, context: Context) -> None:
        self._app = app
        self._context = context

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        ask = asked(scope["method"], scope["path"])
        headers = Headers(scope=scope)
        try:
            who = await run_in_threadpool(self._who, scope, headers)
        except StoreError as error:
            await problem(503, str(error), scope["path"])(scope, receive, send)
            return
        if refusal := _refusal(scope, headers, ask, who):
            await refusal(scope, receive, send)
            return
        scope[WHO] = who
        scope[STILL_IN] = self._again(scope, headers)
        body = _Body(receive, ask, headers)
        status = 500

        async def send_on(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                if scope["path"].startswith("/api/"):
                    MutableHeaders(scope=message).setdefault("Cache-Control", "no-store")
            await send(message)

        await self._app(scope, body.receive, send_on)
        if ask.role is not None and scope["method"] not in SAFE and status < 400:
            await run_in_threadpool(self._note, scope, who, body.start)

    def _who(self, scope: Scope, headers: Headers) -> Who | None:
        if not self._context.sign_in:
            return ANYBODY
        secret = bearer(headers)
        cookie = session_secret(scope, headers)
        if secret is None and cookie is None:
            return None
        now_ms = self._context.clock()
        with self._context.ledger.reading() as connection:
            if secret is not None:
                return accounts.who_has_token(connection, secret, now_ms)
            assert cookie is not None
            found = accounts.who_has_session(connection, cookie, now_ms)
        if found is None:
            return None
        who, is_due = found
        if is_due and who.session is not None:
            try:
                with self._context.ledger.writing() as connection:
                    store.seen(connection, who.session, now_ms)
            except StoreError as error:  # a disk that can't be written keeps nobody from looking
                log.warning("a session's last use could not be noted", reason=str(error))
        return who

    def _again(self, scope: Scope, headers: Headers) -> Callable[[], Awaitable[bool]]:
        """Whether whoever asked would still be let in; for answers without an end."""

        async def still_in() -> bool:
            try:
                return await run_in_threadpool(self._who, scope, headers) is not None
            except StoreError:
                return False

        return still_in

    def _note(self, scope: Scope, who: Who | None, detail: bytes) -> None:
        what = f"{scope['method']} {scope['path']}"
        note(
            self._context,
            who.name if who else "nobody",
            address_of(scope),
            what,
            detail.decode("utf-8", "replace"),
        )


def note(context: Context, who: str, address: str, what: str, detail: str = "") -> None:
    """Keep a line of the audit log; what was done is done, even where that can't be kept."""
    try:
        with context.ledger.writing() as connection:
            audit.add(connection, audit.AuditEntry(0, context.clock(), who, address, what, detail))
    except StoreError as error:
        log.error("the audit log misses an entry", who=who, what=what, reason=str(error))


class _Body:
    """A request's body on its way in: bounded, and its beginning kept for the audit log where it is JSON."""

    def __init__(self, receive: Receive, ask: Asked, headers: Headers) -> None:
        self._receive = receive
        self._left = ask.most_bytes
        self._keep = not ask.secret and "json" in headers.get("content-type", "")
        self.start = b""

    async def receive(self) -> Message:
        message = await self._receive()
        part = message.get("body", b"")
        self._left -= len(part)
        if self._left < 0:
            raise HTTPException(413, "The body is too large.")
        if self._keep and len(self.start) < audit.DETAIL_SIGNS:
            self.start += part[: audit.DETAIL_SIGNS]
        return message


def bearer(headers: Headers) -> str | None:
    kind, _, secret = headers.get("authorization", "").partition(" ")
    return secret.strip()[:MOST_SECRET] if kind.lower() == "bearer" else None


def session_secret(scope: Scope, headers: Headers) -> str | None:
    name = SECURE_COOKIE if scope["scheme"] == "https" else COOKIE
    secret = cookie_parser(headers.get("cookie", "")).get(name)
    return secret[:MOST_SECRET] if secret else None


def address_of(scope: Scope) -> str:
    return scope["client"][0] if scope.get("client") else ""


def _refusal(scope: Scope, headers: Headers, ask: Asked, who: Who | None) -> Response | None:
    path = scope["path"]
    length = headers.get("content-length", "0")
    if not length.isdecimal() or int(length[:19]) > ask.most_bytes:
        return problem(
            413, f"The body has {length[:20]} bytes; at most {ask.most_bytes} are taken here.", path
        )
    if ask.role is None:
        return None
    if who is None:
        words = "Sign in first: at /, or with a token (Authorization: Bearer TOKEN)."
        return problem(401, words, path, {"WWW-Authenticate": 'Bearer realm="Underlid"'})
    if not who.role.may(ask.role):
        words = f"A {who.role} may not do this; it takes {_an(ask.role)}."
        return problem(403, words, path)
    # A browser says where a request comes from; another site's page can't forge that. Where it is said, the guard has
    # refused other sites. A session is a browser's, so it must be said; a token is no browser's.
    is_said = "origin" in headers or headers.get("sec-fetch-site") == "same-origin"
    if scope["method"] not in SAFE and who.session is not None and not is_said:
        words = "A change by a session must say its Origin, as browsers do; programs take a token."
        return problem(403, words, path)
    return None


def _an(role: str) -> str:
    return f"an {role}" if role[0] in "aeiou" else f"a {role}"
