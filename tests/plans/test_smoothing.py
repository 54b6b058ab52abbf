"""Smoothing: no delay, no lean; flicker taken out and the light left alone."""

from __future__ import annotations

import numpy as np
import pytest
from support_film import flicker
from support_lapse import lapse_of, lapse_plan
from support_sunset import FROM_EV, INTERVAL_S, light_at

from plans.goals.timelapse import controller_of
from plans.light_control import Reading
from plans.smoothing import RESIDUE, RESIDUE_SIGMA, STEP_SIGMA, light_given, reach, residue, smoothed, step_gains

SIDE = reach(RESIDUE_SIGMA)


def rounded_only(given):
    """What a Gaussian alone makes of the steps: a negative control."""
    return smoothed(given, STEP_SIGMA) - given


def left(light, given, gains):
    """The flicker of a film of even areas, by arithmetic alone: no picture, no noise, no code. [stops]"""
    shown = light + given + gains(given)
    return flicker(np.repeat(shown[:, None], 100, axis=1))


def test_what_settings_give_is_counted_from_exact_values():
    # APEX: f/1, 1 s, ISO 100 is 0; f/4 takes 4 stops, 1/64 s 6, ISO 400 gives 2, a filter takes its own.
    assert light_given(1.0, 1.0, 100.0) == 0
    assert light_given(4.0, 1 / 64, 400.0, 3.0) == pytest.approx(-4 - 6 + 2 - 3)


def test_a_straight_line_stays_itself_to_both_ends():
    line = 3.0 - 0.05 * np.arange(100)
    assert smoothed(line, 8.0) == pytest.approx(line, abs=1e-12)


def test_smoothing_has_no_delay_and_knows_no_direction():
    steps = np.repeat(np.arange(10) / 3, 9)
    curve = smoothed(steps, 8.0)
    assert smoothed(steps[::-1], 8.0)[::-1] == pytest.approx(curve, abs=1e-12)
    # In the middle of the stairs the curve runs through the middle of each tread: a delay would shift it.
    middles = np.arange(4, 90, 9)[3:7]
    assert curve[middles] == pytest.approx(steps[middles], abs=0.005)
    late = np.array([curve[max(0, at - 4)] for at in range(90)])  # negative control: four frames late
    assert np.abs(late[middles] - steps[middles]).min() > 0.1


def test_the_steps_of_a_third_vanish():
    steps = np.floor(np.arange(120) / 7) / 3
    shown = steps + step_gains(steps)
    assert np.abs(np.diff(steps)).max() == pytest.approx(1 / 3)
    assert np.diff(shown)[30:-30] == pytest.approx(np.full(59, 1 / 21), abs=0.002)
    assert np.abs(step_gains(steps)).max() < 0.35


@pytest.mark.parametrize("apart", [3, 8, 20, 33, 40, 60, 80, 100, 200, 400])
def test_however_slow_the_light_is_no_wave_is_left_of_the_steps(apart):
    frames = np.arange(1000)
    light, given = -frames / (3 * apart), np.round(frames / apart + 0.3) / 3
    assert left(light, given, step_gains) <= 0.003
    if 30 <= apart <= 100:
        assert left(light, given, rounded_only) > 0.012
    assert np.abs(step_gains(given)).max() < 0.21


def test_a_thousand_frames_of_one_sunset_are_left_without_breathing():
    lapse = lapse_of(lapse_plan(1000, INTERVAL_S, light=FROM_EV))
    controller = controller_of(lapse)
    state = controller.start(FROM_EV)
    light, given = np.array([light_at(frame, 1000) for frame in range(1000)]), np.zeros(1000)
    for frame in range(1000):
        given[frame] = controller.rungs[state.index]
        reading = Reading(frame * INTERVAL_S, state.index, float(light[frame] + given[frame]))
        state, _ = controller.step(state, reading, (frame + 1) * INTERVAL_S)
    assert len(np.flatnonzero(np.diff(given))) >= 25
    assert left(light, given, step_gains) <= 0.003
    assert left(light, given, rounded_only) > 0.010  # negative control


