"""The side channel of the simulated camera, the simulated operator, and the command that starts it all."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from support_simulator import simulated_camera

from daemon.errors import UsageError
from daemon.operator import Operator
from hardware_mocks.__main__ import main
from hardware_mocks.hands import Hands, SimulatedOperator, simulated_operator
from hardware_mocks.server import Simulator
from plans.plan import FilterValue, Focus, OperatorStep

ND_64 = FilterValue(name="ND 64", stops=5.979470)


@pytest.fixture(scope="module")
def simulator() -> Iterator[Simulator]:
    """One camera for all tests here; none makes an exposure."""
    with simulated_camera() as camera:
        yield camera


def raw_answer(simulator: Simulator, line: bytes) -> dict[str, object]:
    """The answer to a line as it stands."""
    host, _, port = simulator.hands.rpartition(":")
    with socket.create_connection((host, int(port)), timeout=5) as link:
        link.sendall(line + b"\n")
        return dict(json.loads(link.makefile("rb").readline()))


def step(action: str, focus_m: float = 2.0, filters: tuple[FilterValue, ...] = ()) -> OperatorStep:
    """Something for hands to do."""
    return OperatorStep(
        id=f"do-{action}",
        action=action,  # type: ignore[arg-type]
        text="",
        why="",
        focus=Focus(subject=None, distance_m=focus_m),
        filters=filters,
    )


@pytest.mark.parametrize(
    ("line", "part"),
    [
        (b"not json", "JSON"),
        (b"[1, 2]", "object"),
        (b"[" * 50_000, "JSON"),
        (b"\xff\xfe", "JSON"),
        (b"{}", "allowed"),
        (b'{"do": "dance"}', "allowed"),
        (b'{"do": "focus"}', "distance_m"),
        (b'{"do": "focus", "distance_m": "near"}', "distance_m"),
        (b'{"do": "focus", "distance_m": NaN}', "distance_m"),
        (b'{"do": "focus", "distance_m": true}', "distance_m"),
        (b'{"do": "focus", "distance_m": -1}', "distance_m"),
        (b'{"do": "filters", "stops": 3}', "lists"),
        (b'{"do": "filters", "stops": [3], "names": ["a", "b"]}', "as many"),
        (b'{"do": "filters", "stops": [-1]}', "stops"),
        (b'{"do": "dial", "to": "X"}', "M, P, A, S"),
        (b'{"do": "light", "ev100": 1e9}', "ev100"),
        (b'{"do": "battery", "percent": 101}', "percent"),
        (b'{"do": "fault", "line": {"fault": "gremlins"}}', "gremlins"),
        (b'{"do": "fault"}', "allowed"),
    ],
)
def test_hands_refuse_what_makes_no_sense_and_say_what_would(simulator: Simulator, line: bytes, part: str) -> None:
    before = simulator.worked().state()
    answer = raw_answer(simulator, line)
    assert answer["ok"] is False and part in str(answer["error"])
    assert simulator.worked().state() == before


def test_hands_move_what_the_wire_cannot(simulator: Simulator) -> None:
    hands = simulator.worked()
    hands.focus(2.5)
    hands.filters([5.979, 3.0], ["ND 64", "ND 8"])
    hands.light(11.5)
    hands.battery(40)
    state = hands.state()
    assert (state["focus_m"], state["ev100"], state["battery"]) == (2.5, 11.5, 40)
    assert state["filters"] == [{"name": "ND 64", "stops": 5.979}, {"name": "ND 8", "stops": 3.0}]
    hands.focus(0.2)
    assert hands.state()["focus_m"] == 0.45  # the ring stops at the lens's nearest distance


def test_the_operator_brings_the_rig_to_the_state_of_the_step(simulator: Simulator) -> None:
    hands = simulator.worked()
    operator: Operator = simulated_operator(None, simulator.camera)
    hands.dial("A")
    assert operator.act(step("compose", 2.0)) == "done"
    state = hands.state()
    assert (state["settings"]["mode"], state["focus_m"], state["filters"]) == ("M", 2.0, [])
    hands.dial("A")
    operator.act(step("filters", 3.0, (ND_64,)))
    state = hands.state()
    assert (state["settings"]["mode"], state["focus_m"]) == ("A", 3.0)
    assert state["filters"] == [{"name": "ND 64", "stops": pytest.approx(5.97947)}]
    hands.dial("M")


def test_the_operator_can_forget_and_says_done_all_the_same(simulator: Simulator) -> None:
    hands = simulator.worked()
    hands.filters([])
    hands.focus(3.0)
    forgetful = SimulatedOperator(simulator.hands, forgets={"filters", "do-focus"})
    assert forgetful.act(step("filters", 3.0, (ND_64,))) == "done"
    assert forgetful.act(step("focus", 2.0)) == "done"
    state = hands.state()
    assert (state["filters"], state["focus_m"]) == ([], 3.0)


def test_the_operator_answers_as_told_and_else_takes_the_first_choice(simulator: Simulator) -> None:
    operator = SimulatedOperator(simulator.hands, answers={"light": "wait"})
    assert operator.choose("The light is 3 stops off.", ["go on", "wait"]) == "wait"
    assert operator.choose("Again?", ["yes", "no"]) == "yes"
    with pytest.raises(UsageError, match="offers"):
        operator.choose("The light?", ["yes", "no"])


@pytest.mark.parametrize(
    ("address", "port"),
    [(None, None), (None, "usb:001,004"), (None, "ptpip:127.0.0.1:x"), ("nowhere", None), ("127.0.0.1:1", None)],
)
def test_an_operator_without_hands_within_reach_says_so(address: str | None, port: str | None) -> None:
    with pytest.raises(UsageError):
        simulated_operator(address, port)


def test_hands_of_no_camera_are_a_clear_error() -> None:
    with pytest.raises(UsageError, match=r"nobody answers at 127\.0\.0\.1:1"):
        Hands("127.0.0.1:1").state()


@pytest.mark.parametrize(
    "words",
    [
        ["--port", "70000"],
        ["--size", "9x9"],
        ["--size", "1000x1000"],
        ["--light", "nan"],
        ["--vignette", "9"],
        ["--timing", "brisk"],
        ["--scene", '{"moat_m": 3}'],
        ["--scene", '{"heron_m": 0}'],
        ["--fault", '{"fault": "hang"}'],
        ["--fault", "{"],
    ],
)
def test_the_command_refuses_bad_options_in_words(
    words: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["hardware_mocks", *words])
    with pytest.raises(SystemExit) as ended:
        main()
    said = capsys.readouterr()
    assert ended.value.code == 2 and said.out == ""
    assert words[0] in said.err and ("allowed" in said.err or "choose from" in said.err or "needs" in said.err)


def test_the_command_says_what_is_wrong_with_a_card_and_shows_no_traceback(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no folder")
    words = ["-m", "hardware_mocks", "--render", "flat", "--card", str(tmp_path / "file")]
    run = subprocess.run([sys.executable, *words], capture_output=True, text=True, timeout=20)
    assert (run.returncode, run.stdout) == (2, "")
    assert str(tmp_path) in run.stderr and "Traceback" not in run.stderr


def test_a_port_that_is_taken_is_a_clear_error(simulator: Simulator) -> None:
    with pytest.raises(UsageError, match="in use"), simulated_camera(port=int(simulator.camera.split(":")[-1])):
        pass


def test_hands_are_found_one_port_above_the_camera(simulator: Simulator) -> None:
    assert int(simulator.hands.split(":")[-1]) == int(simulator.camera.split(":")[-1]) + 1
