"""Fog on the lens told on rendered pictures, by day and in the noise of the night."""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from support_scene import shot

from daemon.pictures.lasting import halved, lasting_detail
from daemon.pictures.likeness import grey_of
from hardware_mocks.scene import GardenRenderer
from hardware_mocks.script import Rig, SceneScript
from plans.light_control import Controller, Reading

DAY, NIGHT = (100.0, 0.0), (6400.0, -2.0)  # ISO, and how much darker than mid grey it is shown [stops]
THIRDS = tuple(n / 3 for n in range(-48, 25))


@cache
def renderer(veil: float) -> GardenRenderer:
    return GardenRenderer(script=SceneScript(rig=Rig(fog_from_s=-1000.0, fog_full_s=1.0, fog_veil=veil)))


@pytest.fixture
def seen(tmp_path: Path):
    """What two frames share at half their size, and what one has by itself: by veil, ISO and darkness. [halvings]"""

    @cache
    def look(veil: float, light: tuple[float, float]) -> tuple[float, float]:
        iso, darker = light
        pictures = []
        for number in (1, 2):
            ev100 = math.log2(2.8**2 / 8.0 * 100 / iso) + darker
            taken = shot(2.8, 8.0, iso, ev100=ev100, number=number, start_s=20.0 * number)
            Image.fromarray(renderer(veil).render(taken)).save(tmp_path / "frame.jpg", quality=92)
            pictures.append(grey_of(tmp_path / "frame.jpg"))
        two, one = lasting_detail(*map(halved, pictures)), lasting_detail(pictures[0], pictures[0])
        assert two is not None and one is not None
        return math.log2(two), math.log2(one)

    return look


def test_detail_that_frames_share_is_lost_by_fog_and_not_by_the_night(seen) -> None:
    clear, by_itself = seen(0.0, DAY)
    assert abs(seen(0.0, NIGHT)[0] - clear) < 0.3
    assert seen(0.6, DAY)[0] < clear - 1.0 and seen(0.6, NIGHT)[0] < clear - 1.0
    # One frame by itself: dawn would pass for fog, since the noise goes, and at night noise would hide the fog.
    assert seen(0.0, NIGHT)[1] - by_itself > 1.0
    assert seen(0.0, NIGHT)[1] - seen(0.6, NIGHT)[1] < 0.5


def test_a_night_with_dew_is_told_once_and_a_clear_one_with_its_dawn_is_not(seen) -> None:
    told = {}
    for name, dew in (("clear", 0.0), ("dew", 0.6)):
        controller = Controller(THIRDS)
        state, found = controller.start(3.0), []
        for n in range(480):  # from EV 3 down to -6 and up again, a frame each 20 s
            level = 3 - 9 * math.sin(math.pi * n / 480)
            share = (3 - level) / 9
            fogged = dew * float(np.clip((n - 200) / 60, 0, 1))  # within 20 min
            ends = [[seen(veil, light)[0] for light in (DAY, NIGHT)] for veil in (0.0, 0.6)]
            by_veil = [ends[veil][0] + share * (ends[veil][1] - ends[veil][0]) for veil in (0, 1)]
            detail = 2 ** (by_veil[0] + fogged / 0.6 * (by_veil[1] - by_veil[0]) if dew else by_veil[0])
            reading = Reading(n * 20.0, state.index, level + THIRDS[state.index], sharpness=detail)
            state, decision = controller.step(state, reading, (n + 1) * 20.0)
            found.append(decision.fogging)
        told[name] = found
    assert not any(told["clear"])
    begins = [n for n in range(1, 480) if told["dew"][n] and not told["dew"][n - 1]]
    assert len(begins) == 1 and 200 < begins[0] < 290


def test_pictures_that_share_nothing_tell_nothing() -> None:
    chance = np.random.default_rng(3)
    noise = [chance.normal(118, 20, (200, 300)).astype(np.float32) for _ in range(2)]
    assert lasting_detail(*noise) is None
    assert lasting_detail(noise[0], noise[1][:100]) is None
    assert lasting_detail(noise[0], noise[0]) is not None
