"""A camera that is turned moves near and far alike; one that is carried tells them apart, as a pinhole does.

Pictures are measured here with code of their own: the middle of the light of each lamp, told apart by where it can be.
"""

from __future__ import annotations

import io
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image
from support_scene import FOCAL_MM, SENSOR_WIDTH_MM, bare, shot

from hardware_mocks.card import Card
from hardware_mocks.hands import obey
from hardware_mocks.inprocess import InProcessCamera
from hardware_mocks.scene import GardenRenderer
from hardware_mocks.script import Bump, Rig, SceneScript, Target
from hardware_mocks.shot import Stand
from hardware_mocks.truth import truth

WIDTH, HEIGHT = 1500, 1000
NEAR_M, FOCUS_M, FAR_M = 2.0, 3.0, 8.0
NEAR = Target("near", "dot", 0.35, 0.3, 2.0, 60.0, NEAR_M)
FAR = Target("far", "dot", 0.65, 0.7, 2.0, 60.0, FAR_M)
BAR_PX = 0.3


def pinhole_px(aside_m: float, distance_m: float) -> float:
    """v t / d: image distance v = f s / (s - f) of a thin lens, over the distance between pixels. [px]"""
    image_mm = FOCAL_MM * FOCUS_M * 1000 / (FOCUS_M * 1000 - FOCAL_MM)
    return image_mm * aside_m / distance_m / (SENSOR_WIDTH_MM / WIDTH)


