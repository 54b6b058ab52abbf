"""Standard streams as they come: closed, full, of a narrow encoding, left by their reader."""

from __future__ import annotations

import json
import os
import shlex
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from support_run import COMMAND, command, environment, json_of, small_brief
from support_simulator import simulated_camera

from daemon.streams import columns
from hardware_mocks.hands import Hands
from hardware_mocks.server import Simulator

BRACKET = "goals:\n  - bracket: {change: time, by: 1, count: 3, focus: heron}\n"


def through_shell(line: str, home: Path, **more: str) -> subprocess.CompletedProcess[str]:
    """A line for bash in which ``stopwright`` is the command."""
    line = f'stopwright() {{ {shlex.join(COMMAND)} "$@"; }}; set -o pipefail; {line}'
    return subprocess.run(
        ["bash", "-c", line],
        env=environment(home) | more,
        cwd=home,
        capture_output=True,
        text=True,
        errors="surrogateescape",
        timeout=50,
        check=False,
    )


@pytest.fixture(scope="module")
def garden() -> Iterator[Simulator]:
    with simulated_camera(timing="instant") as running:
        yield running


@pytest.fixture
def brief(tmp_path: Path) -> str:
    (tmp_path / "brief.yaml").write_text(small_brief(BRACKET))
    return "brief.yaml"


@pytest.mark.parametrize("closed", ["<&-", "2>&-", "<&- 2>&-"])
def test_a_closed_stream_is_no_fault(brief: str, tmp_path: Path, closed: str) -> None:
    done = through_shell(f"stopwright compile {brief} {closed}", tmp_path)
    assert done.returncode == 0, done.stderr
    assert "Fountain, Tuesday class" in done.stdout
    refused = through_shell(f"stopwright shoot {brief} --camera ptpip:127.0.0.1:9 {closed}", tmp_path)
    assert refused.returncode == 2, "nobody is there to be asked"
    assert "fault of its own" not in refused.stderr


def test_a_run_with_all_streams_closed_is_shot_and_nothing_is_printed_into_its_files(
    garden: Simulator, brief: str, tmp_path: Path
) -> None:
    before = Hands(garden.hands).state()["exposures"]
    line = f"stopwright shoot {brief} --composed --light off --camera {garden.camera} <&- >&- 2>&-"
    done = through_shell(line, tmp_path)
    assert done.returncode == 0
    run = json_of(command("runs", "last", "--json", home=tmp_path))
    assert run["state"] == "done"
    assert run["counts"]["files"] == Hands(garden.hands).state()["exposures"] - before == 4


def test_a_run_whose_output_is_lost_is_kept_and_says_so(garden: Simulator, brief: str, tmp_path: Path) -> None:
    line = f"stopwright shoot {brief} --composed --camera {garden.camera} > /dev/full"
    done = through_shell(line, tmp_path)
    assert done.returncode == 2
    assert "run 1 is done and kept: stopwright runs 1" in done.stderr
    assert "standard output: cannot be written (No space left on device)" in done.stderr
    run = json_of(command("runs", "1", "--json", home=tmp_path))
    assert (run["state"], run["counts"]["kept"]) == ("done", {"control": 1, "expose": 3})


@pytest.mark.parametrize("words", ["compile brief.yaml", "compile brief.yaml --json", "--help", "explain brief.yaml"])
def test_a_full_disk_behind_standard_output_is_told_in_one_line(brief: str, tmp_path: Path, words: str) -> None:
    done = through_shell(f"stopwright {words} > /dev/full", tmp_path)
    assert done.returncode == 2
    [line] = done.stderr.splitlines()
    assert "standard output: cannot be written (No space left on device)" in line


def test_a_failed_command_keeps_its_code_when_its_output_is_lost(tmp_path: Path) -> None:
    done = through_shell("stopwright check --camera ptpip:127.0.0.1:9 > /dev/full", tmp_path)
    assert done.returncode == 4, done.stderr


