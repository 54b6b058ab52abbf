"""The class view's own part of the interface: settings hidden and revealed for every device that watches."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter
from pydantic import Field

from daemon.web.needs import With
from daemon.web.shapes import Sent

router = APIRouter(prefix="/api", tags=["board"])


class ToHide(Sent):
    """``revealed``: the last frame whose settings are told; left out: all but the newest picture's."""

    hidden: bool
    revealed: Annotated[int, Field(ge=0, le=2**31)] | None = None


@router.get("/board")
def board(needs: With) -> dict[str, Any]:
    """Whether settings are ``hidden`` from those who watch, the last frame ``revealed``, and the newest ``run``."""
    return needs.hiding.as_json() | {"run": needs.service.running() or needs.searches.last_run()}


@router.put("/board")
def hide(asked: ToHide, needs: With) -> dict[str, Any]:
    """Hide settings from those who watch, or reveal them: up to the frame that is named, or all."""
    if asked.hidden:
        newest = max(needs.searches.newest_picture() - 1, 0)
        needs.hiding.hide(newest if asked.revealed is None else asked.revealed)
    else:
        needs.hiding.show()
    needs.service.changed()
    return board(needs)
