"""The check frame: one after hands touched the rig, before anything counts."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from plans import hands
from plans.exposure import magnification_loss
from plans.goals.situation import Situation
from plans.plan import ControlStep, FilterValue, Settings, mark_value
from plans.solver import State

LONGEST_S = 0.25  # a check should not keep anybody waiting; longer only where nothing shorter comes out right


def check_step(
    situation: Situation, step_id: str, at: Settings, state: State, after: hands.Action
) -> ControlStep | None:
    """A frame that should come out right with the rig as it stands; None when none can.

    Parameters
    ----------
    situation
        Kit, scene and light.
    at
        Settings of a frame to come: its filters, focus and focal length.
    state
        The same for the solver.
    after
        What hands did.
    """
    focal = at.focal_length_mm or situation.focal_mm
    there = situation if at.focal_length_mm is None else situation.with_focal_length(focal)
    ground = situation.ground
    found = ground.survivors(magnification_loss(there.magnification(at.focus.distance_m)))
    rows = np.flatnonzero(found.filters == ground.stacks.index(state.filters))
    if not rows.size:
        return None
    times, apertures, isos = (ground.scale(kind).marks for kind in ("time", "aperture", "iso"))
    short = np.array([mark.exact <= LONGEST_S for mark in times])[found.time[rows]]
    # Cheapest first as the solver counts; where all are long, the shortest.
    row = int(rows[np.flatnonzero(short)[0]] if short.any() else rows[np.argmin(found.time[rows])])
    filters: Sequence[FilterValue] = at.filters
    return ControlStep(
        id=step_id,
        purpose="check",
        settings=Settings(
            aperture=mark_value(apertures[int(found.aperture[row])]),
            time=mark_value(times[int(found.time[row])]),
            iso=mark_value(isos[int(found.iso[row])]),
            filters=tuple(filters),
            focus=at.focus,
            focal_length_mm=at.focal_length_mm,
        ),
        predicted_ev100=situation.ev100,
        text=hands.check_text(after),
    )
