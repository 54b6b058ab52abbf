"""A plan's marks matched, by exact value, to a camera's own labels."""

from __future__ import annotations

from pathlib import Path

import pytest
from support_camera import mark, plan_of, setting, state

from daemon.camera.binding import bind
from daemon.camera.verbs import CameraState
from daemon.errors import BindingRefused
from hardware_mocks.marks import APERTURES, ISOS, TIMES
from plans.plan import Plan, read_plan
from plans.stops import Series

GOLDEN = Path(__file__).parents[1] / "golden" / "demo_plan.json"
FEW_TIMES = "1/1000 1/500 1/250 1/125 1/60 1/30 1/15 10/13 1 13/10 30"
FEW_ISOS = "Auto 100 200 400 800"


def camera(apertures: str = "8 9 10 11 13 14 16", times: str = FEW_TIMES, isos: str = FEW_ISOS) -> CameraState:
    return state(setting("aperture", apertures), setting("time", times), setting("iso", isos))


def wanted(aperture: str = "f/13", time: str = "0.8", iso: str = "200", series: Series = "thirds") -> Plan:
    marks = mark("aperture", series, aperture), mark("time", "thirds", time), mark("iso", "thirds", iso)
    return plan_of(marks, series=series)


def test_marks_become_the_cameras_own_labels() -> None:
    plan = wanted()
    binding = bind(plan, camera())
    assert binding.labels(plan.steps[0].settings) == {"aperture": "13", "time": "10/13", "iso": "200"}


def test_f_13_in_thirds_is_refused_by_a_camera_in_halves_with_both_values() -> None:
    with pytest.raises(BindingRefused) as refusal:
        bind(wanted(), camera("8 9.5 11 13 16"))
    [difference] = refusal.value.differences
    assert "the plan wants f/13 (12.70), in thirds of a stop" in difference
    assert "in halves of a stop from f/8 to f/16" in difference
    assert "f/13 (13.45)" in difference
    assert "Compile the brief again" in str(refusal.value)


def test_f_13_in_halves_is_refused_by_a_camera_in_thirds_as_well() -> None:
    with pytest.raises(BindingRefused, match=r"f/13 \(13\.45\), in halves of a stop.*f/13 \(12\.70\)"):
        bind(wanted(series="halves"), camera())


def test_a_mark_that_both_series_share_is_bound_across_them() -> None:
    plan = wanted("f/11", series="halves")
    assert bind(plan, camera()).labels(plan.steps[0].settings)["aperture"] == "11"


def test_every_difference_is_listed_at_once() -> None:
    with pytest.raises(BindingRefused) as refusal:
        bind(wanted("f/2.8", "1/8000", "6400"), camera())
    assert [text.split(":")[0] for text in refusal.value.differences] == ["aperture", "time", "iso"]
    assert "from f/8 to f/16" in refusal.value.differences[0]
    assert "1/8000 (1/8192 s)" in refusal.value.differences[1]


def test_a_camera_without_iso_is_told_so() -> None:
    bare = state(setting("aperture", "8 9 10 11 13"), setting("time", FEW_TIMES), model="bare body")
    with pytest.raises(BindingRefused, match="iso: the plan wants 200; bare body cannot be told its iso"):
        bind(wanted(), bare)


def test_a_dial_that_leaves_no_choice_is_named_with_what_is_left() -> None:
    with pytest.raises(BindingRefused, match="offers only auto, as its dial stands"):
        bind(wanted(), camera(times="auto"))


def test_a_setting_outside_the_plan_is_bound_too_if_the_camera_has_it() -> None:
    binding = bind(wanted(), camera())
    moved = wanted("f/16", "1/30", "800").steps[0].settings
    assert binding.labels(moved) == {"aperture": "16", "time": "1/30", "iso": "800"}
    with pytest.raises(BindingRefused, match="f/22 is not on the connected camera's scale"):
        binding.labels(wanted("f/22").steps[0].settings)


def test_the_demo_plan_binds_to_the_simulated_cameras_scales() -> None:
    plan = read_plan(GOLDEN.read_text(), "demo plan")
    apertures, times, isos = (" ".join(item.label for item in scale) for scale in (APERTURES, TIMES, ISOS))
    body = camera(apertures, f"{times} Bulb", isos)
    binding = bind(plan, body)
    for step in plan.exposing:
        labels = binding.labels(step.settings)
        assert labels["aperture"] == step.settings.aperture.mark
        assert labels["iso"] == step.settings.iso.mark
        assert labels["time"] in body.settings["time"].labels
