"""After a touch: a kick, a slipped focus and a forgotten filter, seen on pictures of the simulated garden."""

from __future__ import annotations

import io
from datetime import datetime
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from support_pictures import SCALES
from support_pictures import settings as made
from support_run import rig, small_plan
from support_simulator import simulated_camera

from daemon.checking import GO_ON
from daemon.pictures.likeness import grey_of, likeness
from daemon.rig import touch
from daemon.rig.touch import ASK_FOCUS, ASK_SHIFT, NOTE_FOCUS, NOTE_SHIFT, Good, Touched, check_settings
from hardware_mocks.hands import SimulatedOperator
from hardware_mocks.marks import APERTURES, ISOS, TIMES
from hardware_mocks.scene import GardenRenderer
from hardware_mocks.shot import Optics, Shot
from plans.plan import FilterValue

WIDTH, HEIGHT, SPARE = 900, 600, 30
COMPARE = """goals:
  - compare: [{freeze: spout}, {silk: spout}]
    hold: [aperture, focus]
limits: {iso_at_most: 6400, spread: 1/6}
"""


@cache
def garden() -> GardenRenderer:
    return GardenRenderer()


@cache
def picture(focus_m=2.0, f_number=8.0, kick=(0, 0), number=1, stops=0.0, iso=100.0, brighter=0.0):
    """A frame of the garden as a JPEG on the camera's card would hold it: grey levels, decoded again.

    ``kick``: pixels by which the camera was turned to the right and down; ``stops`` of a filter, made up for by time.
    """
    light = 13.0
    time_s = f_number**2 / 2**light * 100 / iso * 2.0**stops
    shot = Shot(
        number=number, aperture=APERTURES[0], time=TIMES[0], sensitivity=ISOS[0], f_number=f_number, time_s=time_s,
        iso=iso, focus_m=focus_m, filter_stops=(stops,), ev100=light + brighter, start_s=3.3 * number,
        taken=datetime(2026, 10, 20, 15, 30),  # noqa: DTZ001 - camera clocks have no zone
        optics=Optics(size=(WIDTH + 2 * SPARE, HEIGHT + 2 * SPARE)), seed=4,
    )  # fmt: skip
    whole = garden().render(shot)
    x, y = SPARE + kick[0], SPARE + kick[1]
    sink = io.BytesIO()
    Image.fromarray(whole[y : y + HEIGHT, x : x + WIDTH]).save(sink, "JPEG", quality=92)
    return np.asarray(Image.open(sink).convert("L"), np.float32)


def seen(frame, enlarged=1.0):
    return likeness(frame, picture(), enlarged)


@pytest.mark.parametrize(
    "again",
    [{"number": 2}, {"number": 3, "stops": 6.0}, {"number": 5, "brighter": 0.4}],
    ids=["another frame", "silk through a filter", "brighter light"],
)
def test_an_untouched_rig_passes(again) -> None:
    found = seen(picture(**again))
    assert found.moved is not None and found.moved < NOTE_SHIFT / 2
    assert found.sharpness_change is not None and found.sharpness_change < NOTE_FOCUS / 2


@pytest.mark.parametrize("kick", [(3, -2), (12, 9), (-25, 4)])
def test_a_kick_is_told_in_direction_and_to_a_fifth_of_a_pixel(kick) -> None:
    found = seen(picture(number=6, kick=kick))
    assert found.shift is not None
    # The camera turned right: its picture's content moves left.
    assert found.shift[0] * WIDTH == pytest.approx(-kick[0], abs=0.2)
    assert found.shift[1] * WIDTH == pytest.approx(-kick[1], abs=0.2)
    assert (found.moved or 0) > NOTE_SHIFT
    assert ((found.moved or 0) > ASK_SHIFT) == (abs(kick[0]) > 6)


def test_a_focus_that_slipped_to_the_hedge_is_told_and_one_within_the_depth_of_field_is_not() -> None:
    slipped = seen(picture(number=7, focus_m=8.0))
    assert slipped.sharpness_change is not None and slipped.sharpness_change > ASK_FOCUS
    # At f/8 the heron's depth of field at 2 m reaches some centimetres: a touch within it does no harm.
    touched = seen(picture(number=8, focus_m=2.03))
    assert touched.sharpness_change is not None and touched.sharpness_change < NOTE_FOCUS


