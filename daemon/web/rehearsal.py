"""A brief's pictures drawn beforehand. Made in a thread, small, and kept by what they were drawn from."""

from __future__ import annotations

import base64
import hashlib
from typing import TYPE_CHECKING, Any

from fastapi import APIRouter, Response

from daemon.rehearsing import find_rehearse
from daemon.texts import stand_in_scales
from daemon.web.needs import With
from daemon.web.shapes import Brief

if TYPE_CHECKING:
    from daemon.rehearsing import Rehearsed

router = APIRouter(prefix="/api", tags=["planning"])

WIDTH = 320  # of the pictures; on a phone's screen they stand beside the steps [px]
WAIT_S = 10.0  # so long a request is held before "making" is the answer [s]


@router.post("/rehearsal")
def rehearsal(asked: Brief, needs: With, response: Response) -> dict[str, Any]:
    """The pictures that a brief would give, drawn: ``pictures`` by step as JPEG data, ``unknown``: what they cannot
    tell. 202 and ``making`` while that lasts: send it again. 400 where no simulated scene is installed.
    """
    from plans.plan import plan_json

    make, written = find_rehearse(), asked.written()
    stands_in = written.needs_camera()
    with needs.heavy("rehearsal"):
        plan = written.plan(stand_in_scales() if stands_in else None)
    key = "rehearsal", hashlib.sha256(plan_json(plan).encode()).hexdigest()
    there, made = needs.rehearsals.get(key, lambda: make(plan, WIDTH), WAIT_S)
    if not there:
        response.status_code = 202
        return {"making": True, "pictures": {}, "mapped": [], "unknown": [], "beware": {}, "stands_in": stands_in}
    return {"making": False, "stands_in": stands_in} | _tree(made)


def _tree(made: Rehearsed) -> dict[str, Any]:
    drawn = {step: base64.b64encode(content).decode("ascii") for step, content in made.pictures.items()}
    return {
        "pictures": {step: f"data:image/jpeg;base64,{text}" for step, text in drawn.items()},
        "mapped": list(made.mapped),
        "unknown": list(made.unknown),
        "beware": dict(made.beware),
    }
