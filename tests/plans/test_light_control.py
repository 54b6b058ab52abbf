"""The time-lapse controller against scenes that it was not told, and in the corners of its life.

The campaign with seeds drawn at run time is ``python -m tests.bench_light``; here are fixed seeds of it.
"""

from __future__ import annotations

import ast
import json
import math
from itertools import pairwise
from pathlib import Path

import bench_light
import numpy as np
import pytest
import support_light
from hypothesis import given, settings
from hypothesis import strategies as st
from support_light import altitude_deg, code, draw, score
from support_light_rivals import calibrated, drive_ours, ladder

from plans.light_control import Controller, Decision, Look, Reading, State, Tuning
from plans.tone import BRACKET, Tone, at_end, decoded_stops, fit_tone

THIRDS = tuple(n / 3 for n in range(-48, 25))  # EV 16 to EV -8
FLAT = Look(depth=0.0)
SEED = 20_261


def scene_of(family: str, seed: int = 1, interval: float = 20.0, site: str = "51 N, October") -> support_light.Scene:
    """One scene by its seed."""
    return draw(np.random.default_rng([seed, ord(family)]), family, site, interval, rising=False)


def follow(controller: Controller, state: State, levels: list[float | None], every: float = 20.0) -> list[Decision]:
    """Decisions while the light takes these levels; None: no reading."""
    found = []
    begin = state.decided_s
    for n, level in enumerate(levels):
        at = begin + n * every
        seen = None
        if level is not None:
            seen = Reading(at, state.index, level + controller.rungs[state.index])
        state, decision = controller.step(state, seen, at + every)
        found.append(decision)
    return found


# -- scenes ------------------------------------------------------------------------------------------------------------


def test_the_bench_s_truth_shares_no_code_with_the_project() -> None:
    tree = ast.parse(Path(support_light.__file__ or "").read_text())
    named = {
        name
        for node in ast.walk(tree)
        for name in (
            [one.name for one in node.names]
            if isinstance(node, ast.Import)
            else [node.module or ""]
            if isinstance(node, ast.ImportFrom)
            else []
        )
    }
    assert not any(name.split(".")[0] in ("plans", "daemon", "hardware_mocks") for name in named), named


def test_the_bench_s_sun_stands_where_spherical_trigonometry_puts_it() -> None:
    # Noon altitude is 90 - |latitude - declination|; at an equinox the sun rises six hours before noon everywhere.
    for latitude, declination in support_light.SITES.values():
        noon = float(altitude_deg(latitude, declination, np.array([0.0]))[0])
        assert noon == pytest.approx(90 - abs(latitude - declination))
    assert altitude_deg(51.0, 0.0, np.array([90.0]))[0] == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("family", support_light.FAMILIES)
def test_the_bars_are_kept_and_the_controls_fail(family: str) -> None:
    names = ("ours", "oracle", *bench_light.MUST_FAIL)
    found = bench_light.family_scores(SEED, family, 1, names, intervals=(10.0, 30.0))
    assert bench_light.misses(family, found["ours"]) == []
    for name in bench_light.MUST_FAIL:
        assert bench_light.misses(family, found[name]), name
    low, high = bench_light.ORACLE
    assert low <= np.median([one.rms for one in found["oracle"]]) <= high


@pytest.mark.parametrize("family", "bf")
def test_clouds_are_followed_better_than_by_the_published_controller_with_no_more_turns(family: str) -> None:
    found = bench_light.family_scores(SEED + 1, family, 2, ("ours", "published"), intervals=(20.0,))
    rms = {name: np.mean([one.rms for one in scores]) for name, scores in found.items()}
    turns = {name: np.mean([one.reversals for one in scores]) for name, scores in found.items()}
    assert rms["ours"] < 0.98 * rms["published"]
    assert turns["ours"] <= turns["published"]


def test_a_tone_curve_that_is_believed_and_not_fitted_misses_the_bars() -> None:
    found = bench_light.family_scores(SEED, "c", 1, ("ours, tone curve believed",), intervals=(20.0,))
    assert bench_light.misses("c", found["ours, tone curve believed"])


