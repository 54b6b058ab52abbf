"""A file of the folder that somebody stands in is never run, whatever it is called: a download may hold anything."""

from __future__ import annotations

from pathlib import Path

import pytest
from support_camera import simulator

from daemon.camera.supervisor import CameraProcess


@pytest.fixture
def trace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The current folder is full of traps; what is returned exists once one of them has sprung."""
    sprung, folder = tmp_path / "sprung", tmp_path / "downloads"
    folder.mkdir()
    for name in ("json", "signal", "gphoto2", "argparse"):
        (folder / f"{name}.py").write_text(f"open({str(sprung)!r}, 'a').write('{name} ')\nraise SystemExit(3)\n")
    monkeypatch.chdir(folder)
    return sprung


def test_the_camera_process_and_the_simulated_camera_run_no_file_of_the_current_folder(
    trace: Path, tmp_path: Path
) -> None:
    with simulator() as running:
        assert not trace.exists()
        with CameraProcess(running.camera, tmp_path / "work") as camera:
            assert camera.state().model
    assert not trace.exists()


def test_the_traps_are_ones_that_a_plain_start_would_fall_into(trace: Path) -> None:
    import subprocess
    import sys

    for module in ("daemon.camera.host", "hardware_mocks"):
        ended = subprocess.run([sys.executable, "-m", module], capture_output=True, timeout=30, check=False)
        assert ended.returncode == 3
        assert trace.exists()
        trace.unlink()
