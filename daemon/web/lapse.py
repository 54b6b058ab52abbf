"""The watch over a time-lapse: how it stands, and its film so far as a strip that a page plays."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query, Response

from daemon.errors import UsageError
from daemon.rows import StepRow
from daemon.tables import plain
from daemon.web.errors import Refused
from daemon.web.needs import Needs, Which, With

router = APIRouter(prefix="/api", tags=["runs"])

WAIT_S = 10.0
_Frame = Annotated[int | None, Query(ge=0, le=2**31)]


@router.get("/runs/{run}/timelapse")
def run_timelapse(
    run: Which, needs: With, before: _Frame = None, limit: Annotated[int, Query(ge=1, le=500)] = 200
) -> dict[str, Any]:
    """The run's time-lapse: light, settings, forecast to the end, its course, what the controller thinks.

    ``newest`` is a page of frames, newest page first; ``next``: what to send as ``before``, null at the end. ``film``:
    the frames on the strip of the film so far, and its address.
    """
    from daemon.filming import film_so_far
    from daemon.lapse_view import lapse_view
    from daemon.pictures.film.strip import COLUMNS, MOST

    number = needs.searches.run(run).id
    row = _row(needs, number)
    with needs.heavy("timelapse"):
        found: dict[str, Any] = plain(lapse_view(needs.service.store, number, limit, before))
        shown = [one.number - 1 for one in film_so_far(needs.service.store, row.id, MOST)]
    address = f"/api/runs/{number}/timelapse/film?upto={shown[-1]}" if shown else None
    return found | {"film": {"frames": shown, "columns": COLUMNS, "address": address}}


@router.get("/runs/{run}/timelapse/film")
def film_strip(run: Which, needs: With, upto: _Frame = None) -> Response:
    """The film so far as one JPEG: small frames in rows, evenly from the first to ``upto``; its steps are smoothed.

    202 while it is made; ask again. Which frames are on it stands under ``film`` of the time-lapse.
    """
    from daemon.filming import film_so_far
    from daemon.pictures.film.strip import MOST, strip

    number = needs.searches.run(run).id
    store, row = needs.service.store, _row(needs, number)
    frames = film_so_far(store, row.id, MOST, upto)
    if not frames:
        raise Refused(404, f"film so far of run {number}", "no picture yet", "one at home", "Ask again later")
    key = ("strip", row.id, frames[0].number, frames[-1].number, len(frames))
    is_made, picture = needs.strips.get(key, lambda: strip(frames, needs.tiles), WAIT_S)
    if not is_made:
        return Response(status_code=202, headers={"retry-after": "2", "cache-control": "no-store"})
    return Response(picture, media_type="image/jpeg", headers={"cache-control": "private, max-age=60"})


def _row(needs: Needs, number: int) -> StepRow:
    from daemon.lapse_view import lapse_row

    try:
        return lapse_row(needs.service.store, number)
    except UsageError:
        raise Refused(
            404, f"time-lapse of run {number}", "none in its plan", "a run that has one", "Ask for another"
        ) from None
