"""Errors as RFC 9457 problem details."""

from collections.abc import Mapping
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException
from starlette.routing import Match

from underlid.store.ledger import UnkeepableError
from underlid.store.readings import StoreError
from underlid.web.shapes import Problem

PROBLEM = {"application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}}
_TITLES = {
    400: "Bad request",
    401: "Not signed in",
    403: "Not allowed",
    404: "Not found",
    405: "Not possible here",
    409: "Does not fit the present state",
    413: "Too large",
    422: "Not valid",
    429: "Too often",
    500: "Fault of the service",
    503: "Not possible now",
}
RESPONSES: dict[int | str, dict[str, Any]] = {
    code: {"description": title, "content": PROBLEM} for code, title in _TITLES.items()
}


def problem(
    status: int, detail: str, instance: str | None = None, headers: Mapping[str, str] | None = None
) -> JSONResponse:
    body = Problem(title=_TITLES.get(status, "Error"), status=status, detail=detail, instance=instance)
    return JSONResponse(body.model_dump(), status, headers, media_type="application/problem+json")


def not_found(what: str, id_: object) -> HTTPException:
    return HTTPException(404, f"There is no {what} '{id_}'.")


def install(app: FastAPI) -> None:
    @app.exception_handler(HTTPException)
    async def http(request: Request, error: HTTPException) -> JSONResponse:
        path, detail, headers = request.url.path, str(error.detail), dict(error.headers or {})
        if error.status_code == 400:
            detail = "The body is not JSON in UTF-8, or is nested too deep."
        elif error.status_code == 404 and detail == "Not Found":  # the router's own words
            detail = f"There is nothing at {path}."
        elif error.status_code == 405:
            headers["Allow"] = ", ".join(_methods(app, request))
            detail = f"{request.method} is not possible at {path}; right would be {headers['Allow']}."
        return problem(error.status_code, detail, path, headers)

    @app.exception_handler(RequestValidationError)
    async def validation(request: Request, error: RequestValidationError) -> JSONResponse:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        return problem(422, f"{where}: {first['msg'].removeprefix('Value error, ')}", request.url.path)

    @app.exception_handler(UnkeepableError)
    async def unkeepable(request: Request, error: UnkeepableError) -> JSONResponse:
        return problem(422, str(error), request.url.path)

    @app.exception_handler(StoreError)
    async def store(request: Request, error: StoreError) -> JSONResponse:
        return problem(503, str(error), request.url.path)


def _methods(app: FastAPI, request: Request) -> list[str]:
    """Every method that a path takes; the router itself names those of the first route alone."""
    found = [
        method
        for method in ("DELETE", "GET", "PATCH", "POST", "PUT")
        if any(route.matches({**request.scope, "method": method})[0] is Match.FULL for route in app.routes)
    ]
    return sorted({*found, "HEAD"}) if "GET" in found else found
