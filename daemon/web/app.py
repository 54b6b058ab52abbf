"""The application: the parts of the interface behind one guard, one shape of error, and pages where there are any."""

from __future__ import annotations

import importlib
from importlib.metadata import version
from importlib.util import find_spec
from typing import Any

from fastapi import Depends, FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from fastapi.security import HTTPBearer
from starlette.exceptions import HTTPException

from daemon.config import Loaded
from daemon.errors import StopwrightError
from daemon.web import board, lapse, live, own, papers, pictures, planning, rehearsal, runs, schedule
from daemon.web.errors import Refused, as_told, status_of
from daemon.web.guard import Guard
from daemon.web.needs import Needs

PAGES = "daemon.web.pages"
_ERROR = {
    "type": "object",
    "required": ["error", "message", "asked", "found", "allowed", "todo"],
    "properties": {name: {"type": ["string", "null"]} for name in ("asked", "found", "allowed", "todo")}
    | {name: {"type": "string"} for name in ("error", "message")},
}
_REFUSALS: dict[int | str, dict[str, Any]] = {
    status: {"description": words, "content": {"application/json": {"schema": _ERROR}}}
    for status, words in (
        (400, "It cannot be carried out as asked"), (401, "No right"), (403, "Not this client"), (404, "Not there"),
        (408, "Too slow"), (409, "The camera or the run is in another state"), (413, "Too large"),
        (415, "Not this kind"), (421, "Wrong host"), (422, "Bad input, with every complaint"), (429, "Too many"),
        (507, "The store refuses"),
    )
}  # fmt: skip


def make_app(needs: Needs, loaded: Loaded) -> Any:
    """The ASGI application of a service. ``app.state`` holds ``needs``, ``loaded``, and ``streams`` to be closed."""
    app = FastAPI(
        title="Stopwright", version=version("stopwright"), docs_url=None, redoc_url=None,
        openapi_url="/api/openapi.json", responses=_REFUSALS, redirect_slashes=False,
    )  # fmt: skip
    app.state.needs, app.state.loaded, app.state.streams = needs, loaded, set()
    right = [Depends(HTTPBearer(auto_error=False, description="The token of this computer; browsers have a session"))]
    for part in (own, planning, rehearsal, runs, lapse, pictures, papers, schedule, board, live):
        app.include_router(part.router, dependencies=right)
    if find_spec(PAGES):
        app.include_router(importlib.import_module(PAGES).router, dependencies=right)
    app.add_exception_handler(StopwrightError, _refused)
    app.add_exception_handler(RequestValidationError, _invalid)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(Exception, _fault)
    app.add_middleware(Guard, access=needs.access, names=loaded.config.names, hides=lambda: needs.hiding.on)
    return app


def _asked(request: Request) -> str:
    return f"{request.method[:20]} {request.url.path[:80]}"


def _answer(status: int, tree: dict[str, Any], headers: dict[str, str] | None = None) -> JSONResponse:
    return JSONResponse(tree, status, headers)


async def _refused(request: Request, error: Exception) -> JSONResponse:
    status = status_of(error)
    if status >= 500:
        request.app.state.needs.service.log.error("request failed", asked=_asked(request), message=str(error))
    return _answer(status, as_told(error, _asked(request)))


async def _invalid(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, RequestValidationError)
    complaints = [
        {"field": ".".join(str(part) for part in one["loc"]), "allowed": one["msg"], "kind": one["type"]}
        for one in error.errors()[:100]
    ]
    first = complaints[0] if complaints else {"field": "", "allowed": ""}
    refused = Refused(
        422,
        _asked(request),
        f"a wrong {first['field']}",
        str(first["allowed"]),
        "Correct it and send it again",
        "BadInput",
    )
    return _answer(422, as_told(refused, "") | {"complaints": complaints})


async def _http(request: Request, error: Exception) -> JSONResponse:
    assert isinstance(error, HTTPException)
    allowed = "what /api/openapi.json lists"
    found = {404: "no such place", 405: f"the method {request.method[:20]}"}.get(error.status_code, str(error.detail))
    refused = Refused(error.status_code, _asked(request), found, allowed, "Look there", "NoSuchPlace")
    return _answer(error.status_code, as_told(refused, ""), dict(error.headers or {}))


async def _fault(request: Request, error: Exception) -> JSONResponse:
    request.app.state.needs.service.log.error("fault", asked=_asked(request), fault=repr(error))
    return _answer(500, as_told(error, _asked(request)))