@pytest.mark.parametrize("words", ["compile brief.yaml", "compile brief.yaml --json", "--help"])
def test_a_reader_that_leaves_is_no_matter(brief: str, tmp_path: Path, words: str) -> None:
    # `true` reads nothing; the sleep lets it be gone before anything is written.
    done = through_shell(f"{{ sleep 0.1; stopwright {words}; }} | true", tmp_path)
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("encoding", ["latin-1", "ascii"])
def test_characters_that_the_terminal_lacks_are_replaced(tmp_path: Path, encoding: str) -> None:
    text = small_brief(BRACKET).replace("Fountain, Tuesday class", "Brunnen – Übung 噴水")
    (tmp_path / "brief.yaml").write_text(text, encoding="utf-8")
    plain = through_shell("stopwright compile brief.yaml", tmp_path, PYTHONIOENCODING=encoding)
    assert plain.returncode == 0, plain.stderr
    assert "Brunnen ?" in plain.stdout
    as_json = through_shell("stopwright compile brief.yaml --json", tmp_path, PYTHONIOENCODING=encoding)
    assert json.loads(as_json.stdout)["title"] == "Brunnen – Übung 噴水"
    told = through_shell("stopwright compile Übung.yaml", tmp_path, PYTHONIOENCODING=encoding)
    assert told.returncode == 2
    assert "no such file" in told.stderr


def test_a_run_is_shot_on_a_terminal_of_few_characters(garden: Simulator, tmp_path: Path) -> None:
    text = small_brief(BRACKET).replace("Fountain, Tuesday class", "Brunnen – Übung")
    (tmp_path / "brief.yaml").write_text(text, encoding="utf-8")
    line = f"stopwright shoot brief.yaml --composed --camera {garden.camera}"
    done = through_shell(line, tmp_path, PYTHONIOENCODING="ascii", LC_ALL="C", PYTHONUTF8="0", PYTHONCOERCECLOCALE="0")
    assert done.returncode == 0, done.stderr
    assert done.stdout.isascii()
    assert "Run 1: Brunnen ? ?bung" in done.stdout
    assert command("runs", "last", home=tmp_path).stdout.startswith("Run 1: Brunnen – Übung (done)")


def test_bytes_of_no_encoding_typed_as_an_answer_are_asked_again(garden: Simulator, brief: str, tmp_path: Path) -> None:
    options = f"--no-rig-check --operator console --camera {garden.camera}"
    line = f"printf '\\xff\\nk\\nk\\nk\\nk\\n' | stopwright shoot {brief} {options}"
    done = through_shell(line, tmp_path)
    assert done.returncode == 3, done.stderr
    assert "none of the answers" in done.stderr


def test_odd_widths_of_a_terminal_stay_between_40_and_80_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    keys, slave = os.openpty()
    with os.fdopen(slave, "w") as stream:
        for asked, found in {
            "0": 80,
            "-3": 80,
            "wide": 80,
            "9" * 30: 80,
            "40": 40,
            "7": 40,
            "200": 80,
            "60": 60,
        }.items():
            monkeypatch.setenv("COLUMNS", asked)
            assert columns(stream) == found, asked
    os.close(keys)
    assert columns(None) == 80
    assert columns(sys.stdout) == 80


def test_a_line_is_never_wider_than_its_terminal_of_40_columns(tmp_path: Path) -> None:
    keys, slave = os.openpty()
    env = environment(tmp_path) | {"COLUMNS": "40"}
    process = subprocess.Popen([*COMMAND, "shoot", "no such brief.yaml"], env=env, cwd=tmp_path, stderr=slave)
    assert process.wait(20) == 2
    os.close(slave)
    shown = os.read(keys, 4096).decode().splitlines()
    os.close(keys)
    assert len(shown) > 2
    assert max(len(line) for line in shown if " " in line.strip()) <= 40
