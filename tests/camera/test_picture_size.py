"""The size of the pictures as the camera tells it, held against the kit's sensor. Labels as real cameras print them."""

from __future__ import annotations

from typing import Any

import pytest
from support_camera import setting, state

from daemon.camera.doctor import check
from daemon.camera.verbs import CameraState
from plans.compiler import compile_brief
from plans.plan import Plan
from plans.reading import demo_brief_text, read_brief


class Shown:
    """A camera that shows a state."""

    def __init__(self, shown: CameraState):
        self.shown = shown

    def state(self) -> CameraState:
        return self.shown


@pytest.fixture(scope="module")
def plan() -> Plan:
    return compile_brief(read_brief(demo_brief_text(), "demo_brief.yaml"))


def told(plan: Plan | None, **labels: str) -> list[str]:
    settings: Any = {name: setting("image_format", [label]) for name, label in labels.items()}
    shown: Any = Shown(state().model_copy(update={"settings": settings}))
    found = [finding for finding in check(None, plan, camera=shown) if finding.what == "picture size"]
    assert {finding.level for finding in found} <= {"note"}
    return [finding.found for finding in found]


def test_smaller_pictures_are_told_beside_the_kits_pixels(plan: Plan) -> None:
    assert told(plan, image_format="2992x2000") == ["the camera stores 2992 x 2000 pixels; the kit says 6000 x 4000"]
    [text] = told(plan, image_format="JPEG Fine", image_size="4496x3000")
    assert "4496 x 3000" in text
    for label in ("Medium Fine JPEG", "RAW + Small Fine JPEG", "mRAW"):
        [text] = told(plan, image_format=label)
        assert label in text and "6000 x 4000" in text


def test_a_larger_sensor_than_the_kits_is_told_too(plan: Plan) -> None:
    assert told(plan, image_format="JPEG Fine", image_size="8256x5504")


def test_the_kits_size_and_what_no_camera_tells_are_no_news(plan: Plan) -> None:
    for label in ("6000x4000", "6016x4016", "4000x6000", "Large Fine JPEG", "RAW", "NEF+Fine", "JPEG Fine", ""):
        assert told(plan, image_format=label) == [], label
    assert told(plan) == []
    assert told(None, image_format="2992x2000") == []
    assert told(plan, image_format="NEF (Raw)", image_size="2992x2000") == [], "no JPEG is made"
