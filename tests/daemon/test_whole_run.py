"""Whole runs through the real camera library: what is shot, stored, recorded, measured, put back."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from support_run import Rig, assert_nothing_lost_nothing_twice, rig, small_brief, small_plan
from support_simulator import simulated_camera

from daemon import clock
from daemon.camera.supervisor import Deadlines
from daemon.context import Manners
from daemon.errors import (
    BindingRefused,
    CameraAbsent,
    CameraError,
    CardFull,
    PlanUnreachable,
    RunPaused,
    SettingRefused,
    StoreError,
)
from daemon.feed import Command, Event
from daemon.report import frame_table, report
from hardware_mocks.hands import SimulatedOperator
from plans.compiler import compile_brief
from plans.plan import Plan
from plans.reading import read_brief

LADDER = """goals:
  - ladder: {change: aperture, by: 1, from: f/2.8, to: f/16, balance: time, focus: heron}
limits: {iso_at_most: 6400}
"""
SILK = """goals:
  - compare: [{freeze: spout}, {silk: spout}]
    hold: [aperture, focus]
limits: {iso_at_most: 6400}
"""


def test_a_run_keeps_every_frame_once_and_puts_the_camera_back(tmp_path: Path) -> None:
    with simulated_camera() as simulator, rig(tmp_path, simulator) as bench:
        before = bench.hands.state()["settings"]
        found = bench.shoot(small_plan())
        assert len(found.plan.exposing) == 7
        assert_nothing_lost_nothing_twice(found, bench.hands)
        assert {frame.checked for frame in found.frames} == {"as planned"}
        # The metering frame, and a check frame after the refocus.
        assert found.counts["frames"] == {"control": 2, "picture": 7}
        assert bench.hands.state()["settings"] == before
        assert all(item.restored_at for item in bench.store.logbook.settings_found(found.run.id))
        assert len(list((found.folder / "pictures").iterdir())) == 7


def test_the_camera_is_put_back_only_because_the_runner_does_it(tmp_path: Path) -> None:
    # The negative control of the test above: a run that is still going leaves the camera at the plan's settings.
    with simulated_camera() as simulator, rig(tmp_path, simulator) as bench:
        before = bench.hands.state()["settings"]
        seen = []
        bench.on_event = lambda event: (
            seen.append(bench.hands.state()["settings"]) if event.kind == "frame-kept" else None
        )
        bench.shoot(small_plan())
        assert any(settings != before for settings in seen)


def test_brightness_within_a_group_is_as_the_exact_settings_say(tmp_path: Path) -> None:
    with simulated_camera() as simulator, rig(tmp_path, simulator) as bench:
        found = bench.shoot(small_plan(LADDER))
        residuals = [frame.residual_stops for frame in found.frames]
        assert all(residual is not None and abs(residual) <= 0.1 for residual in residuals), residuals
        assert all(group.spread <= 1 / 6 for group in found.plan.groups)


def test_half_a_stop_of_aperture_error_shows_in_the_readings(tmp_path: Path) -> None:
    with simulated_camera() as simulator, rig(tmp_path, simulator) as bench:
        bench.hands.fault(fault="aperture_error", stops={"f/8": -0.5})
        found = bench.shoot(small_plan(LADDER))
        by_mark = {frame.step.settings.aperture.mark: frame.residual_stops for frame in found.frames}
        # The metering frame is taken at f/8 as well, so the light seems half a stop lower and the plan follows it.
        assert by_mark.pop("f/8") == pytest.approx(-0.5, abs=0.1)
        assert all(abs(residual) <= 0.1 for residual in by_mark.values()), by_mark


def filter_steps(plan: Plan) -> list[str]:
    return [step.id for step in plan.steps if step.kind == "operator" and step.action == "filters"]


def two_waters_plan() -> Plan:
    """Silk at two distances, each through the ND 64, a bare ladder at the second: a filter must come off between."""
    goals = """goals:
  - silk: spout
  - ladder: {change: aperture, by: 1, from: f/4, to: f/8, balance: time, focus: basin}
  - silk: basin