def test_times_held_by_hand_are_evened_out_and_still_count_as_one_step():
    exact = np.repeat(np.arange(8) / 3, 35)
    held = exact + np.random.default_rng(5).normal(0, 0.015, len(exact))
    shown = held + step_gains(held)
    slopes = np.diff(shown)[40:-40]
    assert slopes == pytest.approx(np.full(len(slopes), 1 / 105), abs=0.0015)
    # Negative control: the steps alone, with the unevenness left in.
    assert np.std(np.diff(held + step_gains(exact))) > 0.015


def test_a_single_step_is_spread_and_settings_that_stay_are_left_alone():
    assert step_gains(np.full(50, 2.0)) == pytest.approx(np.zeros(50), abs=1e-12)
    once = np.where(np.arange(300) < 150, 0.0, 1 / 3)
    shown = once + step_gains(once)
    assert np.all(np.diff(shown) > -1e-12)  # it turns back nowhere
    assert np.diff(shown).max() < 0.006
    assert shown[:80] == pytest.approx(np.zeros(80), abs=1e-6) and shown[-80:] == pytest.approx(1 / 3, abs=1e-6)


def test_a_lamp_that_is_lit_changes_nothing_long_before_and_after():
    given = np.repeat([0.0, 1 / 3, 2 / 3, 1.0], [150, 3, 3, 150])
    shown = given + step_gains(given)
    assert np.abs(shown - given)[np.r_[:120, 190:306]].max() < 0.005
    assert np.abs(step_gains(given)).max() < 0.36  # no more than a Gaussian alone would need
    assert np.abs(rounded_only(given)).max() == pytest.approx(np.abs(step_gains(given)).max(), abs=0.02)


def test_a_series_shorter_than_the_curve_is_smoothed_as_far_as_it_goes():
    assert smoothed(np.array([1.0]), 8.0) == pytest.approx([1.0])
    assert smoothed(np.array([1.0, 2.0, 3.0]), 8.0) == pytest.approx([1.0, 2.0, 3.0])
    assert step_gains(np.array([1.0])) == pytest.approx([0.0])
    assert np.abs(step_gains(np.array([1.0, 4 / 3]))).max() < 0.17


def window(offs, blocks=60, slope=0.0):
    at = np.arange(-SIDE, SIDE + 1)
    base = np.random.default_rng(1).normal(0, 1, blocks)
    return base + (np.asarray(offs) + slope * at)[:, None]


def test_a_shutter_that_is_a_little_off_is_found_whatever_the_light_does_meanwhile():
    for slope in (0.0, 0.05, -0.05):
        offs = np.zeros(2 * SIDE + 1)
        offs[SIDE] = 0.03
        assert residue(window(offs, slope=slope)) == pytest.approx(0.03, abs=0.006)


def test_a_cloud_is_left_alone():
    for depth in (0.3, 1.0, 2.0):
        offs = np.zeros(2 * SIDE + 1)
        offs[SIDE - 1 : SIDE + 2] = -depth
        assert residue(window(offs)) == 0
        beside = np.zeros(2 * SIDE + 1)
        beside[SIDE + 2 : SIDE + 5] = -depth  # two frames before it comes
        assert abs(residue(window(beside))) < 1e-9
    # Between the two it fades: what is twice as large as flicker can be is light.
    offs = np.zeros(2 * SIDE + 1)
    offs[SIDE] = 1.5 * RESIDUE
    assert 0 < residue(window(offs)) < RESIDUE


def test_a_passer_by_in_a_third_of_the_blocks_changes_nothing():
    levels = window(np.zeros(2 * SIDE + 1))
    levels[SIDE, :20] -= 2.0
    assert abs(residue(levels)) < 0.003
    # Negative control: the mean over the blocks would have fallen for it.
    assert abs(float((levels[SIDE] - levels[SIDE - 1]).mean())) > 0.5


def test_the_ends_and_clipped_blocks_are_no_measure():
    levels = window(np.zeros(2 * SIDE + 1), slope=0.05)
    levels[: SIDE - 1] = np.nan  # the second frame of a film
    assert abs(residue(levels)) < 1e-6
    levels[SIDE] = np.nan
    assert residue(levels) == 0
