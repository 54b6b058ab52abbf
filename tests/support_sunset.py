"""A simulated sunset, shot as a time-lapse through the real camera library on a turned clock, and made into a film.

The garden is rendered, and not drawn as bars of grey: even areas without any noise show the rounding of 8-bit pictures,
up to 0.015 stop from frame to frame, and no camera makes such pictures.
"""

from __future__ import annotations

import math
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image
from support_film import film_levels, flicker
from support_lapse import lapse_of, lapse_plan
from support_run import rig
from support_simulator import simulated_camera

from daemon import schedule_clock
from daemon.feed import Event
from daemon.filming import film_frames
from daemon.pictures.film.frames import FilmFrame, Look
from daemon.pictures.film.making import make_film
from daemon.rows import LapseRow
from plans.light_control import State
from plans.smoothing import step_gains

INTERVAL_S = 20.0
SIZE = (240, 160)
FROM_EV = 12.0
STEEPEST = 0.085  # stops a frame, 0.26 stop a minute: as fast as light falls at 51 degrees in October (simulated)
SMALL = Look(size=(320, 180), rate=25)
CLIPPED = 254  # a pixel with a channel from this code on
MOST_CLIPPED = 0.01  # of its pixels; a frame with more is clipped. Less are glints on the water of a frame as planned


def light_at(frame: float, frames: int) -> float:
    """The light of this sunset [EV100]: it hardly falls at first, steeply in the middle, and settles at the end."""
    share = min(max(frame / max(frames - 1, 1), 0.0), 1.0)
    depth = STEEPEST * frames * 2 / 3  # 3x^2 - 2x^3 is steepest in the middle, 1.5 times its mean
    return FROM_EV - min(depth, 11.0) * share * share * (3 - 2 * share)


@dataclass(frozen=True)
class Sunset:
    """What came of it. ``rows`` of the logbook; ``film`` as `film_frames` gives them; ``exposures`` by the camera."""

    rows: list[LapseRow]
    film: list[FilmFrame]
    counts: dict[str, Any]
    exposures: int
    outcome: str
    wall_s: float
    truth: np.ndarray

    @property
    def worst_late_s(self) -> float:
        return max(row.late_s for row in self.rows if row.late_s is not None)

    def most_clipped(self) -> float:
        """The largest share of clipped pixels in any frame."""
        shares = []
        for frame in self.film:
            with Image.open(frame.path) as picture:
                codes = np.asarray(picture.convert("RGB"))
            shares.append(float(np.mean(codes.max(axis=2) >= CLIPPED)))
        return max(shares)


@contextmanager
def _turned(folder: Path) -> Iterator[tuple[Path, dict[str, str]]]:
    clock = folder / "clock"
    variables = schedule_clock.make(clock)
    before = os.environ.get(schedule_clock.VARIABLE)
    os.environ.update(variables)
    try:
        yield clock, variables
    finally:
        os.environ.pop(schedule_clock.VARIABLE)
        if before is not None:
            os.environ[schedule_clock.VARIABLE] = before


def shoot_sunset(
    folder: Path,
    frames: int,
    size: tuple[int, int] = SIZE,
    jitter: float = 0.0,
    seed: int = 1,
    in_haste: bool = True,
) -> Sunset:
    """Shoot it: simulated camera, PTP/IP, libgphoto2 in the camera process, runner, logbook.

    The clock is turned when a frame is at home and measured, and not before, so that a slow machine makes the sunset
    take longer and not the readings come late. ``jitter``: how uneven the shutter is, as that much more or less light
    in a frame, which is the same to a sensor. [stops] ``in_haste``: to shortly before the tick, so that whether frames
    are on time tells nothing; else to where the runner begins to prepare the frame.
    """
    plan = lapse_plan(frames, INTERVAL_S, light=FROM_EV)
    uneven = np.random.default_rng(seed).normal(0.0, jitter, frames)
    began = time.monotonic()
    with (
        _turned(folder) as (clock, variables),
        # On mains power: its battery is empty after some 770 frames, and then it rightly takes no more.
        simulated_camera(light=FROM_EV, size=size, render="scene", thirst=0.0, environment=variables) as simulator,
        rig(folder, simulator) as made,
    ):

        def follow(event: Event) -> None:
            if event.kind == "lapse-waiting":
                frame = event.data["frame"]
                made.hands.light(light_at(frame, frames) + uneven[frame])
                in_s, wait_s = event.data["in_s"], event.data["wait_s"]
                schedule_clock.turn(clock, max(0.0, in_s - 0.12 if in_haste else wait_s))

        made.on_event = follow
        found = made.shoot(plan)
        logbook = made.store.logbook
        (step,) = (row for row in logbook.steps(found.run.id) if row.kind == "timelapse")
        return Sunset(
            rows=logbook.lapse_frames(step.id),
            film=film_frames(made.store, found.run),
            counts=found.counts,
            exposures=made.hands.state()["exposures"],
            outcome=f"{step.outcome}: {step.outcome_why}",
            wall_s=time.monotonic() - began,
            truth=np.array([light_at(frame, frames) for frame in range(lapse_of(plan).frames)]),
        )


def film_flicker(sunset: Sunset, place: Path, look: Look = SMALL) -> float:
    """Make the film; its flicker. [stops]"""
    make_film(sunset.film, place, look)
    return flicker(film_levels(place))


def as_taken(look: Look = SMALL) -> Look:
    """The same film without smoothing."""
    return replace(look, smooth=False, steady=False)


def steps_only(look: Look = SMALL) -> Look:
    """The same film with the steps of the settings taken out, and nothing else."""
    return replace(look, steady=False)


def without_pictures(sunset: Sunset) -> float:
    """The flicker by arithmetic alone, of the light and the smoothed steps: what no picture is to blame for. [stops]"""
    given = np.array([frame.settings.given for frame in sunset.film])
    light = sunset.truth[[frame.number - 1 for frame in sunset.film]]
    shown = light + given + step_gains(given)
    return flicker(np.repeat(shown[:, None], 100, axis=1))


def largest_error(sunset: Sunset) -> float:
    """How far the controller's idea of the light lay from the truth, at worst. [stops]"""
    errors = [
        abs(State.from_json(row.state).level - sunset.truth[row.frame]) for row in sunset.rows if row.state is not None
    ]
    return max(errors) if errors else math.inf
