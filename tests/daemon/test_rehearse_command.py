"""``rehearse`` on the command line: files, figures, exit codes, and what it says when it cannot."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from PIL import Image
from support_run import command, small_brief

import daemon.rehearsing
from daemon.errors import UsageError

NONE = "goals:\n  - polariser: spout\n"
SOME = f"{NONE}  - bracket: {{change: time, by: 1, count: 3, focus: heron}}\n"
SMALL = ("--size", "300")


@pytest.fixture
def home(tmp_path: Path) -> Path:
    for name, goals in (("some.yaml", SOME), ("none.yaml", NONE)):
        (tmp_path / name).write_text(small_brief(goals))
    return tmp_path


def test_the_sheet_is_drawn_and_what_is_out_of_reach_is_told_with_exit_3(home: Path) -> None:
    done = command("rehearse", "some.yaml", "--out", "sheet.png", *SMALL, home=home)
    assert done.returncode == 3, done.stderr
    assert "NOT REACHABLE  " in done.stdout and "no polariser is in the bag" in done.stdout
    assert "heron is the stone heron, at 2 m" in done.stdout and "0:00:00  Set up the tripod" in done.stdout
    assert "cannot tell" in done.stdout and all(len(line) <= 80 for line in done.stdout.splitlines())
    with Image.open(home / "sheet.png") as sheet:
        assert sheet.size[0] > sheet.size[1] > 1000
    assert sorted(path.name for path in home.iterdir() if path.suffix in (".png", ".pdf")) == ["sheet.png"]


def test_json_is_one_document_with_the_brightness_of_each_picture(home: Path) -> None:
    done = command("rehearse", "some.yaml", "--json", "--reachable", *SMALL, home=home)
    assert done.returncode == 0, done.stderr
    tree = json.loads(done.stdout)
    apart = [(one["brightness_stops"], one["meant_stops"]) for one in tree["pictures"]]
    assert len(apart) == 3 and all(read == pytest.approx(meant, abs=0.05) for read, meant in apart)
    assert tree["walked"]["wrong"] == [] and len(tree["walked"]["hands"]) >= 1
    assert tree["unreachable"][0]["goal"].startswith("polariser") and tree["files"] == ["rehearsal.pdf"]
    assert (home / "rehearsal.pdf").read_bytes().startswith(b"%PDF")


def test_with_nothing_in_reach_nothing_is_drawn_and_the_exit_is_3(home: Path) -> None:
    done = command("rehearse", "none.yaml", "--reachable", *SMALL, home=home)
    assert done.returncode == 3 and "nothing to shoot" in done.stdout
    assert not (home / "rehearsal.pdf").exists()


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("some.yaml", "--out", "sheet.jpg"), "allowed: .pdf and .png"),
        (("some.yaml", "--out", ".."), "no ending"),
        (("some.yaml", "--out", "gone/sheet.pdf"), "Make it first"),
        (("nowhere.yaml",), "found no such file"),
        (("some.yaml", "--size", "20"), "300<=x<=3000"),
    ],
)
def test_what_cannot_be_done_is_said_without_a_traceback(home: Path, words: tuple[str, ...], told: str) -> None:
    done = command("rehearse", *words, home=home)
    assert done.returncode == 2 and told in done.stderr and "Traceback" not in done.stderr


def test_hostile_names_go_through_to_words_and_sheet(home: Path) -> None:
    text = small_brief("goals:\n  - isolate: 'null - _x_ 1e9'\n").replace("heron:", "'null - _x_ 1e9':")
    (home / "odd.yaml").write_text(text.replace("title: Fountain, Tuesday class", "title: '../{title} %d  \U0001f426'"))
    done = command("rehearse", "odd.yaml", *SMALL, home=home)
    assert done.returncode == 0, done.stderr
    assert "null - _x_ 1e9 is the stone heron" in done.stdout
    assert (home / "rehearsal.pdf").stat().st_size > 10_000


def test_without_a_simulated_scene_it_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(daemon.rehearsing, "entry_points", lambda group: [])
    with pytest.raises(UsageError, match="install stopwright with its hardware_mocks package"):
        daemon.rehearsing.find_rehearse()