limits: {iso_at_most: 6400}
"""
    basin = "    basin: {distance: 2.6 m, speed: 3 m/s}\n    heron:"
    return compile_brief(read_brief(small_brief(goals).replace("    heron:", basin), "waters.yaml"))


def test_a_forgotten_filter_is_told_for_every_picture_it_spoils_and_for_no_other(tmp_path: Path) -> None:
    # Left on instead of unscrewed: all that follows is six stops dark, and equally so, which no reference can show.
    plan = two_waters_plan()
    unscrew = filter_steps(plan)[1]
    with simulated_camera() as simulator:
        operator = SimulatedOperator(simulator.hands, forgets={unscrew})
        with rig(tmp_path, simulator, operator) as bench:
            found = bench.shoot(plan)
            spoilt = [frame for frame in found.frames if frame.doubt]
            assert [frame.step.group for frame in spoilt] == ["g2"]
            assert "darker" in (spoilt[0].doubt or "") and "metering frame" in (spoilt[0].doubt or "")
            assert spoilt[0].meter_residual_stops == pytest.approx(-5.98, abs=0.15)
            assert "LOOK AT THESE" in frame_table(found)
    with simulated_camera() as simulator, rig(tmp_path / "good", simulator) as bench:
        found = bench.shoot(plan)
        assert [frame.doubt for frame in found.frames] == [None] * 5
        assert "LOOK AT THESE" not in frame_table(found)


def test_a_filter_that_was_never_fitted_is_not_called_as_it_should_be(tmp_path: Path) -> None:
    plan = small_plan(SILK)
    with simulated_camera() as simulator:
        operator = SimulatedOperator(simulator.hands, forgets=set(filter_steps(plan)))
        with rig(tmp_path, simulator, operator) as bench:
            silk = bench.shoot(plan).frames[1]
            # Six stops over, nearly all is clipped: the difference is seen, or it is said that it can't be told.
            assert (silk.residual_stops or 0) > 2 or silk.why_not_measured
            assert silk.doubt


def test_light_a_stop_lower_retargets_the_plan_and_both_revisions_are_kept(tmp_path: Path) -> None:
    with simulated_camera(light=12.0) as simulator, rig(tmp_path, simulator) as bench:
        found = bench.shoot(small_plan(LADDER))
        logbook = bench.store.logbook
        assert found.revision == 2
        assert found.plan.inputs.light.origin == "metered"
        assert found.plan.inputs.light.ev100 == pytest.approx(12.0, abs=0.1)
        assert logbook.run_plans(found.run.id)[0].why == "as compiled"
        first = {row.outcome for row in logbook.steps(found.run.id, 1) if row.kind == "expose"}
        assert first == {"skipped"}
        assert [frame.outcome for frame in found.frames] == ["kept"] * 6
        assert max(abs(frame.residual_stops or 0) for frame in found.frames) <= 0.1


def test_light_a_fifth_of_a_stop_off_leaves_the_plan_alone(tmp_path: Path) -> None:
    with simulated_camera(light=12.8) as simulator, rig(tmp_path, simulator) as bench:
        assert bench.shoot(small_plan(LADDER)).revision == 1


@pytest.mark.parametrize("light", [9.0, 18.0])
def test_light_far_off_is_metered_until_it_can_be_believed_and_then_asked_about(tmp_path: Path, light: float) -> None:
    with simulated_camera(light=light) as simulator:
        operator = SimulatedOperator(simulator.hands, answers={"stops": "stop here"})
        with rig(tmp_path, simulator, operator) as bench:
            with pytest.raises(RunPaused):
                bench.runner.start(small_plan(LADDER))
            told = next(event for event in bench.events if event.kind == "light-metered")
            assert told.data["decision"] == "ask"
            assert told.data["ev100"] == pytest.approx(light, abs=0.15)
            assert bench.store.logbook.run("last").state == "paused"
            frames = bench.store.logbook.frames(bench.store.logbook.run("last").id)
            assert len(frames) >= 2  # the first one was too far off to be believed, and is kept all the same


BASE_ISO_ONLY = """goals:
  - freeze: spout
  - ladder: {change: aperture, by: 1, from: f/4, to: f/8, balance: time, focus: spout}
