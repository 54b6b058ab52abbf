"""``stopwright calibrate`` on the simulated camera, through the real camera library: an iris that errs, a filter."""

from __future__ import annotations

from pathlib import Path

import pytest
from support_run import command, json_of
from support_simulator import simulated_camera

from hardware_mocks.hands import Hands
from plans.reading import demo_brief_text, read_brief

ERRORS = {"f/1.8": -0.3, "f/2": -0.2, "f/16": 0.15}


def kit_text() -> str:
    """The demo brief's kit as a kit file."""
    body = demo_brief_text().partition("kit:\n")[2].partition("scene:")[0]
    return "stopwright-kit: 1\n" + "\n".join(line[2:] for line in body.splitlines()) + "\n"


def test_apertures_that_err_are_found_and_a_brief_reads_the_kit_that_was_written(tmp_path: Path) -> None:
    (tmp_path / "kit.yaml").write_text(kit_text())
    faults = [{"fault": "aperture_error", "stops": ERRORS}]
    with simulated_camera(render="scene", size=(300, 200), faults=faults) as simulator:
        before = Hands(simulator.hands).state()["settings"]
        words = ["calibrate", "--camera", simulator.camera, "--kit", "kit.yaml", "--out", "mine.yaml", "--json"]
        done = command(*words, home=tmp_path)
        assert done.returncode == 0, done.stderr
        told = json_of(done)
        after = Hands(simulator.hands).state()
        assert after["settings"] == before
        assert after["exposures"] == told["frames"] and after["deletes"] == 0
        again = command(*words, home=tmp_path)
        assert again.returncode == 2 and "a new name" in again.stderr
    for mark, error in told["aperture"].items():
        assert error == pytest.approx(ERRORS.get(mark, 0.0), abs=0.06), mark
    assert told["slope"] == pytest.approx(1.0, abs=0.05)
    assert told["filters"] == {}  # nobody was there to fit them
    brief = demo_brief_text()
    head, _, rest = brief.partition("kit:\n")
    whole = f"{head}kit: mine.yaml\n{rest[rest.index('scene:') :]}"
    kit = read_brief(whole, "brief.yaml", lambda name: (tmp_path / name).read_text()).kit
    assert kit.corrections.aperture["f/1.8"] == pytest.approx(-0.3, abs=0.06)
    assert len(kit.corrections.tone) == 3
    assert [item.name for item in kit.filters] == ["ND 8", "ND 64"]


def test_filters_are_measured_between_two_bare_frames() -> None:
    import numpy as np

    from daemon.calibrating import filter_stops
    from daemon.pictures.reading import FrameMeasure

    scene = np.random.default_rng(1).uniform(0.05, 0.5, (8, 12))

    def frame(stops):
        return FrameMeasure(12, 8, scene * 2.0**stops, np.zeros((8, 12)), (0.0,) * 3, (0.0,) * 3, scene)  # type: ignore[arg-type]

    # An ND 64 that takes 6.3 stops, exposed 6 longer, while the light falls by 0.2 from first to last.
    found = filter_stops([frame(0.0), frame(-0.2)], frame(6.0 - 6.3 - 0.1), 6.0, ())
    assert found == pytest.approx(6.3)
    assert filter_stops([frame(0.0)], frame(6.0 - 6.3 - 0.1), 6.0, ()) == pytest.approx(6.4)  # with one end alone
