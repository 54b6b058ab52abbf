"""Decisions on the metering frame."""

from __future__ import annotations

import pytest

from daemon.metering import judge_light, next_move


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


def test_a_frame_near_mid_grey_is_believed_and_one_far_off_is_moved_back() -> None:
    assert next_move(1.9) is None
    assert next_move(-2.5) == pytest.approx(2.5)
    assert next_move(-7.0) == pytest.approx(4.0)


def test_a_nearly_white_frame_is_only_a_bound_so_the_next_one_moves_as_far_as_it_may() -> None:
    # White lies log2(1/0.18) = 2.47 stops above 18 % grey: more than that a picture cannot show.
    assert next_move(2.2) == pytest.approx(-2.2)
    assert next_move(2.4) == pytest.approx(-4.0)
