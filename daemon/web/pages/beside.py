"""What the page keeps beside the record: regions marked on a run's reference picture, and the time to leave.

Regions lie in the run's folder as ``regions.json``; the time to leave lies with the service's own state. Both are small
files that are whole or absent.
"""

from __future__ import annotations

import json
import threading
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

from fastapi import APIRouter
from pydantic import Field, model_validator

from daemon.places import state_folder, write_private
from daemon.rows import RunRow
from daemon.web.errors import Refused
from daemon.web.needs import Needs, Which, With
from daemon.web.pages.outline import leave_by
from daemon.web.shapes import Sent

router = APIRouter(prefix="/api", tags=["page"])

REGIONS, LEAVE = "regions.json", "leave-by.json"
_LOCK = threading.Lock()
Share = Annotated[float, Field(ge=0, le=1)]


class Region(Sent):
    """A rectangle on a picture for a named subject, in shares of the frame's width and height, upright."""

    subject: Annotated[str, Field(min_length=1, max_length=80)]
    left: Share
    top: Share
    width: Annotated[float, Field(gt=0, le=1)]
    height: Annotated[float, Field(gt=0, le=1)]

    @model_validator(mode="after")
    def _inside(self) -> Region:
        if self.left + self.width > 1.000001 or self.top + self.height > 1.000001:
            raise ValueError("a region must lie within the frame: left + width and top + height at most 1")
        return self


class ToMark(Sent):
    """All regions of a run; those kept before are replaced. ``frame``: the picture they were marked on."""

    frame: Annotated[int, Field(ge=1, le=2**31)]
    regions: Annotated[list[Region], Field(max_length=50)]


class ToLeave(Sent):
    """When everybody must be gone, an aware time; null: no alarm."""

    at: datetime | None
    why: Annotated[str, Field(max_length=200)] = ""


@router.get("/runs/{run}/regions")
def regions(run: Which, needs: With) -> dict[str, Any]:
    """The regions marked on a run's reference picture."""
    row = needs.searches.run(run)
    return {"run": row.id, "frame": None, "regions": []} | _read(_regions_file(needs, row))


@router.put("/runs/{run}/regions")
def mark(run: Which, asked: ToMark, needs: With) -> dict[str, Any]:
    """Keep the regions of a run."""
    row = needs.searches.run(run)
    if needs.searches.frame(asked.frame)["run"] != row.id:
        raise Refused(
            422, f"regions of run {row.id}", f"frame {asked.frame} of another run", "a frame of this run", "Mark on one"
        )
    path = _regions_file(needs, row)
    if not path.parent.is_dir():
        raise Refused(
            404, f"regions of run {row.id}", "no folder of the run", "one that is there", "Run: stopwright verify"
        )
    tree = {"run": row.id} | asked.model_dump(mode="json")
    with _LOCK:
        write_private(path, json.dumps(tree, indent=2) + "\n")
    return tree


@router.get("/leave")
def leaving(needs: With) -> dict[str, Any]:
    """When everybody must be gone: ``at`` as set on a page, ``brief_at`` by the brief of the run going on; UTC."""
    return {"at": None, "why": ""} | _read(_leave_file(needs)) | {"brief_at": _of_run(needs, needs.service.running())}


@router.put("/leave")
def set_leaving(asked: ToLeave, needs: With) -> dict[str, Any]:
    """Set the time to leave, for every page; null takes it away."""
    if asked.at is not None and asked.at.tzinfo is None:
        raise Refused(422, "leave", "a time without a zone", "a time with one", "Write 2026-10-20T18:00:00+01:00")
    tree = asked.model_dump(mode="json")
    with _LOCK:
        write_private(_leave_file(needs), json.dumps(tree) + "\n")
    needs.service.changed()
    return tree


def _of_run(needs: Needs, run: int | None) -> str | None:
    known = needs.service.store.logbook.run_plans(run) if run is not None else []
    return _of_plan(needs, known[-1].plan_hash, known[-1].run_id) if known else None


_KNOWN: dict[str, str | None] = {}


def _of_plan(needs: Needs, plan_hash: str, run: int) -> str | None:
    """Each plan is read once: every page asks every few seconds."""
    if plan_hash not in _KNOWN:
        from plans.explain import brief_of

        if len(_KNOWN) > 100:
            _KNOWN.clear()
        _KNOWN[plan_hash] = leave_by(brief_of(needs.service.store.logbook.plan(run)))
    return _KNOWN[plan_hash]


def _regions_file(needs: Needs, row: RunRow) -> Path:
    return needs.service.store.files.path(row.folder) / REGIONS


def _leave_file(needs: Needs) -> Path:
    return state_folder(needs.service.store.path) / LEAVE


def _read(path: Path) -> dict[str, Any]:
    with suppress(OSError, ValueError):
        found = json.loads(path.read_text(encoding="utf-8"))
        if isinstance(found, dict):
            return found
    return {}
