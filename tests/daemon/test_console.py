"""A person at the console: what is typed too early, the console closed, everything skipped, Ctrl-C."""

from __future__ import annotations

import fcntl
import os
import struct
import termios
import threading
from collections.abc import Iterator
from io import StringIO
from pathlib import Path

import pytest
from support_run import command, json_of, small_brief
from support_simulator import simulated_camera
from support_terminal import terminal

from daemon import clock
from daemon.errors import RunPaused
from daemon.operator import ConsoleOperator
from hardware_mocks.hands import Hands
from hardware_mocks.server import Simulator
from plans.plan import Focus, OperatorStep

PROMPT = "to stop here: "
CUE = "improvises, s stops: "
STEP = OperatorStep(
    id="compose", action="compose", focus=Focus(subject="heron", distance_m=2.0), text="Focus on the heron.", why="why"
)


class Keyboard:
    """A pseudo-terminal with a console operator on its other side."""

    def __init__(self) -> None:
        self.keys, self.slave = os.openpty()
        self.source = os.fdopen(self.slave, encoding="utf-8")
        self.shown = StringIO()
        self.operator = ConsoleOperator(self.source, self.shown)

    def type(self, text: str) -> None:
        """Press keys, and wait until the terminal holds them."""
        os.write(self.keys, text.encode())
        end = clock.monotonic() + 5
        while not struct.unpack("i", fcntl.ioctl(self.slave, termios.FIONREAD, b"\0\0\0\0"))[0]:
            assert clock.monotonic() < end
            clock.sleep(0.01)


@pytest.fixture
def keyboard() -> Iterator[Keyboard]:
    made = Keyboard()
    yield made
    made.source.close()
    os.close(made.keys)


def answer_to(keyboard: Keyboard, answers: list[str]) -> threading.Thread:
    """Ask on the console in a thread; the answer lands in the list. Returns once the question stands there."""
    thread = threading.Thread(target=lambda: answers.append(keyboard.operator.act(STEP)), daemon=True)
    thread.start()
    end = clock.monotonic() + 10
    while PROMPT not in keyboard.shown.getvalue():
        assert clock.monotonic() < end
        clock.sleep(0.01)
    return thread


def test_enter_typed_before_the_question_is_no_answer_to_it(keyboard: Keyboard) -> None:
    keyboard.type("\n\n\n")
    answers: list[str] = []
    thread = answer_to(keyboard, answers)
    thread.join(0.3)
    assert answers == []
    os.write(keyboard.keys, b"k\n")
    thread.join(5)
    assert answers == ["skip"]


def test_half_a_line_typed_before_the_question_is_no_part_of_the_answer(keyboard: Keyboard) -> None:
    os.write(keyboard.keys, b"s")
    clock.sleep(0.1)
    answers: list[str] = []
    thread = answer_to(keyboard, answers)
    os.write(keyboard.keys, b"\n")
    thread.join(5)
    assert answers == ["done"]


def test_a_terminal_that_is_gone_pauses(keyboard: Keyboard) -> None:
    other = Keyboard()
    os.close(other.keys)
    with pytest.raises(RunPaused, match="console was closed"):
        other.operator.act(STEP)
    other.source.close()


def test_answers_may_come_from_a_file_line_by_line() -> None:
    operator = ConsoleOperator(StringIO("what\n\nk\n2\n"), StringIO())
    assert operator.act(STEP) == "done"
    assert operator.act(STEP) == "skip"
    assert operator.choose("Which?", ["one", "other"]) == "other"
    with pytest.raises(RunPaused):
        operator.acknowledge("Wet stone is slippery.")


# -- the real command on a real terminal ------------------------------------------------------------


@pytest.fixture(scope="module")
def garden() -> Iterator[Simulator]:
    with simulated_camera(timing="instant") as running:
        yield running


@pytest.fixture
def brief(tmp_path: Path) -> str:
    (tmp_path / "brief.yaml").write_text(small_brief())
    return "brief.yaml"


