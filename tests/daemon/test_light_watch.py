"""The watch over the light in whole runs on the simulated camera: clouds come and go while a group is shot."""

from __future__ import annotations

from pathlib import Path

import pytest
from support_pictures import SCALES
from support_run import rig, small_plan
from support_simulator import simulated_camera

from daemon import light_watch
from daemon.context import Manners
from daemon.errors import RunPaused
from daemon.feed import Command
from daemon.light_watch import LONGEST_S, reading_settings
from daemon.readings import light_between
from daemon.report import frame_table, report
from daemon.sheets import sheet_groups
from plans.compiler import kit_of

LADDER = """goals:
  - ladder: {change: aperture, by: 1, from: f/4, to: f/11, balance: time, focus: heron}
limits: {iso_at_most: 6400, spread: 1/6}
"""
SILK = """goals:
  - compare: [{freeze: spout}, {silk: spout}]
    hold: [aperture, focus]
limits: {iso_at_most: 6400, spread: 1/6}
"""
MANNERS = Manners(patience_s=10.0, light="full")


@pytest.fixture(autouse=True)
def short_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pauses for clouds last no time, so that the tests do not wait for real ones."""
    monkeypatch.setattr(light_watch.LightWatch, "_pause", lambda self: self._context.obey())


def weather(bench, changes):
    """Change the light when frame number N is about to be asked for: {pictures kept so far: EV100}."""
    left = dict(changes)

    def on_event(event):
        kept = bench.kinds().count("frame-kept")
        if kept in left:
            bench.hands.light(left.pop(kept))

    bench.on_event = on_event


def accounts(found):
    return [told["account"] for told in found.light.values()]


def test_in_a_steady_light_a_group_is_read_between_all_frames_and_told_steady(tmp_path: Path) -> None:
    with simulated_camera() as simulator, rig(tmp_path, simulator, manners=MANNERS) as bench:
        found = bench.shoot(small_plan(LADDER))
        assert len(found.plan.exposing) == 4
        # Metering, before the first, and after each.
        assert found.counts["frames"] == {"control": 1 + 1 + 4, "picture": 4}
        (told,) = accounts(found)
        assert (told["shifted"], told["waited_s"], told["retakes"]) == (False, 0.0, 0)
        assert told["moved"] <= 0.05
        assert {frame.outcome for frame in found.frames} == {"kept"}
        assert "the light held within" in frame_table(found)
        assert sheet_groups(found)[0].notes[0].startswith("Light: the light held within")


def test_without_a_watch_nothing_is_read_and_nothing_is_claimed(tmp_path: Path) -> None:
    with simulated_camera() as simulator, rig(tmp_path, simulator) as bench:
        found = bench.shoot(small_plan(LADDER))
        assert found.counts["frames"] == {"control": 1, "picture": 4}
        assert found.light == {}
        assert sheet_groups(found)[0].notes == ()


def test_a_cloud_is_waited_for_and_the_group_comes_out_even(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # The reading after a frame would stand for the one before the next: the camera is that quick. A slow one rereads.
    monkeypatch.setattr(light_watch.Watch, "needs_reading", lambda self, step, when, at_s: self.grade == "full")
    with simulated_camera() as simulator, rig(tmp_path, simulator, manners=MANNERS) as bench:
        looks = []

        def on_event(event):
            if event.kind == "frame-kept" and not looks:
                bench.hands.light(11.8)
            if "waiting for a cloud" in event.text:
                looks.append(event)
                bench.hands.light(13.0)

        bench.on_event = on_event
        found = bench.shoot(small_plan(LADDER))
        (told,) = accounts(found)
        assert len(looks) == 1
        assert told["waited_s"] > 0 and not told["shifted"]
        residuals = [frame.residual_stops for frame in found.frames]
        assert max(abs(value) for value in residuals if value is not None) <= 0.1
        assert any("waited for a cloud" in event.text for event in bench.store.logbook.events(found.run.id))


def test_a_frame_that_the_light_changed_under_is_taken_again_and_both_are_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with simulated_camera() as simulator, rig(tmp_path, simulator, manners=MANNERS) as bench:
        real, seen = light_watch.LightWatch.after, []

        def after(self, row, step, frame):
            seen.append(step.id)
            bench.hands.light(12.0 if len(seen) == 2 else 13.0)
            answer = real(self, row, step, frame)
            bench.hands.light(13.0)
            return answer

        monkeypatch.setattr(light_watch.LightWatch, "after", after)
        found = bench.shoot(small_plan(LADDER))
        (told,) = accounts(found)
        assert told["retakes"] == 1
        assert len(seen) == 5 and seen[1] == seen[2]
        assert found.counts["frames"]["picture"] == 5
        assert len(list((found.folder / "pictures").iterdir())) == 5
        assert {frame.outcome for frame in found.frames} == {"kept"}
        # The frame that counts is the later one.
        second = found.frames[1]
        assert second.path is not None and second.path.stem.endswith("-a4"), second.path


def test_a_change_that_stays_is_told_on_table_and_sheet_with_its_size(tmp_path: Path) -> None:
    with simulated_camera() as simulator, rig(tmp_path, simulator, manners=Manners(10.0, light="ends")) as bench:
        weather(bench, {2: 12.5})
        found = bench.shoot(small_plan(LADDER))
        (told,) = accounts(found)
        assert told["shifted"]
        assert told["moved"] == pytest.approx(0.5, abs=0.06)
        assert "the light moved by 0.5" in frame_table(found)
        assert "two ends only" in " ".join(frame_table(found).split())


def test_readings_through_a_filter_are_held_against_bare_ones_with_its_uncertainty(tmp_path: Path) -> None:
    with simulated_camera() as simulator, rig(tmp_path, simulator, manners=MANNERS) as bench:
        found = bench.shoot(small_plan(SILK))
        (told,) = accounts(found)
        assert not told["shifted"] and told["moved"] <= 0.15
        assert [frame.doubt for frame in found.frames] == [None, None]


def test_a_run_that_stops_in_a_group_goes_on_with_its_zero(tmp_path: Path) -> None:
    with simulated_camera() as simulator, rig(tmp_path, simulator, manners=MANNERS) as bench:

        def stop(event):
            if event.kind == "frame-kept" and bench.kinds().count("frame-kept") == 2:
                bench.commands.send(Command("one", "stop"))

        bench.on_event = stop
        with pytest.raises(RunPaused):
            bench.shoot(small_plan(LADDER))
        bench.on_event = lambda event: None
        bench.hands.light(12.0)
        number = bench.runner.resume("last")
        found = report(bench.store, number)
        (told,) = accounts(found)
        # The cloud of a stop never passes, so that it was waited for in vain and told.
        assert told["shifted"] and told["moved"] == pytest.approx(1.0, abs=0.1)
        assert {frame.outcome for frame in found.frames} == {"kept"}


def test_reading_settings_are_short_right_in_brightness_and_the_rig_s_own() -> None:
    plan = small_plan(SILK)
    kit = kit_of(plan)
    for step in plan.exposing:
        reference = next(one for one in plan.exposing if one.id == step.reference)
        found = reading_settings(step, reference, SCALES)
        assert found.time.exact <= LONGEST_S
        assert (found.filters, found.focus) == (step.settings.filters, step.settings.focus)
        assert abs(light_between(reference.settings, found, kit)) <= 0.35