@pytest.mark.parametrize("family", "af")
def test_a_run_taken_up_in_mid_night_goes_on_as_if_nothing_had_been(family: str) -> None:
    scene = scene_of(family)
    grid = ladder(scene)
    assert np.array_equal(drive_ours(scene, grid), drive_ours(scene, grid, restart_at=211))


def test_readings_that_come_a_frame_late_cost_little() -> None:
    scene = scene_of("a", interval=20.0)
    grid = ladder(scene)
    late = score(scene, drive_ours(scene, grid, late=1), grid)
    assert late.rms <= 0.15 and late.reversals <= 1 and late.clipped == 0


# -- corners -----------------------------------------------------------------------------------------------------------


def test_one_flash_moves_no_setting_and_the_estimate_by_its_bound() -> None:
    controller = Controller(THIRDS, FLAT)
    state = controller.start(5.0)
    calm = follow(controller, state, [5.0] * 30)
    struck = follow(controller, state, [5.0] * 20 + [8.0] + [5.0] * 9)
    assert [one.index for one in struck] == [one.index for one in calm]
    assert struck[20].surprise and not any(one.surprise for one in calm)
    assert abs(struck[20].level - calm[20].level) <= Tuning().flash


def test_a_lasting_change_is_taken_up_within_minutes() -> None:
    controller = Controller(THIRDS, FLAT)
    found = follow(controller, controller.start(5.0), [5.0] * 20 + [7.0] * 30)
    assert any(one.jumped for one in found[20:])
    assert abs(found[20 + 15].error) < 0.4  # five minutes
    assert all(abs(b.index - a.index) <= 2 for a, b in pairwise(found))


def test_without_readings_the_trend_is_kept_and_the_light_found_again() -> None:
    controller = Controller(THIRDS, FLAT)
    falling: list[float | None] = [10 - 0.06 * n for n in range(120)]
    gap = [*falling[:60], *([None] * 15), *falling[75:]]
    found = follow(controller, controller.start(10.0), gap)
    assert [one.unread for one in found[58:76]] == [0, 0, *range(1, 16), 0]
    lost = found[74]
    assert lost.level == pytest.approx(10 - 0.06 * 75, abs=0.25)
    assert max(abs(one.error) for one in found[75:]) < 0.4


def test_after_hours_without_a_frame_the_trend_is_not_believed_and_the_light_is_found_within_two_frames() -> None:
    controller = Controller(THIRDS, FLAT)
    state = controller.start(8.0)
    for n in range(60):  # falling light, 0.2 stop a minute
        at = n * 20.0
        state, _ = controller.step(state, Reading(at, state.index, 8 - 0.2 * at / 60 + THIRDS[state.index]), at + 20)
    stored = State.from_json(json.loads(json.dumps(state.as_json())))
    later = 3 * 3600.0
    state, decision = controller.step(stored, None, later)
    assert decision.level > 8 - 0.2 * 20 - 0.2 * 15 - 0.5  # a quarter of an hour ahead and not three hours
    for n in range(2):
        at = later + n * 20
        state, decision = controller.step(state, Reading(at, state.index, -1.0 + THIRDS[state.index]), at + 20)
    assert decision.level == pytest.approx(-1.0, abs=0.3)


def test_beyond_the_dark_end_settings_stay_and_come_back_at_once_with_the_light() -> None:
    controller = Controller(THIRDS[:40], FLAT)  # down to EV 3
    levels: list[float | None] = [6 - 0.05 * n for n in range(120)] + [0.0] * 60 + [0.05 * n for n in range(120)]
    found = follow(controller, controller.start(6.0), levels)
    assert found[150].index == 39 and found[150].limit == "dark"
    end = next(n for n in range(180, 300) if found[n].index < 39)
    level = levels[end]
    assert level is not None and level == pytest.approx(3.0, abs=0.5)  # and not later by what was missed below
    assert found[-1].limit is None
    moves = np.sign(np.diff([one.index for one in found]))
    moves = moves[moves != 0]
    assert np.sum(moves[1:] != moves[:-1]) == 1  # down in the evening, up in the morning


