"""Times beyond the camera's own: held open from here where the camera offers it, refused with a way out where not."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from support_inprocess import SIZE, Bench
from support_run import small_plan

from daemon.bulb import held_check
from daemon.camera.verbs import BulbExposure, CameraState, CardFile
from daemon.errors import BindingRefused
from daemon.frames import verified
from daemon.pictures.exif import ExifCheck
from daemon.report import report
from daemon.store import open_store
from hardware_mocks.flat import FlatRenderer
from hardware_mocks.inprocess import InProcessCamera
from plans.plan import MarkValue, Plan

EXPOSURE_TIME, EXIF = 33434, 0x8769  # tags of the Exif standard
MINUTE = MarkValue(mark="60", exact=64.0)


class HoldsOpen(InProcessCamera):
    """A simulated camera with the verb, which waits for nobody: it exposes briefly and writes the time held."""

    def __init__(self, **options: Any):
        super().__init__(**options)
        self.held: list[float] = []
        self._names: set[str] = set()

    def bulb(self, seconds: float) -> BulbExposure:
        assert self.state().settings["time"].current == "Bulb"
        self.held.append(seconds)
        self.apply({"time": "1/8000"})
        files = self.expose(1 / 8000)
        self.apply({"time": "Bulb"})
        self._names |= {file.name for file in files}
        return BulbExposure(files=tuple(files), held_s=seconds, within_s=0.0)

    def fetch(self, file: CardFile, into: Path) -> int:
        size = super().fetch(file, into)
        if file.name in self._names:
            with Image.open(into) as picture:
                exif = picture.getexif()
                exif.get_ifd(EXIF)[EXPOSURE_TIME] = self.held[-1]
                picture.load()
            picture.save(into, "JPEG", exif=exif)
            size = into.stat().st_size
        return size


class Shut(InProcessCamera):
    """A simulated camera whose shutter cannot be held open from here."""

    def state(self) -> CameraState:
        return super().state().model_copy(update={"can_bulb": False})


def plan_with_a_minute() -> Plan:
    plan = small_plan()
    last = plan.exposing[-1]
    longer = last.model_copy(update={"settings": last.settings.model_copy(update={"time": MINUTE})})
    return plan.model_copy(update={"steps": (*plan.steps[:-1], longer)})


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Bench]:
    camera = HoldsOpen(renderer=FlatRenderer(), size=SIZE)
    with open_store(tmp_path / "store") as store:
        yield Bench(store, camera)
    camera.close()


def test_a_time_beyond_the_scale_is_held_open_for_exactly_as_long_as_the_plan_counts(made: Bench) -> None:
    found = made.shoot(plan_with_a_minute())
    assert made.camera.held == [64.0]  # type: ignore[attr-defined]
    # Exif is held against the plan's own mark, though the camera's scale ends before it.
    assert [frame.checked for frame in found.frames] == ["as planned"] * 7
    assert made.camera.state().settings["time"].current != "Bulb"  # put back


def test_a_bulb_picture_of_another_length_is_not_as_planned(made: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    # The negative control: half of what was asked shows in the record, and is shot again.
    real = HoldsOpen.bulb

    def half(self: HoldsOpen, seconds: float) -> BulbExposure:
        files = real(self, seconds)
        self.held[-1] = seconds / 2
        return files

    monkeypatch.setattr(HoldsOpen, "bulb", half)
    found = made.shoot(plan_with_a_minute())
    assert [frame.outcome for frame in found.frames] == ["kept"] * 6 + ["abandoned"]
    assert any("planned 60" in text for text in made.texts("attempt-failed"))


def test_how_long_a_shutter_was_held_is_in_the_record_and_among_the_events(made: Bench) -> None:
    found = made.shoot(plan_with_a_minute())
    (event,) = [one for one in made.store.logbook.events(found.run.id) if one.kind == "shutter-held"]
    assert event.data["held_s"] == 64.0 and event.data["ended_early"] is False
    assert event.text == f"{found.frames[-1].step.id}: the shutter was held open 64.000 s, within 0.000 s either way"
    held = {
        frame.id: [one for one in frame.checks if one["kind"] == "held"]
        for frame in made.store.logbook.frames(found.run.id)
    }
    told = [one for checks in held.values() for one in checks]
    assert told == [{"kind": "held", "planned": "60", "found": "64.000 s within 0.000 s", "agrees": True}]


@pytest.mark.parametrize(
    ("held_s", "within_s", "ended_early", "agrees"),
    [
        (64.0, 0.02, False, True),
        (56.0, 0.0, False, False),  # a fifth of a stop short
        (57.5, 1.0, False, None),  # it may have been long enough, or not
        (40.0, 0.0, True, False),
        (64.0, 0.1, True, None),  # at most so long: that tells nothing
    ],
)
def test_a_held_shutter_agrees_only_where_every_time_it_can_have_been_open_does(
    held_s: float, within_s: float, ended_early: bool, agrees: bool | None
) -> None:
    made = BulbExposure(files=(), held_s=held_s, within_s=within_s, ended_early=ended_early)
    assert held_check(made, MINUTE).agrees is agrees


def test_where_no_exif_tells_the_time_the_held_shutter_does() -> None:
    def check(kind: Any, agrees: bool | None) -> ExifCheck:
        return ExifCheck(kind=kind, planned="", found="", agrees=agrees)

    rest = [check("aperture", True), check("iso", True)]
    assert verified([*rest, check("time", None), check("held", False)]) == "not as planned"
    assert verified([*rest, check("time", None), check("held", True)]) == "as planned"
    assert verified([*rest, check("time", None), check("held", None)]) == "unverified"
    assert verified([*rest, check("time", True), check("held", None)]) == "as planned"


def test_a_camera_that_cannot_be_held_open_refuses_before_the_first_frame_and_says_what_to_do(tmp_path: Path) -> None:
    camera = Shut(renderer=FlatRenderer(), size=SIZE)
    with open_store(tmp_path / "store") as store:
        made = Bench(store, camera)
        with pytest.raises(BindingRefused, match=r"the plan wants 60 s; the longest .* is 30") as refused:
            made.runner.start(plan_with_a_minute())
        assert "Plan without bulb times" in str(refused.value)
        assert store.logbook.list_runs() == [] and made.exposures == 0
        assert report(store, made.runner.start(small_plan())).run.state == "done"  # the runner is none the worse
    camera.close()
