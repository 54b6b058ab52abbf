"""Decisions on the metering frame."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from support_run import SMALL_GOALS, rig, small_brief, small_plan
from support_simulator import simulated_camera

from daemon.metering import CLOSE, WHITE, Search, highlight_level, judge_light
from plans.compiler import compile_brief
from plans.reading import read_brief

WHITE_ABOVE_GREY = math.log2(1 / 0.18)  # 2.47 stops: more than that above 18 % grey a picture cannot show
LADDER = """goals:
  - ladder: {change: aperture, by: 1, from: f/5.6, to: f/8, balance: time, focus: heron}
limits: {iso_at_most: 6400}
"""


@pytest.mark.parametrize(
    ("measured", "decision"),
    [(0.0, "hold"), (0.33, "hold"), (-0.33, "hold"), (0.34, "retarget"), (-1.9, "retarget"), (2.1, "ask")],
)
def test_a_third_of_a_stop_is_held_two_stops_are_retargeted_more_is_asked(measured: float, decision: str) -> None:
    assert judge_light(13.0, 0.0, measured).decision == decision


def test_the_light_is_the_planned_one_plus_what_the_frame_shows_beyond_its_settings() -> None:
    # Settings that should come out 0.1 stop over, found 1.1 over: one stop more light than planned.
    found = judge_light(13.0, 0.1, 1.1)
    assert found.ev100 == pytest.approx(14.0)
    assert found.error == pytest.approx(1.0)


def test_a_frame_near_mid_grey_is_believed_and_one_farther_off_is_moved_back() -> None:
    assert Search().next_move(0.0, 0.6) is None
    assert Search().next_move(0.0, 1.9) == pytest.approx(-1.9)
    assert Search().next_move(0.0, -2.5) == pytest.approx(2.5)
    assert Search().next_move(0.0, -5.5) == pytest.approx(4.0)


def test_a_clipped_or_nearly_white_frame_is_only_a_bound_and_the_next_lies_between_bounds() -> None:
    search = Search()
    assert search.next_move(0.0, 2.4) == pytest.approx(-4.0)
    assert search.next_move(-4.0, -7.0) == pytest.approx(2.0)
    assert search.next_move(-2.0, 0.1, clipped=True) == pytest.approx(-1.0)


def camera(slope: float, light: float, floor: float = -7.0):
    """A camera whose tone curve has a slope about mid grey and ends at white and at its noise."""
    return lambda settings: max(floor, min(WHITE_ABOVE_GREY, slope * (light + settings)))


@given(st.floats(0.7, 1.6), st.floats(-14, 14))
def test_whatever_the_tone_curve_the_search_ends_close_to_mid_grey_within_eight_frames(slope, light) -> None:
    # Slopes that real tone curves have: 0.7 to 1.6 (found by simulation; see the notes on tone curves).
    see, search, settings = camera(slope, light), Search(), 0.0
    for _ in range(8):
        move = search.next_move(settings, see(settings))
        if move is None:
            break
        settings += move
    assert move is None
    assert abs(light + settings) <= CLOSE / slope + 1e-9


def test_believing_the_first_measurable_frame_would_be_off_by_more_than_a_stop() -> None:
    # The negative control: within two stops of grey a slope of 1.6 tells 1.9 where the light is 1.19 off.
    see = camera(1.6, 1.19)
    assert abs(see(0.0)) < 2 and abs(see(0.0) - 1.19) > 0.7
    settings = Search().next_move(0.0, see(0.0)) or 0.0
    assert abs(see(settings) - (1.19 + settings)) <= 0.45


def test_light_that_jumps_while_it_is_metered_is_found_all_the_same() -> None:
    search, settings, level, move = Search(), 0.0, 0.0, 0.0
    for number in range(12):
        level = camera(1.0, 6.0 if number < 3 else -3.0)(settings)
        move = search.next_move(settings, level)
        if number >= 3 and move is None:
            break
        settings += move or 0.0
    assert move is None and abs(settings - 3.0) <= CLOSE


def test_white_water_lands_seven_thirds_above_grey_unless_its_lights_would_clip() -> None:
    assert highlight_level(bright=0.4, top=0.2, intent=7 / 3) == pytest.approx(0.4)
    # Lights half a stop above the brightest part's middle: the light counts as brighter, the pictures get darker.
    level = highlight_level(bright=0.4, top=0.9, intent=7 / 3)
    placed = 0.9 - level + 7 / 3
    assert placed == pytest.approx(WHITE) and placed < WHITE_ABOVE_GREY


def test_a_light_far_from_the_plan_takes_more_frames_and_ends_near(tmp_path: Path) -> None:
    with simulated_camera() as simulator, rig(tmp_path, simulator) as bench:
        bench.hands.light(8.0)
        plan = small_plan(SMALL_GOALS)
        from hardware_mocks.hands import SimulatedOperator

        bench.runner._operator = SimulatedOperator(simulator.hands)
        found = bench.shoot(plan)
        assert found.metered_ev100 == pytest.approx(8.0, abs=0.1)
        assert found.counts["frames"]["control"] >= 3


def middle_of(path: Path) -> tuple[float, float, float]:
    """The median and the brightest tenth of a picture's middle against grey, and the share of it that is white."""
    codes = np.asarray(Image.open(path).convert("RGB"))
    rows, columns, _ = codes.shape
    middle = codes[rows // 3 : rows * 2 // 3, columns // 3 : columns * 2 // 3]
    light = np.where(middle / 255 <= 0.04045, middle / 255 / 12.92, ((middle / 255 + 0.055) / 1.055) ** 2.4)
    grey = light @ [0.2126, 0.7152, 0.0722]  # sRGB, IEC 61966-2-1
    height, width = (side // 10 * 10 for side in grey.shape)
    blocks = grey[:height, :width].reshape(height // 10, 10, width // 10, 10).mean(axis=(1, 3)).ravel()
    water = np.sort(blocks)[-blocks.size // 10 :]
    stops = [math.log2(float(np.median(part)) / 0.18) for part in (blocks, water)]
    return stops[0], stops[1], float((middle.max(axis=2) >= 254).mean())


@pytest.mark.parametrize(("intent", "whole"), [("white water", False), ("1 2/3", True)])
def test_white_water_keeps_its_drawing_and_one_stop_more_is_one_stop_more(
    tmp_path: Path, intent: str, whole: bool
) -> None:
    from hardware_mocks.server import start

    text = small_brief("goals:\n  - freeze: spout\n").replace("scene:\n", f"scene:\n  intent: {intent}\n")
    with start(size=(750, 500)) as simulator, rig(tmp_path, simulator) as bench:
        bench.shoot(compile_brief(read_brief(text, "white.yaml")))
        (told,) = [event.text for event in bench.events if event.kind == "light-metered"]
    (shot,) = tmp_path.glob("store/runs/*/pictures/*.jpg")
    plain, _, _ = middle_of(min(tmp_path.glob("store/runs/*/control/*.jpg")))  # the metering frame
    level, water, white = middle_of(shot)
    # One stop more than metered is that of the whole; white water is as light as its lights allow, and no lighter.
    assert ("comes out white" in told) == whole
    assert not whole or abs(level - plain - 5 / 3) < 0.1
    assert whole or (0.9 <= water <= WHITE_ABOVE_GREY and white < 0.05)