def test_the_bright_end_is_told_as_well() -> None:
    controller = Controller(THIRDS[10:], FLAT)
    found = follow(controller, controller.start(12.0), [12.0 + 0.1 * n for n in range(40)])
    assert found[-1].limit == "bright" and found[-1].index == 0


def test_readings_that_stay_clipped_take_a_stop_away() -> None:
    controller = Controller(THIRDS, FLAT)
    state = controller.start(5.0)
    before = state.index
    for n in range(Tuning().blind):
        state, decision = controller.step(state, Reading(n * 20.0, state.index, 2.4, clipped=True), (n + 1) * 20.0)
    assert controller.rungs[before] - controller.rungs[decision.index] >= 1 - 1e-6


@pytest.mark.parametrize("step", [1 / 3, 1 / 2, 1.0])
def test_scales_in_thirds_halves_and_whole_stops_are_followed_without_hunting(step: float) -> None:
    rungs = tuple(-16 + step * n for n in range(int(24 / step) + 1))
    controller = Controller(rungs, FLAT)
    rng = np.random.default_rng(5)
    levels = [float(12 - 0.05 * n + rng.normal(0, 0.05)) for n in range(250)]
    indices = [one.index for one in follow(controller, controller.start(12.0), list(levels))]
    assert all(b >= a for a, b in pairwise(indices))
    errors = [rungs[index] + 12 - 0.05 * (n + 1) for n, index in enumerate(indices)]
    assert max(map(abs, errors)) <= 0.5 * step + 0.25 * step + 0.1


def test_another_interval_takes_the_state_onto_its_own_ladder() -> None:
    short = Controller(THIRDS[:40], FLAT)
    long = Controller(tuple(one + 0.1 for one in THIRDS[3:60]), FLAT)
    state = short.start(4.0)
    moved = long.onto(state, short)
    assert abs(long.rungs[moved.index] - short.rungs[state.index]) <= 1 / 6 + 1e-6
    assert moved.level == state.level


def test_a_ladder_that_does_not_rise_is_refused() -> None:
    with pytest.raises(ValueError, match="more light"):
        Controller((0.0, 0.0))
    with pytest.raises(ValueError, match="at least one"):
        Controller(())


@pytest.mark.parametrize("spoilt", [{"level": math.nan}, {"level": "5"}, {"index": None}, {"more": 1}, {"rate": True}])
def test_a_stored_state_that_is_none_is_refused(spoilt: dict[str, object]) -> None:
    tree = json.loads(json.dumps(Controller(THIRDS).start(5.0).as_json()))
    assert State.from_json(tree) == Controller(THIRDS).start(5.0)
    with pytest.raises(ValueError, match="stored state of the light"):
        State.from_json({**tree, **spoilt})


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.one_of(st.none(), st.floats(-30, 30)), min_size=1, max_size=60),
    st.floats(-10, 18),
    st.sampled_from([1.0, 7.0, 30.0, 600.0]),
)
def test_whatever_is_read_the_settings_stay_on_the_ladder_and_move_by_little(
    readings: list[float | None], start: float, every: float
) -> None:
    controller = Controller(THIRDS)
    state = controller.start(start)
    for n, value in enumerate(readings):
        seen = None if value is None else Reading(n * every, state.index, value, value > 2.4, value < -9)
        before = state
        state, decision = controller.step(state, seen, (n + 1) * every)
        assert 0 <= decision.index < len(THIRDS)
        guarded = before.blind + 1 >= Tuning().blind
        assert abs(decision.index - before.index) <= (5 if guarded else 2)
        assert State.from_json(json.loads(json.dumps(state.as_json()))) == state
        assert state.p_level > 0 and state.p_rate > 0 and state.p_level * state.p_rate >= state.p_cross**2


# -- fog ---------------------------------------------------------------------------------------------------------------