def test_a_kick_is_told_across_a_refocus_by_the_size_that_the_lens_gives() -> None:
    def drawn_out(distance_m):  # thin lens: 1 + f/(s - f)
        return 1 + 0.05 / (distance_m - 0.05)

    enlarged = drawn_out(8.0) / drawn_out(2.0)
    still = seen(picture(number=9, focus_m=8.0), enlarged)
    kicked = seen(picture(number=10, focus_m=8.0, kick=(12, 9)), enlarged)
    assert still.moved is not None and still.moved < NOTE_SHIFT / 2
    assert kicked.moved is not None and kicked.moved * WIDTH == pytest.approx(15.0, abs=0.5)


def test_pictures_with_nothing_in_common_give_no_shift() -> None:
    noise = np.random.default_rng(1).uniform(0, 255, picture().shape).astype(np.float32)
    assert likeness(noise, picture()).shift is None
    assert likeness(picture()[:300], picture()).shift is None


def test_a_picture_is_told_as_large_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "large.jpg"
    Image.new("RGB", (3000, 2000), (90, 120, 60)).save(path)
    assert grey_of(path).shape == (683, 1024)


def test_a_check_frame_takes_the_aperture_and_iso_of_the_frame_it_is_held_against() -> None:
    nd = FilterValue(name="ND 64", stops=6.0)
    good = Good(None, made("f/8", "1/60"))  # type: ignore[arg-type]
    planned = made("f/4", "1/4", filters=(nd,))
    found = check_settings(planned, good, SCALES)
    assert (found.aperture.mark, found.iso.mark, found.filters) == ("f/8", "100", (nd,))
    assert found.time.exact == pytest.approx(1.0, rel=0.05)
    dark = planned.model_copy(update={"filters": (FilterValue(name="ND 1000", stops=10.0),)})
    assert check_settings(dark, good, SCALES) == dark  # sixteen seconds would keep everybody waiting
    elsewhere = made("f/4", "1/4", focus=("hedge", 8.0))
    assert check_settings(elsewhere, good, SCALES) == elsewhere


def test_what_is_asked_about_says_figures_and_direction() -> None:
    told = Touched(off=2.1, shift=0.013, direction="to the left", focus=0.8)
    assert len(told.asks) == 3
    text = "; ".join(told.asks)
    assert "2.10 stop brighter" in text and "to the left by 1.3 %" in text and "0.8 stop" in text
    assert Touched(off=0.1, shift=0.0005, focus=0.05).notes == []


class Clumsy(SimulatedOperator):
    """Turns the focus ring while it fits the filter."""

    def __init__(self, address, slips=True):
        super().__init__(address)
        self.slips, self.questions = slips, []

    def act(self, step):
        answer = super().act(step)
        if step.action == "filters" and self.slips:
            self._hands.focus(9.0)
        return answer

    def choose(self, question, choices):
        self.questions.append(question)
        return GO_ON if GO_ON in choices else choices[0]


@pytest.mark.parametrize("slips", [True, False])
def test_a_focus_that_slips_while_a_filter_is_fitted_is_asked_about_before_the_picture(
    tmp_path: Path, slips: bool
) -> None:
    with simulated_camera(render="scene", size=(600, 400)) as simulator:
        operator = Clumsy(simulator.hands, slips)
        with rig(tmp_path, simulator, operator) as bench:
            found = bench.shoot(small_plan(COMPARE))
            checks = [row.data["check"] for row in bench.store.logbook.readings(found.run.id) if "check" in row.data]
            assert len(checks) == 1
            assert checks[0]["focus"] is not None and (checks[0]["focus"] > ASK_FOCUS) == slips
            assert abs(checks[0]["off"]) < touch.ASK_LIGHT
            assert [("sharpness" in question.lower()) for question in operator.questions] == [True] * slips