def middles(stand: Stand, **script: Any) -> dict[str, NDArray[np.float64]]:
    """Where the middle of each lamp's light falls: the near one above, the far one below. [px]"""
    taken = shot(16.0, script.pop("time_s", 1 / 128), focus_m=FOCUS_M, size=(WIDTH, HEIGHT), stand=stand)
    light = bare(NEAR, FAR, **script).exact(taken)[..., 1].astype(np.float64)
    found = {}
    for name, rows in (("near", slice(0, HEIGHT // 2)), ("far", slice(HEIGHT // 2, HEIGHT))):
        part = light[rows]
        total = part.sum()
        y = np.arange(part.shape[0]) + rows.start + 0.5
        found[name] = np.array([part.sum(0) @ (np.arange(WIDTH) + 0.5), part.sum(1) @ y]) / total
    return found


def shifts(stand: Stand, **script: Any) -> dict[str, NDArray[np.float64]]:
    first, now = middles(Stand()), middles(stand, **script)
    return {name: now[name] - first[name] for name in first}


@pytest.mark.parametrize(("right_m", "lower_m"), [(0.004, 0.0), (-0.05, 0.02), (0.0, 0.03)])
def test_a_carried_camera_moves_near_and_far_as_a_pinhole_does(right_m: float, lower_m: float) -> None:
    found = shifts(Stand(right_m=right_m, lower_m=lower_m))
    for name, distance_m in (("near", NEAR_M), ("far", FAR_M)):
        wanted = -pinhole_px(right_m, distance_m), -pinhole_px(lower_m, distance_m)
        assert found[name] == pytest.approx(wanted, abs=BAR_PX)
    told = truth(
        bare(NEAR, FAR), shot(16.0, focus_m=FOCUS_M, size=(WIDTH, HEIGHT), stand=Stand((0, 0), right_m, lower_m))
    )
    assert told["near"].shift_px == pytest.approx(tuple(found["near"]), abs=BAR_PX)
    # The control: far things do not go with near ones, which a picture moved as a whole would have them do.
    assert found["far"] != pytest.approx(found["near"], abs=BAR_PX)


def test_a_turned_camera_moves_near_and_far_alike() -> None:
    found = shifts(Stand(looks=(0.02, -0.01)))
    for name in ("near", "far"):
        assert found[name] == pytest.approx((-0.02 * WIDTH, 0.01 * HEIGHT), abs=BAR_PX)
    assert found["near"] != pytest.approx(found["far"] * FAR_M / NEAR_M, abs=BAR_PX)


def test_a_camera_carried_nearer_enlarges_near_things_more() -> None:
    first, now = middles(Stand()), middles(Stand(nearer_m=0.3))
    middle = np.array([WIDTH / 2, HEIGHT / 2])
    for name, distance_m in (("near", NEAR_M), ("far", FAR_M)):
        grown = distance_m / (distance_m - 0.3)
        assert now[name] - middle == pytest.approx((first[name] - middle) * grown, abs=BAR_PX)
    as_a_whole = FOCUS_M / (FOCUS_M - 0.3)
    assert now["near"] - middle != pytest.approx((first["near"] - middle) * as_a_whole, abs=BAR_PX)


def test_a_knock_that_shifts_the_tripod_and_one_that_turns_it_are_told_apart() -> None:
    shifted = shifts(Stand(), rig=Rig(bumps=(Bump(-1.0, right_mm=6.0),)))
    turned = shifts(Stand(), rig=Rig(bumps=(Bump(-1.0, right_mrad=2.0),)))
    for name, distance_m in (("near", NEAR_M), ("far", FAR_M)):
        assert shifted[name][0] == pytest.approx(pinhole_px(0.006, distance_m), abs=BAR_PX)
        assert turned[name][0] == pytest.approx(pinhole_px(0.002, 1.0), abs=BAR_PX)  # an angle: t / d = 2 mrad


def test_a_creeping_shift_draws_near_things_out_more_than_far_ones() -> None:
    creep = Rig(creep_mm_per_min=(30.0, 0.0))  # 6 mm in 12 s
    found, stood = {}, {}
    for rig, into in ((creep, found), (Rig(), stood)):
        taken = shot(16.0, 12.0, focus_m=FOCUS_M, size=(WIDTH, HEIGHT))
        light = bare(NEAR, FAR, rig=rig).exact(taken)[..., 1].astype(np.float64)
        for name, rows in (("near", slice(0, HEIGHT // 2)), ("far", slice(HEIGHT // 2, HEIGHT))):
            across = light[rows].sum(0)
            x = np.arange(WIDTH) + 0.5
            middle = across @ x / across.sum()
            into[name] = across @ (x - middle) ** 2 / across.sum()
    for name, distance_m in (("near", NEAR_M), ("far", FAR_M)):  # a line of length L has the variance L^2/12
        length = math.sqrt(12 * (found[name] - stood[name]))
        assert length == pytest.approx(pinhole_px(0.006, distance_m), abs=BAR_PX)
    told = truth(bare(NEAR, FAR, rig=creep), shot(16.0, 12.0, focus_m=FOCUS_M, size=(WIDTH, HEIGHT)))
    assert told["near"].smear_px == pytest.approx(pinhole_px(0.006, NEAR_M), abs=BAR_PX)
    assert told["far"].rig_smear_px == pytest.approx(pinhole_px(0.006, FAR_M), abs=BAR_PX)


def test_a_near_card_comes_to_hide_the_far_lamp_and_never_the_other_way_round() -> None:
    lamp = Target("lamp", "dot", 0.5, 0.5, 2.0, 60.0, FAR_M)
    card = Target("card", "card", 0.44, 0.5, 120.0, 0.1, NEAR_M)

    def lamplight(right_m: float) -> float:
        taken = shot(16.0, focus_m=FOCUS_M, size=(WIDTH, HEIGHT), stand=Stand(right_m=right_m))
        return float(bare(lamp, card).exact(taken)[..., 1].max())

    # The lamp stands 30 px beside the card. Carried to the left, the card goes to the right by 0.75 of its own shift
    # more than the lamp does.
    enough = 60 / (pinhole_px(1.0, NEAR_M) - pinhole_px(1.0, FAR_M))
    assert lamplight(0.0) > 5 > 0.5 > lamplight(-enough)
    assert lamplight(enough) > 5


def test_what_the_camera_has_passed_is_no_longer_in_the_picture() -> None:
    taken = shot(16.0, focus_m=FOCUS_M, stand=Stand(nearer_m=2.1))
    assert bare(NEAR).exact(taken).max() == 0.0
    assert bare(replace(NEAR, distance_m=2.5)).exact(replace(taken, stand=Stand(nearer_m=0.2))).max() > 0


def test_a_stabiliser_left_on_upon_a_tripod_draws_long_exposures_out_and_short_ones_not(tmp_path: Path) -> None:
    from hardware_mocks.body import JPEG_FINE
    from hardware_mocks.developing import files_of, sway
    from hardware_mocks.world import World

    card = replace(NEAR, kind="card", size_px=24.0, level=0.6)
    renderer = bare(card)

    def width(time_s: float, stabiliser: int) -> float:
        taken = shot(16.0, time_s, focus_m=FOCUS_M, size=(WIDTH, HEIGHT), ev100=8 - math.log2(time_s))
        file = files_of(renderer, taken, JPEG_FINE, World(13.0), sway(taken, stabiliser))["JPG"]
        value = np.asarray(Image.open(io.BytesIO(file)).convert("L"), np.float64) / 255
        value[value < 0.1] = 0
        across = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4).sum(0)
        x = np.arange(WIDTH) + 0.5
        middle = across @ x / across.sum()
        return math.sqrt(12 * float(across @ (x - middle) ** 2 / across.sum()))

    # Drift of 0.08 % of the width in a second, at most 0.6 %: common practice, no source.
    for time_s, share in ((4.0, 0.0032), (30.0, 0.006)):
        off, on = width(time_s, 0), width(time_s, 1)
        assert math.sqrt(on**2 - off**2) == pytest.approx(share * WIDTH, abs=0.5)
    assert width(0.5, 1) == pytest.approx(width(0.5, 0), abs=0.1)


def test_hands_that_carry_the_rig_part_near_from_far_in_the_file_on_the_card(tmp_path: Path) -> None:
    from hardware_mocks.camera import GardenCamera
    from hardware_mocks.shot import Optics

    cards = tuple(replace(lamp, kind="card", size_px=24.0, level=0.6) for lamp in (NEAR, FAR))
    script = SceneScript(stage="bare", ground=0.0, targets=cards)
    core = GardenCamera(Card(tmp_path), GardenRenderer(script=script), optics=Optics(size=(WIDTH, HEIGHT)))
    camera = InProcessCamera(core)

    def lamps() -> dict[str, float]:
        handle = max(core.files(), default=0)
        core.trigger()
        core.wait_idle(20)
        assert max(core.files()) > handle
        picture = np.asarray(Image.open(io.BytesIO(core.read(max(core.files())))).convert("L"), np.float64)
        value = np.where(picture < 25, 0, picture) / 255  # away with the noise about black
        picture = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)  # IEC 61966-2-1
        x = np.arange(WIDTH) + 0.5
        return {
            name: float(part.sum(0) @ x / part.sum())
            for name, part in (("near", picture[: HEIGHT // 2]), ("far", picture[HEIGHT // 2 :]))
        }

    try:
        before = lamps()
        obey(core, {"do": "kick", "right_mm": 10.0})
        after = lamps()
    finally:
        camera.close()
    for name, distance_m in (("near", NEAR_M), ("far", FAR_M)):
        assert after[name] - before[name] == pytest.approx(-pinhole_px(0.010, distance_m), abs=BAR_PX)
    assert core.report()["right_m"] == pytest.approx(0.010)
