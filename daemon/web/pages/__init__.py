"""The field page: shells with no data in them, their style and scripts, and what they ask beyond the interface.

A shell is the same for everybody and shows nothing until its script was let in by the guard. There is no build step:
what lies in ``static`` is sent as it is, under an address that changes with its content, so that browsers may keep it.
"""

from __future__ import annotations

import hashlib
import json
import tomllib
from functools import cache
from pathlib import Path
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response

from daemon.states import TABLE
from daemon.web.errors import Refused
from daemon.web.pages import beside, outline

HERE = Path(__file__).parent
KINDS = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml"}
WORDS = "words.js"
SCREENS = ("now", "plan", "logbook", "board", "cue", "devices")

router = APIRouter()
router.include_router(outline.router)
router.include_router(beside.router)


@cache
def texts() -> dict[str, Any]:
    """The catalogue of English text, by screen."""
    found: dict[str, Any] = tomllib.loads((HERE / "texts.toml").read_text(encoding="utf-8"))
    return found


@cache
def assets() -> dict[str, bytes]:
    """Everything in ``static``, and the catalogue as a module, with the verbs that each state takes."""
    found = {path.name: path.read_bytes() for path in sorted((HERE / "static").iterdir()) if path.suffix in KINDS}
    verbs = {state: row.verbs for state, row in TABLE.items()}
    found[WORDS] = (
        f"export default {json.dumps(texts(), ensure_ascii=False)};\nexport const verbs = {json.dumps(verbs)};\n"
    ).encode()
    return found


@cache
def digest() -> str:
    """Changes whenever an asset does."""
    whole = hashlib.sha256()
    for name, content in assets().items():
        whole.update(name.encode() + b"\0" + content)
    return whole.hexdigest()[:12]


@cache
def shell(screen: str) -> str:
    """A screen's HTML."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape

    environment = Environment(
        loader=FileSystemLoader(HERE / "templates"), autoescape=select_autoescape(default=True),
        undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    return environment.get_template(f"{screen}.html").render(
        t=texts(), screen=screen, base=f"/field/{digest()}", screens=SCREENS
    )


def _page(screen: str) -> HTMLResponse:
    return HTMLResponse(shell(screen), headers={"cache-control": "no-cache"})


@router.get("/", response_class=HTMLResponse, include_in_schema=False)
def now() -> HTMLResponse:
    """What the rig does now. Pairing begins here as well, by the code after the ``#``."""
    return _page("now")


@router.get("/{screen}", response_class=HTMLResponse, include_in_schema=False)
def other(screen: str, request: Request) -> HTMLResponse:
    """Another screen."""
    if screen not in SCREENS or screen == "now":
        known = ", ".join(f"/{name}" for name in SCREENS if name != "now")
        raise Refused(404, f"page {request.url.path[:80]}", "no such page", f"/, {known}", "Open /", "NoSuchPlace")
    return _page(screen)


@router.get("/field/{version}/{name}", include_in_schema=False)
def asset(version: str, name: str) -> Response:
    """A style, script or drawing. An old address gives what is in force, and is not to be kept."""
    content = assets().get(name)
    if content is None:
        raise Refused(404, f"file {name[:40]!r}", "no such file", "those that the page names", "Load the page again")
    kept = "public, max-age=31536000, immutable" if version == digest() else "no-cache"
    kind = f"{KINDS[Path(name).suffix]}; charset=utf-8"
    return Response(content, media_type=kind, headers={"cache-control": kept})
