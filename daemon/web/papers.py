"""Verdicts on a run and papers made of it. Both take a while: made in a thread, asked about until they are there."""

from __future__ import annotations

import hashlib
import json
import zipfile
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

from fastapi import APIRouter, Response
from fastapi.responses import FileResponse
from pydantic import Field

from daemon.errors import UsageError
from daemon.places import cache_folder
from daemon.rows import RunRow
from daemon.web.errors import Refused
from daemon.web.needs import Needs, Which, With
from daemon.web.shapes import Name, Sent

if TYPE_CHECKING:
    from daemon.pictures.judging.verdicts import Verdict

router = APIRouter(prefix="/api", tags=["pictures"])

Answered = Literal["shown", "not shown", "can't tell"]
WAIT_S = 10.0  # so long a request is held before "making" is the answer [s]
MOST = 1000  # pictures of a run that is judged or packed here; longer ones by the command, where nobody waits
SIDE = "side-by-side"
_FILES = {"lesson.zip": "application/zip", f"{SIDE}.html": "text/html"}


def verdict_key(run: int, pictures: int) -> tuple[str, int, int]:
    """Verdicts are those of so many pictures; one more, and they are worked out anew."""
    return "verdicts", run, pictures


def tally(told: list[Verdict]) -> dict[str, int]:
    """How many verdicts give each answer."""
    return {word: sum(one.answer == word for one in told) for word in ("shown", "not shown", "can't tell")}


@router.get("/runs/{run}/verdicts")
def verdicts(run: Which, needs: With, response: Response) -> dict[str, Any]:
    """Whether the run's pictures show what they were shot to show. 202 and ``making`` while it is worked out: ask
    again."""
    row = needs.searches.run(run)
    key = verdict_key(row.id, _pictures(needs, row, "verdicts", "stopwright judge"))

    def judge() -> list[Verdict]:
        from daemon.judging import Judge
        from daemon.report import report

        return Judge(report(needs.service.store, row.id)).verdicts()

    there, told = needs.makings.get(key, judge, WAIT_S)
    if not there:
        response.status_code = 202
        return {"run": row.id, "making": True, "counts": None, "verdicts": []}
    listed = [one.model_dump(mode="json") for one in told]
    return {"run": row.id, "making": False, "counts": tally(told), "verdicts": listed}


class ToPack(Sent):
    """What goes into a lesson pack. ``parts``: names of them, none for all (`daemon.pictures.teaching.pack.PARTS`);
    ``students``: name and text of each student's kit file; ``verdicts``: whether captions tell them."""

    parts: Annotated[list[Name], Field(max_length=20)] = Field(default_factory=list)
    students: dict[Name, Annotated[str, Field(max_length=200_000)]] = Field(default_factory=dict, max_length=60)
    verdicts: bool = True
    paper: Literal["A4", "Letter"] = "A4"


@router.post("/runs/{run}/lesson")
def make(run: Which, needs: With, response: Response, asked: ToPack | None = None) -> dict[str, Any]:
    """Make the run's lesson pack, which replaces the one before. 202 and ``making`` while that lasts: send it again.
    ``files``: where to get them; ``missing``: numbers of pictures whose files are not there; ``judged``: how many
    captions tell a verdict.
    """
    row, order = needs.searches.run(run), asked or ToPack()
    place = _place(needs, row, _pictures(needs, row, "lesson", "stopwright lesson"), order)

    def made_now() -> tuple[tuple[int, ...], int]:
        from daemon.judging import captions_of
        from daemon.lesson import make_lesson
        from daemon.report import report

        place.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        found = report(needs.service.store, row.id)
        judged = captions_of(found) if order.verdicts else {}
        try:
            made = make_lesson(found, place, order.parts, list(order.students.items()), judged, order.paper)
        except UsageError as error:
            told = str(error).replace("--student ", "kit file of ", 1).replace("--only", "parts", 1)
            raise UsageError(told) from None
        for old in place.parent.glob(f"run-{row.id}-*.zip"):
            if old != place:
                old.unlink(missing_ok=True)
        return made.missing, len(judged)

    key = "lesson", str(place)
    there, told = needs.makings.get(key, made_now, WAIT_S)
    if there and not place.is_file():  # replaced by another, or cleared away since
        needs.makings.forget(key)
        there, told = needs.makings.get(key, made_now, WAIT_S)
    if not there:
        response.status_code = 202
        return {"run": row.id, "making": True, "files": [], "missing": [], "judged": 0}
    missing, judged = told
    return {"run": row.id, "making": False, "files": _addresses(row), "missing": list(missing), "judged": judged}


@router.get("/runs/{run}/lesson/{name}", response_class=FileResponse)
def lesson(run: Which, name: str, needs: With) -> Response:
    """The lesson pack (``lesson.zip``), or of it the page that holds any two pictures against each other."""
    row = needs.searches.run(run)
    place = _newest(needs, row)
    if name not in _FILES or place is None:
        found = "no such file" if name not in _FILES else "none made of the pictures that are there now"
        raise Refused(404, f"lesson {name[:40]!r} of run {row.id}", found, ", ".join(_FILES), "Make the lesson first")
    called = f"run-{row.id}-{name}"
    if name == "lesson.zip":
        return FileResponse(place, media_type=_FILES[name], filename=called)
    try:
        with zipfile.ZipFile(place) as pack:
            page = pack.read(name)
    except (OSError, KeyError, zipfile.BadZipFile):
        raise Refused(404, f"lesson of run {row.id}", "a pack without it", "a whole pack", "Make it again") from None
    # For keeping, never to be run here: it has a script of its own.
    return Response(page, media_type=_FILES[name], headers={"content-disposition": f'attachment; filename="{called}"'})


def lesson_files(needs: Needs, row: RunRow) -> list[str]:
    """Where the papers of a run's lesson are, if they are made of the pictures that are there now."""
    return _addresses(row) if _newest(needs, row) else []


def _addresses(row: RunRow) -> list[str]:
    return [f"/api/runs/{row.id}/lesson/{name}" for name in _FILES]


def _folder(needs: Needs) -> Path:
    return cache_folder(needs.service.store.path) / "lessons"


def _place(needs: Needs, row: RunRow, pictures: int, order: ToPack) -> Path:
    """Another order, or one more picture, is another pack."""
    told = hashlib.sha256(json.dumps(order.model_dump(), sort_keys=True).encode()).hexdigest()[:16]
    return _folder(needs) / f"run-{row.id}-{pictures}-{told}.zip"


def _newest(needs: Needs, row: RunRow) -> Path | None:
    """The pack that was made last of the pictures that are there now."""
    made = [path for path in _folder(needs).glob(f"run-{row.id}-*.zip") if path.is_file()]
    if made:  # pictures are counted only for a run that has a pack
        pictures = needs.searches.pictures([row.id]).get(row.id, 0)
        made = [path for path in made if path.name.startswith(f"run-{row.id}-{pictures}-")]
    return max(made, key=lambda path: path.stat().st_mtime_ns, default=None)


def _pictures(needs: Needs, row: RunRow, what: str, command: str) -> int:
    count = needs.searches.pictures([row.id]).get(row.id, 0)
    if not 0 < count <= MOST:
        raise Refused(
            400, f"{what} of run {row.id}", f"{count} pictures", f"1 to {MOST}",
            f"Use {command} {row.id}" if count else "Shoot or resume it first",
        )  # fmt: skip
    return count
