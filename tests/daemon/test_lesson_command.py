"""``stopwright lesson`` by command, on a run that was really shot."""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest
from support_run import command, json_of, rig, small_plan
from support_simulator import simulated_camera
from support_teaching import KIT

GOALS = """goals:
  - ladder: {change: aperture, by: 2, from: f/4, to: f/16, balance: time, focus: heron}
limits: {iso_at_most: 6400, spread: 1/6}
"""


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A home with a store in it that holds one run of three pictures."""
    folder = tmp_path_factory.mktemp("home")
    with simulated_camera() as simulator, rig(folder, simulator) as bench:
        bench.shoot(small_plan(GOALS))
    return folder


def test_a_run_becomes_a_folder_and_a_zip_with_a_card_for_a_student(home: Path) -> None:
    store = ("--store", str(home / "store"))
    (home / "ada.yaml").write_text(KIT)
    done = command("lesson", "last", *store, "--only", "quiz,students,frames", "--student", "ada.yaml", home=home)
    assert done.returncode == 0, done.stderr
    assert all(len(line) <= 80 or "index.html" in line for line in done.stdout.splitlines())
    pack = Path(done.stdout.split("Begin with")[1].strip()).parent
    assert pack.parent.parent.name == "runs"
    assert {"quiz/quiz.pdf", "quiz/answers.pdf", "students/01.pdf", "frames/01.jpg", "frames/01.xmp"} <= {
        str(path.relative_to(pack)) for path in pack.rglob("*")
    }
    assert "ada" in (pack / "index.html").read_text()
    assert not list(pack.glob("talk*"))
    zipped = command("lesson", "1", *store, "--only", "talk", "--out", str(home / "l.zip"), "--json", home=home)
    assert json_of(zipped)["frames"] == 3
    with zipfile.ZipFile(home / "l.zip") as archive:
        assert "talk.pdf" in archive.namelist()
    # The pack in the run's folder is none of the record's pictures.
    verified = command("verify", *store, home=home)
    assert verified.returncode == 0, verified.stdout


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("last", "--only", "poster"), "allowed: side-by-side, sheets, stills"),
        (("last", "--student", "nobody.yaml"), "found no such file"),
    ],
)
def test_what_cannot_be_done_is_told_without_a_traceback(home: Path, words: tuple[str, ...], told: str) -> None:
    done = command("lesson", *words, "--store", str(home / "store"), home=home)
    assert done.returncode == 2
    assert told in done.stderr
    assert "Traceback" not in done.stderr