limits: {iso_at_most: 100}
"""


def test_a_goal_that_the_metered_light_puts_out_of_reach_is_told_before_it_is_shot(tmp_path: Path) -> None:
    # A stop and a half less light than planned: at base ISO no aperture of the lens is wide enough for 1/2000 s.
    plan = small_plan(BASE_ISO_ONLY)
    assert not plan.unreachable
    with simulated_camera(light=11.5) as simulator:
        operator = SimulatedOperator(simulator.hands, answers={"light as it is": "stop here"})
        with rig(tmp_path, simulator, operator) as bench:
            with pytest.raises(PlanUnreachable, match="freeze spout"):
                bench.runner.start(plan)
            assert bench.store.logbook.run("last").state == "paused"
            assert "frame-kept" not in bench.kinds()


def test_the_rest_is_shot_when_the_operator_says_to_go_on(tmp_path: Path) -> None:
    with simulated_camera(light=11.5) as simulator, rig(tmp_path, simulator) as bench:
        found = bench.shoot(small_plan(BASE_ISO_ONLY))
        assert [item.goal for item in found.plan.unreachable] == ["freeze spout (goal 1)"]
        assert [frame.outcome for frame in found.frames] == ["kept"] * 3


def test_nobody_there_pauses_the_run_where_hands_are_needed(tmp_path: Path) -> None:
    with simulated_camera() as simulator, rig(tmp_path, simulator, operator=None) as bench:
        with pytest.raises(RunPaused, match="Nobody is there"):
            bench.runner.start(small_plan())
        run = bench.store.logbook.run("last")
        assert run.state == "paused"
        assert bench.hands.state()["exposures"] == 0


def test_a_stop_command_acts_after_the_frame_in_flight_and_resume_goes_on(tmp_path: Path) -> None:
    with simulated_camera() as simulator, rig(tmp_path, simulator) as bench:

        def stop_after_three(event: Event) -> None:
            if event.kind == "frame-kept" and event.data["done"] == 3:
                bench.commands.send(Command("one", "stop"))
                bench.commands.send(Command("one", "stop"))  # sent twice, it acts once

        bench.on_event = stop_after_three
        with pytest.raises(RunPaused):
            bench.runner.start(small_plan())
        run = bench.store.logbook.run("last")
        assert run.state == "paused"
        assert bench.kinds().count("frame-kept") == 3
        bench.on_event = lambda event: None
        bench.runner.resume("last")
        assert bench.kinds().count("frame-kept") == 7
        assert_nothing_lost_nothing_twice(report(bench.store, run.id), bench.hands)


def test_skipping_a_filter_skips_the_frames_that_need_it_and_says_so(tmp_path: Path) -> None:
    class Skipping(SimulatedOperator):
        def act(self, step):  # type: ignore[no-untyped-def]
            return "skip" if step.action == "filters" else super().act(step)

    with simulated_camera() as simulator, rig(tmp_path, simulator, Skipping(simulator.hands)) as bench:
        found = bench.shoot(small_plan(SILK))
        assert [frame.outcome for frame in found.frames] == ["kept", "skipped"]
        rows = [row for row in bench.store.logbook.steps(found.run.id) if row.outcome == "skipped"]
        assert "ND 64" in (rows[-1].outcome_why or "")


def test_after_a_skip_hands_are_not_asked_for_what_no_picture_can_use(tmp_path: Path) -> None:
    # The filter stays on: refocusing through it for pictures that must be bare would be work for nothing.
    plan = two_waters_plan()
    unscrew = filter_steps(plan)[1]
    asked = []

    class Tired(SimulatedOperator):
        def act(self, step):  # type: ignore[no-untyped-def]
            asked.append(step.id)
            return "skip" if step.id == unscrew else super().act(step)

    with simulated_camera() as simulator, rig(tmp_path, simulator, Tired(simulator.hands)) as bench:
        found = bench.shoot(plan)
        # Refocused through the filter that stayed on, the ladder must be bare: it is skipped, and the last picture,
        # which is shot through the filter, is not.
        assert [frame.outcome for frame in found.frames] == ["kept", *["skipped"] * 3, "kept"]
        refit = filter_steps(plan)[2]
        assert unscrew in asked and refit not in asked


def test_a_setting_that_the_camera_changes_by_itself_pauses_the_run(tmp_path: Path) -> None:
    with simulated_camera() as simulator, rig(tmp_path, simulator) as bench:
        bench.hands.fault(fault="change", setting="time", to="1/30", times=50)
        with pytest.raises(SettingRefused, match="time"):
            bench.runner.start(small_plan())
        assert bench.store.logbook.run("last").state == "paused"
        assert "frame-kept" not in bench.kinds()


def after_two_frames(bench: Rig, **line: Any) -> None:
    def on_event(event: Event) -> None:
        if event.kind == "frame-kept" and event.data["done"] == 2:
            bench.hands.fault(**line)

    bench.on_event = on_event


@pytest.mark.parametrize(
    "line",
    [
        {"fault": "refuse", "verb": "describe", "times": 5},
        {"fault": "busy", "verb": "describe", "times": 12},
        {"fault": "busy", "verb": "any", "times": 20},
    ],
)
def test_a_camera_that_refuses_or_is_busy_for_a_while_does_not_end_the_run(
    tmp_path: Path, line: dict[str, Any]
) -> None:
    with simulated_camera() as simulator, rig(tmp_path, simulator) as bench:
        before = bench.hands.state()["settings"]
        after_two_frames(bench, **line)
        found = bench.shoot(small_plan())
        assert bench.hands.faults()["lines"][0]["acted"] == line["times"]
        assert_nothing_lost_nothing_twice(found, bench.hands)
        assert bench.hands.state()["settings"] == before


def test_a_camera_that_refuses_for_good_pauses_the_run_with_the_true_reason(tmp_path: Path) -> None:
    manners = Manners(patience_s=0.5)
    with simulated_camera() as simulator, rig(tmp_path, simulator, manners=manners) as bench:
        bench.camera._deadlines = Deadlines(busy_s=0.5)
        before = bench.hands.state()["settings"]
        after_two_frames(bench, fault="refuse", verb="describe", times=1_000_000)
        with pytest.raises(CameraError, match="refuses to tell") as refusal:
            bench.runner.start(small_plan())
        assert "no such setting" not in str(refusal.value)
        assert bench.store.logbook.run("last").state == "paused"
        assert any("could not be put back" in event.text for event in bench.events)
        bench.on_event = lambda event: None
        bench.hands.calm()
        assert_nothing_lost_nothing_twice(report(bench.store, bench.runner.resume("last")), bench.hands)
        assert bench.hands.state()["settings"] == before


def test_marks_that_the_camera_lacks_are_refused_before_anything_is_written(tmp_path: Path) -> None:
    goals = "goals:\n  - bracket: {change: time, by: 1, count: 3, focus: heron}\n"
    plan = small_plan(goals)
    wrong = plan.model_copy(
        update={
            "steps": tuple(
                step.model_copy(
                    update={
                        "settings": step.settings.model_copy(
                            update={"iso": step.settings.iso.model_copy(update={"mark": "140", "exact": 141.42})}
                        )
                    }
                )
                if step.kind == "expose"
                else step
                for step in plan.steps
            )
        }
    )
    with simulated_camera() as simulator, rig(tmp_path, simulator) as bench:
        with pytest.raises(BindingRefused, match="140"):
            bench.runner.start(wrong)
        assert bench.store.logbook.list_runs() == []


def test_a_picture_that_somebody_takes_by_hand_is_listed_and_apart(tmp_path: Path) -> None:
    with simulated_camera() as simulator, rig(tmp_path, simulator) as bench:

        def press_once(event: Event) -> None:
            if event.kind == "frame-kept" and event.data["done"] == 2:
                bench.hands.press()

        bench.on_event = press_once
        found = bench.shoot(small_plan())
        assert found.counts["frames"] == {"control": 2, "picture": 7, "unasked": 1}
        assert len(list((found.folder / "pictures").iterdir())) == 7
        assert_nothing_lost_nothing_twice(found, bench.hands)
        assert "unasked-frame" in bench.kinds()


@pytest.mark.parametrize("phase", ["before", "during", "after", "download"])
def test_a_link_that_breaks_at_any_phase_of_a_frame_loses_nothing(tmp_path: Path, phase: str) -> None:
    with simulated_camera() as simulator, rig(tmp_path, simulator) as bench:
        bench.hands.fault(fault="drop", frame=3, phase=phase)
        found = bench.shoot(small_plan())
        assert_nothing_lost_nothing_twice(found, bench.hands)
        assert bench.hands.faults()["unused"] == []
        assert "camera-back" in bench.kinds()


def test_a_camera_that_stays_away_pauses_the_run_and_resume_completes_it(tmp_path: Path) -> None:
    manners = Manners(patience_s=0.5)
    with simulated_camera() as simulator, rig(tmp_path, simulator, manners=manners) as bench:
        bench.hands.fault(fault="drop", frame=3, phase="after", away_s=6)
        with pytest.raises(CameraAbsent):
            bench.runner.start(small_plan())
        assert bench.store.logbook.run("last").state == "paused"
        clock.sleep(6)
        number = bench.runner.resume("last")
        assert_nothing_lost_nothing_twice(report(bench.store, number), bench.hands)


def test_a_full_card_pauses_the_run(tmp_path: Path) -> None:
    with simulated_camera() as simulator, rig(tmp_path, simulator) as bench:
        bench.hands.fault(fault="card_full", frame=4)
        with pytest.raises(CardFull):
            bench.runner.start(small_plan())
        run = bench.store.logbook.run("last")
        assert run.state == "paused"
        assert bench.store.logbook.open_attempts(run.id) == []
        bench.runner.resume("last")
        assert_nothing_lost_nothing_twice(report(bench.store, run.id), bench.hands)


def test_each_frame_is_flushed_renamed_its_folder_flushed_and_then_committed(tmp_path: Path) -> None:
    acts: list[tuple[str, str]] = []
    with (
        simulated_camera() as simulator,
        rig(tmp_path, simulator, trace=lambda act, what: acts.append((act, what))) as bench,
    ):
        found = bench.shoot(small_plan())
        names = [f"{step.id}-a1.jpg" for step in found.plan.exposing]
    for name in names:

        def first(act: str, ending: str, after: int = 0) -> int:
            return next(n for n in range(after, len(acts)) if acts[n][0] == act and acts[n][1].endswith(ending))

        flushed = next(n for n, (act, what) in enumerate(acts) if act == "fsync file" and name in what)
        intent = max(n for n in range(flushed) if acts[n] == ("commit", "begin_attempt"))
        renamed = first("rename", f"pictures/{name}")
        folder = first("fsync folder", "pictures", renamed)
        kept = first("commit", "keep", flushed)
        assert intent < flushed < renamed < folder < kept, (name, acts[intent : kept + 1])


def test_a_full_disk_stops_the_run_and_resume_completes_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with simulated_camera() as simulator, rig(tmp_path, simulator) as bench:
        import errno
        import os

        real, calls = os.fsync, []

        def full(handle: int) -> None:
            calls.append(handle)
            if "expose" in os.readlink(f"/proc/self/fd/{handle}") and len(calls) > 12:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            real(handle)

        monkeypatch.setattr(os, "fsync", full)
        with pytest.raises(StoreError, match="full"):
            bench.runner.start(small_plan())
        monkeypatch.undo()
        number = bench.runner.resume("last")
        assert_nothing_lost_nothing_twice(report(bench.store, number), bench.hands)