def test_a_run_waits_for_an_enter_that_comes_after_its_question(garden: Simulator, brief: str, tmp_path: Path) -> None:
    before = Hands(garden.hands).state()["exposures"]
    with terminal("shoot", brief, "--no-rig-check", "--camera", garden.camera, home=tmp_path) as screen:
        screen.type("\n\n\n\n")
        screen.expect(PROMPT)
        screen.watch(0.8)
        assert screen.screen.count(PROMPT) == 1
        assert Hands(garden.hands).state()["exposures"] == before, "the light was metered by an Enter typed too early"
        screen.type("s\n")
        assert screen.end() == 6
    assert "resume 1" in screen.screen


def test_a_closed_console_pauses_with_6_and_the_run_can_go_on(garden: Simulator, brief: str, tmp_path: Path) -> None:
    with terminal("shoot", brief, "--no-rig-check", "--camera", garden.camera, home=tmp_path) as screen:
        screen.expect(PROMPT)
        screen.type("\x04")
        assert screen.end() == 6
    assert "stopwright resume 1" in screen.screen
    assert json_of(command("runs", "last", "--json", home=tmp_path))["state"] == "paused"
    done = command("resume", "1", "--operator", f"simulated:{garden.hands}", home=tmp_path)
    assert done.returncode == 0, done.stderr


def test_a_run_of_which_everything_was_skipped_is_no_success(garden: Simulator, brief: str, tmp_path: Path) -> None:
    with terminal("shoot", brief, "--no-rig-check", "--camera", garden.camera, home=tmp_path, columns=40) as screen:
        while "ended without a picture" not in screen.watch(25, until=PROMPT):
            assert screen.screen.endswith(PROMPT), screen.screen
            assert screen.screen.count(PROMPT) < 10
            screen.type("k\n")
        assert screen.end() == 3
    said = " ".join(screen.screen.split())
    assert "Run 1 has ended without a picture" in said
    assert "cannot be resumed; shoot anew" in said
    assert "is done" not in said
    asked = [line for line in screen.screen.partition("YOUR HANDS")[2].partition(PROMPT)[0].splitlines() if line]
    assert max(map(len, asked[:-1])) <= 40


def test_ctrl_c_at_a_question_stops_with_130(garden: Simulator, brief: str, tmp_path: Path) -> None:
    with terminal("shoot", brief, "--no-rig-check", "--camera", garden.camera, home=tmp_path) as screen:
        screen.expect(PROMPT)
        screen.type("\x03")
        assert screen.end() == 130
    assert "Traceback" not in screen.screen
    assert "stopwright resume 1" in screen.screen


def test_a_lecturer_gives_each_picture_its_cue_at_the_terminal(garden: Simulator, brief: str, tmp_path: Path) -> None:
    options = ["--camera", garden.camera, "--operator", f"simulated:{garden.hands}", "--cue", "--light", "off"]
    with terminal("shoot", brief, *options, home=tmp_path) as screen:
        screen.expect(CUE)
        before = Hands(garden.hands).state()["exposures"]
        screen.watch(0.5)
        assert Hands(garden.hands).state()["exposures"] == before
        screen.type("\n")
        screen.expect(CUE)
        assert Hands(garden.hands).state()["exposures"] == before + 1
        screen.type("f/2.8\n")
        screen.expect("(step 3): f/2.8")
        screen.expect(CUE)
        screen.type("s\n")
        assert screen.end() == 6
    assert "resume 1" in screen.screen and "--cue" in screen.screen.partition("resume 1")[2]


def test_a_window_that_is_closed_leaves_a_run_to_go_on_with(garden: Simulator, brief: str, tmp_path: Path) -> None:
    with terminal("shoot", brief, "--no-rig-check", "--camera", garden.camera, home=tmp_path) as screen:
        screen.expect(PROMPT)
        screen.hang_up()
        assert screen.process.wait(20) == 130
    assert json_of(command("runs", "last", "--json", home=tmp_path))["state"] == "paused"


def test_the_name_of_a_file_cannot_work_the_terminal(tmp_path: Path) -> None:
    (tmp_path / "b\x1b[31m\x9b.yaml").write_text("x: [")
    with terminal("compile", "b\x1b[31m\x9b.yaml", home=tmp_path) as screen:
        assert screen.end() == 2
    assert "b\\u001b[31m\\u009b.yaml" in screen.screen
    assert "\x1b" not in screen.screen