def fogging(detail: list[float], levels: list[float]) -> list[bool]:
    """Whether fog is told of, frame by frame."""
    controller = Controller(THIRDS)
    state, found = controller.start(levels[0]), []
    for n, (sharp, level) in enumerate(zip(detail, levels, strict=True)):
        seen = Reading(n * 20.0, state.index, level + THIRDS[state.index], sharpness=sharp)
        state, decision = controller.step(state, seen, (n + 1) * 20.0)
        found.append(decision.fogging)
    return found


def test_dew_on_the_lens_is_told_and_falling_light_is_not() -> None:
    rng = np.random.default_rng(9)
    noise = 2 ** rng.normal(0, 0.15, 500)
    falling = [10 - 0.04 * n for n in range(500)]  # twenty stops, in which detail fades to a half
    fades = [float(one) for one in 2 ** (-np.arange(500) / 500) * noise]
    assert not any(fogging(fades, falling))
    dew = np.where(np.arange(500) < 250, 1.0, 2 ** (-np.minimum((np.arange(500) - 250) / 45, 2.5)))
    told = fogging([a * float(b) for a, b in zip(fades, dew, strict=True)], falling)
    first = told.index(True)
    assert 250 < first < 250 + 75  # within 25 minutes of the first breath of it, and not before
    lamps = [one * (3.0 if n > 300 else 1.0) for n, one in enumerate(fades)]
    assert not any(fogging(lamps, falling))
    passers = [one * (0.1 if n % 29 == 0 else 1.0) for n, one in enumerate(fades)]
    assert not any(fogging(passers, falling))


# -- the tone curve ----------------------------------------------------------------------------------------------------


def test_codes_decode_as_the_srgb_standard_says() -> None:
    # IEC 61966-2-1: 18 % is encoded as 0.46136, code 118.
    assert decoded_stops(118) == pytest.approx(math.log2(0.1812 / 0.18), abs=0.001)
    assert decoded_stops(85) - decoded_stops(118) == pytest.approx(-0.996, abs=0.002)
    assert at_end(255) == (True, False) and at_end(1) == (False, True) and at_end(118) == (False, False)


@pytest.mark.parametrize("slope", [0.7, 1.0, 1.3, 1.6])
def test_the_tone_curve_is_fitted_though_the_light_drifts_meanwhile(slope: float) -> None:
    rng = np.random.default_rng(3)
    errors: dict[str, list[float]] = {"as ordered": [], "rising": []}
    for _ in range(40):
        drift = rng.uniform(-0.02, 0.02)
        for name, order in (("as ordered", BRACKET), ("rising", tuple(sorted(BRACKET)))):
            codes = [code(x + drift * n + rng.normal(0, 0.03), slope) for n, x in enumerate(order)]
            if name == "rising":  # the same fit without its defence against drift
                kept = [(x, decoded_stops(y)) for x, y in zip(order, codes, strict=True) if not any(at_end(y))]
                fitted = float(np.polyfit(*zip(*kept, strict=True), 1)[0])
            else:
                fitted = fit_tone(order, codes).slope
            errors[name].append(fitted / slope - 1)
    rms = {name: math.sqrt(float(np.mean(np.square(found)))) for name, found in errors.items()}
    assert rms["as ordered"] < 0.02
    assert rms["rising"] > 1.3 * rms["as ordered"]


def test_a_bracket_that_tells_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="tell anything"):
        fit_tone(BRACKET, [255] * 8)
    with pytest.raises(ValueError, match="slope"):
        fit_tone(BRACKET, [118] * 8)
    with pytest.raises(ValueError, match="as many"):
        fit_tone(BRACKET, [118])


def test_scenes_are_read_linearly_after_the_fit() -> None:
    scene = scene_of("a", seed=4)
    tone = calibrated(scene)
    assert tone.slope == pytest.approx(scene.slope, rel=0.04)
    assert Tone(2.0).stops(decoded_stops(85)) == pytest.approx(decoded_stops(85) / 2)
