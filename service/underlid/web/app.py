"""The web application: API, live stream and dashboards on one address."""

from pathlib import Path
from typing import Any
from urllib.parse import SplitResult, urlsplit

import structlog
from fastapi import APIRouter, FastAPI, Request
from fastapi.responses import FileResponse, HTMLResponse, JSONResponse
from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.routing import Match, Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

import underlid
from underlid.web import (
    alarms,
    calibrations,
    exports,
    facts,
    farm,
    feed_stores,
    health,
    imports,
    live,
    notify,
    performance,
    photos,
    probes,
    problems,
    readings,
    replay,
    reports,
    session,
    twins,
    users,
)
from underlid.web import log as keepers_log
from underlid.web.context import Context
from underlid.web.gate import SAFE, Gate
from underlid.web.shapes import Problem

log = structlog.get_logger("underlid.web")

STATIC = (Path(__file__).parent / "static").resolve()
HEADERS = {
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; "
    "img-src 'self' data: blob:; font-src 'self'; connect-src 'self'; manifest-src 'self'; base-uri 'none'; "
    "form-action 'self'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
}


class App(FastAPI):
    """FastAPI, with the body of every error in its description."""

    def openapi(self) -> dict[str, Any]:
        schema = super().openapi()
        schema["components"]["schemas"]["Problem"] = Problem.model_json_schema()
        return schema


def create_app(context: Context, hosts: list[str] | None) -> FastAPI:
    """The application. `hosts` are the names it answers to; None: any (something in front has checked)."""
    app = App(
        title="Underlid",
        version=underlid.__version__,
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/openapi.json",
        redirect_slashes=False,
        responses=problems.RESPONSES,
    )
    app.state.context = context
    problems.install(app)
    app.add_middleware(Gate, context=context)
    app.add_middleware(Guard, hosts=hosts)
    api = APIRouter(prefix="/api/v1")
    for part in (
        farm,
        facts,
        feed_stores,
        probes,
        twins,
        calibrations,
        readings,
        keepers_log,
        photos,
        alarms,
        performance,
        replay,
        reports,
        imports,
        exports,
        notify,
        live,
    ):
        api.include_router(part.router)
    api.include_router(session.router)
    api.include_router(users.router)
    api.include_router(health.api_router)
    app.include_router(api)
    app.include_router(health.router)
    app.add_api_route("/api/docs", _docs, response_class=HTMLResponse, tags=["docs"])
    app.router.routes.append(Dashboards("/{path:path}", _dashboards))
    return app


class Dashboards(Route):
    """Every address but those below /api/, where nothing is nothing, whatever the method."""

    def matches(self, scope: Scope) -> tuple[Match, Scope]:
        return (Match.NONE, {}) if scope["path"].startswith("/api/") else super().matches(scope)


class Guard:
    """Refuses other names and changes that another site's page asks for; adds the security headers.

    A page of another name that resolves to this address must not reach an API without sign-in.
    """

    def __init__(self, app: ASGIApp, hosts: list[str] | None) -> None:
        self._app = app
        self._hosts = hosts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        is_head = scope["method"] == "HEAD"
        started = False

        async def send_on(message: Message) -> None:
            nonlocal started
            if message["type"] == "http.response.start":
                started = True
                out = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    out.setdefault(name, value)
                if scope["scheme"] == "https":
                    out.setdefault("Strict-Transport-Security", "max-age=31536000")
            elif is_head:
                message = {**message, "body": b""}
            try:
                await send(message)
            except RuntimeError as error:
                if "handler is closed" not in str(error):
                    raise
                # The client broke the line off, which the event loop says in this way; nobody waits for an answer.

        if refusal := self._refusal(scope):
            await refusal(scope, receive, send_on)
            return
        if is_head and not scope["path"].endswith("/live"):  # which has no end
            scope = {**scope, "method": "GET"}
        try:
            await self._app(scope, receive, send_on)
        except Exception:
            if started:
                raise  # the server logs it and breaks the connection off
            log.exception("a request failed", method=scope["method"], path=scope["path"])
            fault = problems.problem(500, "The service has a fault; its log says where.", scope["path"])
            await fault(scope, receive, send_on)

    def _refusal(self, scope: Scope) -> JSONResponse | None:
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        if self._hosts is not None and _parts(f"//{host}").hostname not in self._hosts:
            words = f"The service does not answer to the name '{host}'."
            return problems.problem(400, words, scope["path"])
        origin = headers.get("origin")
        if scope["method"] not in SAFE and origin and _parts(origin).netloc != (host or None):
            return problems.problem(403, "This request comes from another site's page.", scope["path"])
        return None


def _parts(url: str) -> SplitResult:
    try:
        return urlsplit(url)
    except ValueError:
        return urlsplit("")


def _docs(request: Request) -> HTMLResponse:
    """The API as a plain page of our own: no script from anywhere else."""
    from underlid.web.docs import page

    return HTMLResponse(page(request.app.openapi()))


def _dashboards(request: Request) -> FileResponse:
    """A built file, else the page itself: its own paths are the browser's to read."""
    path: str = request.path_params["path"]
    nothing = HTTPException(404, f"There is nothing at /{path}.")
    try:
        file = (STATIC / path).resolve()
        is_built = file.is_relative_to(STATIC) and file.is_file()
    except (OSError, ValueError) as error:  # no name that a file can have
        raise nothing from error
    for_ever = path.startswith("assets/")  # their names change with their content
    if not is_built:
        if for_ever:
            raise nothing
        file = STATIC / "index.html"
        if not file.is_file():
            raise HTTPException(503, "The dashboards are not built; install the package with pip.")
    cache = "public, max-age=31536000, immutable" if for_ever else "no-cache"
    return FileResponse(file, headers={"Cache-Control": cache})
