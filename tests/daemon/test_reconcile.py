"""What becomes of a frame in flight, and of what others did meanwhile: deaths at chosen points, for real cards."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from support_run import Rig, assert_nothing_lost_nothing_twice, rig, small_brief, small_plan
from support_simulator import simulated_camera

from daemon import clock
from daemon.context import Manners
from daemon.errors import CameraError, PlanUnreachable, RunPaused, SettingRefused
from daemon.feed import Command, Event
from daemon.hands import hands_after, is_of_use
from daemon.report import report
from hardware_mocks.hands import Hands, SimulatedOperator
from plans.compiler import compile_brief
from plans.plan import OperatorStep, Plan
from plans.reading import read_brief


class Die(BaseException):
    """Stands for SIGKILL at a chosen line; the real thing at random moments is in test_deaths.py."""


def die_at_call(bench: Rig, monkeypatch: pytest.MonkeyPatch, owner: Any, name: str, number: int) -> None:
    """Let the ``number``-th call of a method die before it does anything, and leave no time to clean up."""
    real: Callable[..., Any] = getattr(owner, name)
    calls = []

    def deadly(*arguments: Any, **options: Any) -> Any:
        calls.append(name)
        if len(calls) == number:
            raise Die
        return real(*arguments, **options)

    monkeypatch.setattr(owner, name, deadly)
    monkeypatch.setattr(bench.runner, "_pause", lambda context, error: None)


def other_run(folder: Path, bench: Rig) -> None:
    """A whole other run on the same camera, into the same store."""
    with rig(folder, bench.simulator) as other:
        other.shoot(small_plan())


def test_a_run_never_takes_up_pictures_of_another_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with simulated_camera() as simulator, rig(tmp_path, simulator) as bench:
        die_at_call(bench, monkeypatch, bench.camera, "expose", 4)
        with pytest.raises(Die):
            bench.runner.start(small_plan())
        monkeypatch.undo()
        bench.camera.close()
        other_run(tmp_path, bench)
        number = bench.runner.resume(1)
        first, second = report(bench.store, number), report(bench.store, 2)
        assert first.counts["frames"] == second.counts["frames"] == {"control": 2, "picture": 7}
        assert first.counts["attempts"] == {"abandoned": 1, "kept": 9}
        paths = [file.card_name for run in (1, 2) for file in bench.store.logbook.files(run)]
        assert len(paths) == len(set(paths)) == bench.hands.state()["exposures"] == 18


def test_a_picture_taken_by_hand_after_the_death_is_not_the_attempt_s(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with simulated_camera() as simulator, rig(tmp_path, simulator) as bench:
        die_at_call(bench, monkeypatch, bench.camera, "expose", 4)
        with pytest.raises(Die):
            bench.runner.start(small_plan())
        monkeypatch.undo()
        clock.sleep(7)  # beyond the slack of card clocks, the exposure and its readout
        bench.hands.press()
        found = report(bench.store, bench.runner.resume("last"))
        assert found.counts["frames"] == {"control": 2, "picture": 7, "unasked": 1}
        assert not any(frame.recovered for frame in found.frames)


def test_a_picture_that_was_exposed_when_death_came_is_taken_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # The counterpart of the two above: the same death one line later, after the trigger.
    with simulated_camera() as simulator, rig(tmp_path, simulator) as bench:
        die_at_call(bench, monkeypatch, bench.camera, "fetch", 4)
        with pytest.raises(Die):
            bench.runner.start(small_plan())
        monkeypatch.undo()
        found = report(bench.store, bench.runner.resume("last"))
        assert [frame.recovered for frame in found.frames].count(True) == 1
        assert_nothing_lost_nothing_twice(found, bench.hands)


def test_a_file_made_durable_before_the_death_is_listed_though_its_card_is_gone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    card = tmp_path / "card"
    card.mkdir()
    with simulated_camera(card=card) as simulator, rig(tmp_path, simulator) as bench:
        ports = [int(text.rpartition(":")[2]) for text in (simulator.camera, simulator.hands)]
        die_at_call(bench, monkeypatch, bench.store.logbook, "keep", 4)
        with pytest.raises(Die):
            bench.runner.start(small_plan())
        monkeypatch.undo()
    empty = tmp_path / "empty"
    empty.mkdir()
    with (
        simulated_camera(card=empty, port=ports[0], hands_port=ports[1]) as simulator,
        rig(tmp_path, simulator) as bench,
    ):
        bench.hands.focus(2.0)
        found = report(bench.store, bench.runner.resume("last"))
        assert [frame.recovered for frame in found.frames].count(True) == 1
        assert found.counts["files"] == found.counts["distinct_hashes"] == 9
        assert bench.hands.state()["exposures"] == 5  # the frame on disk was not shot again


def test_old_pictures_on_a_card_put_in_meanwhile_are_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    old, card = tmp_path / "old", tmp_path / "card"
    for folder in (old, card):
        folder.mkdir()
    with simulated_camera(card=old) as simulator, rig(tmp_path / "earlier", simulator) as bench:
        bench.shoot(small_plan())
    clock.sleep(2.1)  # the step of card clocks
    with simulated_camera(card=card) as simulator, rig(tmp_path, simulator) as bench:
        ports = [int(text.rpartition(":")[2]) for text in (simulator.camera, simulator.hands)]
        die_at_call(bench, monkeypatch, bench.camera, "expose", 4)
        with pytest.raises(Die):
            bench.runner.start(small_plan())
        monkeypatch.undo()
    with (
        simulated_camera(card=old, port=ports[0], hands_port=ports[1]) as simulator,
        rig(tmp_path, simulator) as bench,
    ):
        bench.hands.focus(2.0)
        found = report(bench.store, bench.runner.resume("last"))
        assert found.counts["frames"] == {"control": 2, "picture": 7}
        assert not any(frame.recovered for frame in found.frames)
        assert any("Another card" in event.text for event in bench.events)


def test_old_pictures_on_a_card_put_in_after_a_clean_stop_are_left_alone(tmp_path: Path) -> None:
    # No attempt is open here, so that nothing but the habit of looking at the card on going on can tell.
    old = tmp_path / "old"
    old.mkdir()
    with simulated_camera(card=old) as simulator:
        for _ in range(3):
            Hands(simulator.hands).press()
            while Hands(simulator.hands).state()["busy"]:
                clock.sleep(0.02)
    clock.sleep(2.1)  # the step of card clocks
    with simulated_camera() as simulator, rig(tmp_path, simulator) as bench:
        ports = [int(text.rpartition(":")[2]) for text in (simulator.camera, simulator.hands)]

        def stop(event: Event) -> None:
            if event.kind == "frame-kept" and event.data["done"] == 2:
                bench.commands.send(Command("one", "stop"))

        bench.on_event = stop
        with pytest.raises(RunPaused):
            bench.runner.start(small_plan())
        assert bench.store.logbook.open_attempts(1) == []
    with (
        simulated_camera(card=old, port=ports[0], hands_port=ports[1]) as simulator,
        rig(tmp_path, simulator) as bench,
    ):
        bench.hands.focus(2.0)
        found = report(bench.store, bench.runner.resume("last"))
        assert found.counts["outcomes"].keys() == {"kept"}
        assert "unasked" not in found.counts["frames"]
        assert any("Another card" in event.text for event in bench.events)
        assert len(bench.hands.state()["card"]) > 3, "new pictures went onto the card with the old ones"


def test_light_as_metered_outlives_a_death_before_its_plan_is_stored(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with simulated_camera(light=11.5) as simulator, rig(tmp_path, simulator) as bench:
        die_at_call(bench, monkeypatch, bench.store.logbook, "add_plan", 2)
        with pytest.raises(Die):
            bench.runner.start(small_plan())
        monkeypatch.undo()
        found = report(bench.store, bench.runner.resume("last"))
        assert found.revision == 2
        assert found.plan.inputs.light.ev100 == pytest.approx(11.5, abs=0.1)
        assert (found.folder / "plan-2.json").exists()


def test_settings_that_could_not_be_put_back_are_still_known(tmp_path: Path) -> None:
    with simulated_camera() as simulator:
        with rig(tmp_path, simulator) as bench:
            before = bench.hands.state()["settings"]

            def turn_dial(event: Event) -> None:
                if event.kind == "frame-kept" and event.data["done"] == 2:
                    bench.hands.dial("A")

            bench.on_event = turn_dial
            with pytest.raises(SettingRefused):
                bench.runner.start(small_plan())
            left = [item.name for item in bench.store.logbook.settings_found(1) if item.restored_at is None]
            assert "time" in left
        with rig(tmp_path, simulator) as bench:
            bench.hands.dial("M")
            bench.runner.resume("last")
            assert bench.hands.state()["settings"] == before


def filters_plan() -> Plan:
    """A frozen picture with the ND 64 left on the lens from before: it must come off for the next one, and on again."""
    goals = "goals:\n  - silk: spout\n  - silk: basin\nlimits: {iso_at_most: 6400}\n"
    basin = "    basin: {distance: 2.6 m, speed: 3 m/s}\n    heron:"
    return compile_brief(read_brief(small_brief(goals).replace("    heron:", basin), "waters.yaml"))


def test_a_filter_step_done_after_one_that_was_skipped_changes_only_what_it_says() -> None:
    plan = filters_plan()
    steps = [step for step in plan.steps if isinstance(step, OperatorStep)]
    fit = next(step for step in steps if step.filters)
    off = next(step for step in steps[steps.index(fit) :] if not step.filters)
    done = {step.id for step in steps}
    done -= {steps[-1].id}  # the second fitting
    assert hands_after({1: plan}, {1: done}).filters == ()
    assert hands_after({1: plan}, {1: done - {off.id}}).filters == fit.filters
    assert hands_after({1: plan}, {1: done - {fit.id}}).filters == ()
    assert "ND 64" in hands_after({1: plan}, {1: done - {off.id}}).in_words()


def test_a_filter_that_was_never_fitted_need_not_be_taken_off() -> None:
    plan = filters_plan()
    steps = [step for step in plan.steps if isinstance(step, OperatorStep)]
    compose, fit = steps[0], next(step for step in steps if step.filters)
    off = next(step for step in steps[steps.index(fit) :] if not step.filters)
    bare = hands_after({1: plan}, {1: {compose.id}})
    assert is_of_use(bare, plan, fit)
    assert not is_of_use(bare, plan, off)


def test_a_listener_that_fails_does_not_end_the_run(tmp_path: Path) -> None:
    with simulated_camera() as simulator, rig(tmp_path, simulator) as bench:

        def broken(event: Event) -> None:
            raise BrokenPipeError

        bench.on_event = broken
        assert_nothing_lost_nothing_twice(bench.shoot(small_plan()), bench.hands)


def test_a_fault_of_our_own_still_pauses_the_run_and_puts_the_camera_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with simulated_camera() as simulator, rig(tmp_path, simulator) as bench:
        before = bench.hands.state()["settings"]
        monkeypatch.setattr("daemon.picturing.picture_of", lambda files: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            bench.runner.start(small_plan())
        assert bench.store.logbook.run("last").state == "paused"
        assert bench.hands.state()["settings"] == before


def test_a_stop_is_obeyed_while_a_lost_camera_is_waited_for(tmp_path: Path) -> None:
    with simulated_camera() as simulator, rig(tmp_path, simulator, manners=Manners(patience_s=120)) as bench:
        bench.hands.fault(fault="drop", frame=3, phase="after", away_s=300)

        def stop(event: Event) -> None:
            if event.kind == "camera-lost":
                bench.commands.send(Command("one", "stop"))

        bench.on_event = stop
        began = clock.monotonic()
        with pytest.raises((RunPaused, CameraError)):
            bench.runner.start(small_plan())
        assert clock.monotonic() - began < 55
        assert bench.store.logbook.run("last").state == "paused"


def test_a_picture_that_cannot_be_read_is_kept_and_shot_again(tmp_path: Path) -> None:
    with simulated_camera() as simulator, rig(tmp_path, simulator) as bench:
        real, calls = bench.camera.fetch, []

        def rotten(file: Any, into: Path) -> int:
            size = real(file, into)
            calls.append(file)
            if len(calls) == 4:
                into.write_bytes(b"\xff\xd8\xff" + bytes(range(256)) * (size // 256) + bytes(size % 256 - 3))
            return into.stat().st_size

        bench.camera.fetch = rotten  # type: ignore[method-assign]
        found = bench.shoot(small_plan())
        assert [frame.outcome for frame in found.frames] == ["kept"] * 7
        assert found.counts["attempts"] == {"failed": 1, "kept": 9}
        assert found.counts["files"] == bench.hands.state()["exposures"] == 10


def test_the_caution_at_the_water_is_given_though_the_rig_stands_composed(tmp_path: Path) -> None:
    from plans.compiler import recompile
    from plans.plan import Rig as RigState

    plan = small_plan("goals:\n  - freeze: spout\nlimits: {iso_at_most: 6400}\n")
    compose = plan.steps[0]
    assert isinstance(compose, OperatorStep)
    ready = recompile(plan, plan.inputs.light, RigState(focus=compose.focus))
    assert not any(isinstance(step, OperatorStep) for step in ready.steps)
    with simulated_camera() as simulator, rig(tmp_path, simulator) as bench:
        bench.hands.focus(compose.focus.distance_m)
        bench.shoot(ready)
        assert sum("slippery" in event.text for event in bench.events if event.kind == "note") == 1


def test_light_in_which_nothing_can_be_shown_is_no_finished_run(tmp_path: Path) -> None:
    plan = small_plan("goals:\n  - freeze: spout\nlimits: {iso_at_most: 100}\n")
    manners = Manners(reachable=True)
    with simulated_camera(light=11.5) as simulator, rig(tmp_path, simulator, manners=manners) as bench:
        with pytest.raises(PlanUnreachable, match="freeze spout"):
            bench.runner.start(plan)
        assert bench.store.logbook.run("last").state == "paused"


def test_a_skip_of_the_filter_leaves_no_frame_called_what_it_is_not(tmp_path: Path) -> None:
    class Tired(SimulatedOperator):
        def act(self, step: OperatorStep) -> Any:
            return "skip" if step.action == "filters" and not step.filters else super().act(step)

    with simulated_camera() as simulator, rig(tmp_path, simulator, Tired(simulator.hands)) as bench:
        found = bench.shoot(filters_plan())
        # The ND 64 stays on for the second water, which wants it anyway: what is shot is called what it is.
        worn = [tuple(item.name for item in frame.step.settings.filters) for frame in found.frames if frame.frame]
        assert worn and all(names == ("ND 64",) for names in worn)


def test_the_helper_that_dies_does_die(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with simulated_camera() as simulator, rig(tmp_path, simulator) as bench:
        die_at_call(bench, monkeypatch, bench.camera, "expose", 1)
        with pytest.raises(Die):
            bench.runner.start(small_plan())
        assert bench.store.logbook.run("last").state == "running"
        assert len(bench.store.logbook.open_attempts(1)) == 1
    shutil.rmtree(tmp_path)
