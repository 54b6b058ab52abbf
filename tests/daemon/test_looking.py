"""A live picture while a run waits: never a frame, and a camera that gives none ends no run."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from support_inprocess import bench
from support_run import small_plan

from daemon import clock
from daemon.context import Manners
from daemon.errors import CameraError
from daemon.looking import live_picture
from daemon.report import report


def wait_until(true: Callable[[], object], seconds: float = 20.0) -> None:
    end = clock.monotonic() + seconds
    while not true():
        assert clock.monotonic() < end, "waited in vain"
        clock.sleep(0.01)


def test_a_look_is_had_while_a_run_waits_and_a_camera_that_shows_nothing_ends_no_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    with bench(tmp_path) as made:
        made.new_runner(manners=Manners(cue=True))
        walk = threading.Thread(target=lambda: made.runner.start(small_plan()))
        walk.start()
        wait_until(lambda: made.runner.state == "cueing")
        made.send("preview")
        wait_until(lambda: "preview" in made.kinds())
        picture = live_picture(made.store.path, 1)
        first = picture.read_bytes()
        assert first[:2] == b"\xff\xd8"
        assert made.runner.state == "cueing" and "frame-kept" not in made.kinds()  # it waits as before

        def shows_nothing(into: Path) -> int:
            raise CameraError("looking through the camera: found no live picture")

        monkeypatch.setattr(made.camera, "preview", shows_nothing)
        made.send("preview")
        wait_until(lambda: made.kinds().count("preview") == 2)
        assert made.texts("preview")[1].startswith("No live picture") and picture.read_bytes() == first
        assert list(picture.parent.iterdir()) == [picture]
        for number in range(7):
            wait_until(lambda: made.runner.state == "cueing")
            made.send("cue")
            wait_until(lambda n=number: made.kinds().count("frame-kept") == n + 1)  # type: ignore[misc]
        wait_until(lambda: made.runner.state == "cueing")
        made.send("cue")
        walk.join(30)
        assert not walk.is_alive()
        assert len(report(made.store, "last").frames) == 7
