"""Runs: begin, go on, command, look through."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Response

from daemon.errors import StopwrightError
from daemon.feed import Command
from daemon.rows import RunRow
from daemon.service import Job, Order
from daemon.tables import plain
from daemon.web.errors import Refused
from daemon.web.needs import Needs, Number, Watches, Which, With
from daemon.web.papers import MOST, Answered, lesson_files, tally, verdict_key
from daemon.web.planning import plan_tree
from daemon.web.shapes import ToCommand, ToResume, ToShoot

router = APIRouter(prefix="/api", tags=["runs"])

BEGUN_WITHIN_S = 20.0  # so long an order is waited for before "opening" is the answer [s]
GoalWord = Literal[
    "freeze", "silk", "isolate", "deep", "compare", "ladder", "bracket", "noise", "faults", "perspective", "polariser",
    "focus-bracket", "timelapse",
]  # fmt: skip
After = Annotated[int, Query(ge=0, le=2**62, description="The last number of the page before")]


@router.get("/state")
def state(needs: With, watches: Watches) -> dict[str, Any]:
    """What goes on now: run, job, open question, progress, the verbs a run takes; ``at``: where events stand;
    ``board``: as ``/api/board``."""
    event, frame = needs.searches.ends()
    told = needs.service.state()
    told = needs.hiding.state(told) if watches else told
    return told | {"at": f"{event}-{frame}", "board": needs.hiding.as_json()}


@router.post("/runs", status_code=201)
def shoot(asked: ToShoot, needs: With, response: Response) -> dict[str, Any]:
    """Begin a run of a brief or plan. 201 with its number; 202 while the camera is waited for; the same id, the same
    run."""
    return _begun(needs, response, Order(
        asked.id, asked.brief.written(), None, asked.camera, asked.operator, asked.composed, asked.reachable,
        asked.patience_s, asked.manners,
    ))  # fmt: skip


@router.post("/runs/{run}/resume", status_code=201)
def resume(run: Which, asked: ToResume, needs: With, response: Response) -> dict[str, Any]:
    """Go on with a run that stopped; answers as for a new one."""
    found = needs.searches.run(run)
    return _begun(needs, response, Order(
        asked.id, None, str(found.id), asked.camera, asked.operator, False, asked.reachable, asked.patience_s,
        asked.manners,
    ))  # fmt: skip


@router.post("/runs/{run}/commands")
def command(run: Which, asked: ToCommand, needs: With) -> dict[str, Any]:
    """Send a command to the run going on. The same id acts once and is told as ``repeated``."""
    number = needs.searches.run(run).id
    sent = Command(asked.id, asked.verb, asked.data)
    return needs.service.command(number, sent, asked.data)


@router.get("/jobs/{job}")
def job(job: str, needs: With) -> dict[str, Any]:
    """What became of an order, by its id."""
    found = needs.service.find_job(job)
    if found is None:
        raise Refused(404, f"job {job[:40]!r}", "no order of this id", "an id that was sent", "List the runs")
    return _job_tree(found)


@router.get("/runs")
def runs(
    needs: With,
    search: Annotated[str, Query(max_length=200, description="Words in title, camera, operator or note")] = "",
    state: Annotated[list[Literal["running", "interrupted", "paused", "done", "abandoned"]] | None, Query()] = None,
    since: Annotated[datetime | None, Query(description="Begun at or after; an aware time")] = None,
    until: Annotated[datetime | None, Query(description="Begun before")] = None,
    before: Annotated[int | None, Query(ge=1, le=2**31, description="The last number of the page before")] = None,
    goal: Annotated[GoalWord | None, Query(description="A goal of the brief")] = None,
    subject: Annotated[str, Query(max_length=80, description="Words in a subject's name")] = "",
    kit: Annotated[str, Query(max_length=80, description="Words in the names of body, lens, filters")] = "",
    verdict: Annotated[Answered | None, Query(description="Among the runs of this page that are judged")] = None,
    limit: Annotated[int, Query(ge=1, le=200)] = 50,
) -> dict[str, Any]:
    """Runs, newest first. ``next``: what to send as ``before`` for the next page, null at the end. ``verdicts``: how
    many of each answer a judged run has. ``verdict`` leaves of the page what is judged and has one;
    ``unjudged``: what the page has beside them: ask for ``/api/runs/{run}/verdicts`` of each, then for the page again.
    """
    asked = {"running" if one == "interrupted" else one for one in state or ()}
    times = [_aware(one, name) for one, name in ((since, "since"), (until, "until"))]
    found = needs.searches.runs(search, sorted(asked), times[0], times[1], before, limit, goal or "", subject, kit)
    told = [_run_tree(needs, row) for row in found]
    if state:
        told = [one for one in told if one["state"] in state]
    pictures = needs.searches.pictures([row.id for row in found])
    for one in told:
        one["pictures"] = pictures.get(one["run"], 0)
        judged = needs.makings.known(verdict_key(one["run"], one["pictures"]))
        one["verdicts"] = None if judged is None else tally(judged)
    unjudged = [one["run"] for one in told if one["verdicts"] is None and 0 < one["pictures"] <= MOST]
    if verdict is not None:
        told = [one for one in told if one["verdicts"] and one["verdicts"][verdict]]
    return {"runs": told, "next": found[-1].id if len(found) == limit else None, "unjudged": unjudged}


@router.get("/runs/{run}")
def run_detail(run: Which, needs: With) -> dict[str, Any]:
    """One run with its counts and revisions; its steps, frames, readings and events are pages of their own."""
    found = needs.searches.run(run)
    revisions = needs.service.store.logbook.run_plans(found.id)
    return _run_tree(needs, found) | {
        "note": found.note,
        "folder": str(needs.service.store.files.path(found.folder)),
        "counts": needs.searches.counts(found.id),
        "revisions": [plain(row) for row in revisions],
        "sheets": _sheets(needs, found),
        "lesson": lesson_files(needs, found),
    }


@router.get("/runs/{run}/report")
def run_report(run: Which, needs: With) -> dict[str, Any]:
    """The run as ``stopwright runs RUN --json`` has it: each picture of the plan with what was measured, and doubts."""
    from daemon.report import report

    found = needs.searches.run(run)
    with needs.heavy("report"):
        return report(needs.service.store, found.id).as_json() | {"state": _state_now(needs, found)}


@router.get("/runs/{run}/plan")
def run_plan(run: Which, needs: With, revision: Annotated[int | None, Query(ge=1, le=10000)] = None) -> dict[str, Any]:
    """The plan of a run; ``revision`` left out: the one in force."""
    number = needs.searches.run(run).id
    known = [row.revision for row in needs.service.store.logbook.run_plans(number)]
    if not known or revision not in (None, *known):
        raise Refused(
            404, f"plan of run {number}", f"no revision {revision or ''}".strip(), f"{known or 'none yet'}",
            "Ask for one of them",
        )  # fmt: skip
    return {
        "run": number,
        "revision": revision or known[-1],
        "plan": plan_tree(needs.service.store.logbook.plan(number, revision)),
    }


@router.get("/runs/{run}/steps")
def steps(
    run: Which, needs: With, after: After = 0, limit: Annotated[int, Query(ge=1, le=1000)] = 500,
    revision: Annotated[int | None, Query(ge=1, le=10000)] = None,
) -> dict[str, Any]:  # fmt: skip
    """Steps of a run. ``next``: what to send as ``after``."""
    found = needs.searches.steps(needs.searches.run(run).id, after, limit, revision)
    return {"steps": [plain(row) for row in found], "next": found[-1].id if len(found) == limit else None}


@router.get("/runs/{run}/frames")
def frames(
    run: Which, needs: With, watches: Watches, after: After = 0, limit: Annotated[int, Query(ge=1, le=500)] = 100,
    role: Literal["picture", "control", "unasked"] | None = None,
    verified: Literal["as planned", "not as planned", "unverified"] | None = None,
) -> dict[str, Any]:  # fmt: skip
    """Frames of a run, each with its step, files and newest reading. ``next``: what to send as ``after``."""
    found = needs.searches.frames(needs.searches.run(run).id, after, limit, role, verified)
    told = [needs.hiding.frame(one) for one in found] if watches else found
    return {"frames": plain(told), "next": found[-1]["frame"] if len(found) == limit else None}


@router.get("/frames/{frame}")
def frame(frame: Number, needs: With, watches: Watches) -> dict[str, Any]:
    """One frame."""
    found = needs.searches.frame(frame)
    told: dict[str, Any] = plain(needs.hiding.frame(found) if watches else found)
    return told


@router.get("/runs/{run}/readings")
def readings(
    run: Which, needs: With, after: After = 0, limit: Annotated[int, Query(ge=1, le=1000)] = 500
) -> dict[str, Any]:
    """What was measured on the frames of a run, oldest first."""
    found = needs.searches.readings(needs.searches.run(run).id, after, limit)
    return {"readings": [plain(row) for row in found], "next": found[-1].id if len(found) == limit else None}


@router.get("/runs/{run}/events")
def events(
    run: Which, needs: With, after: After = 0, limit: Annotated[int, Query(ge=1, le=1000)] = 500
) -> dict[str, Any]:
    """What happened in a run, oldest first. Live events: ``/api/events``."""
    found = needs.searches.events(needs.searches.run(run).id, after, limit)
    return {"events": [plain(row) for row in found], "next": found[-1].id if len(found) == limit else None}


def _begun(needs: Needs, response: Response, order: Order) -> dict[str, Any]:
    job = needs.service.order(order)
    job.begun.wait(BEGUN_WITHIN_S)
    if job.run is None and job.error is not None:
        raise job.error
    if job.run is None:
        response.status_code = 202
    return _job_tree(job)


def _job_tree(job: Job) -> dict[str, Any]:
    error = job.error
    told = None if error is None else error.as_json() if isinstance(error, StopwrightError) else {"error": "Fault"}
    return {"id": job.order.id, "run": job.run, "state": job.state, "notes": job.notes, "error": told}


def _state_now(needs: Needs, row: RunRow) -> str:
    """As the logbook has it; this process is the only one that shoots, so what it does not shoot is interrupted."""
    return "interrupted" if row.state == "running" and row.id != needs.service.running() else row.state


def _run_tree(needs: Needs, row: RunRow) -> dict[str, Any]:
    return {
        "run": row.id,
        "title": row.title,
        "state": _state_now(needs, row),
        "created": row.created.isoformat(),
        "ended": row.ended.isoformat() if row.ended else None,
        "camera": row.camera_model,
        "port": row.camera_port,
        "operator": row.operator,
    }


def _sheets(needs: Needs, row: RunRow) -> list[str]:
    from daemon.web.pictures import sheet_names

    return [f"/api/runs/{row.id}/sheet/{name}" for name in sheet_names(needs, row)]


def _aware(when: datetime | None, name: str) -> datetime | None:
    if when is not None and when.tzinfo is None:
        raise Refused(
            422, name, "a time without a zone", "a time with one", "Write 2026-10-20T18:00:00+01:00, or with Z"
        )
    return when
