"""The side channel of the simulated camera, the simulated operator, and the command that starts it all."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from support_simulator import Library, simulated_camera

from daemon.errors import UsageError
from daemon.operator import Operator
from hardware_mocks import by_hand, faults
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
        (b'{"do": "menu", "setting": "zoom", "to": "1"}', "the menu has no zoom"),
        (b'{"do": "menu", "setting": "stabiliser", "to": "Perhaps"}', "On, Off"),
        (b'{"do": "move"}', "nearer_m"),
        (b'{"do": "turn", "across": 2}', "across"),
        (b'{"do": "turn", "portrait": 1}', "portrait"),
        (b'{"do": "kick", "tilt_deg": 90}', "tilt_deg"),
        (b'{"do": "clock", "shift_s": "late"}', "shift_s"),
        (b'{"do": "fault", "line": {"fault": "gremlins"}}', "gremlins"),
        (b'{"do": "fault"}', "allowed"),
    ],
)
def test_hands_refuse_what_makes_no_sense_and_say_what_would(simulator: Simulator, line: bytes, part: str) -> None:
    before = simulator.worked().state() | {"clock": None}
    answer = raw_answer(simulator, line)
    assert answer["ok"] is False and part in str(answer["error"])
    assert simulator.worked().state() | {"clock": None} == before


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


def test_the_operator_does_what_the_step_s_action_names_and_no_more(simulator: Simulator) -> None:
    hands = simulator.worked()
    operator: Operator = simulated_operator(None, simulator.camera)
    hands.dial("A")
    assert operator.act(step("compose", 2.0)) == "done"
    state = hands.state()
    assert (state["settings"]["mode"], state["focus_m"], state["filters"]) == ("M", 2.0, [])
    hands.dial("A")
    operator.act(step("filters", 3.0, (ND_64,)))
    state = hands.state()
    assert (state["settings"]["mode"], state["focus_m"]) == ("A", 2.0)
    assert state["filters"] == [{"name": "ND 64", "stops": pytest.approx(5.97947)}]
    operator.act(step("focus", 3.0))
    state = hands.state()
    assert (state["focus_m"], len(state["filters"])) == (3.0, 1)
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


def test_the_operator_shakes_and_turns_and_skips_a_place_it_is_not_told(simulator: Simulator) -> None:
    hands = simulator.worked()
    operator = SimulatedOperator(simulator.hands)
    before = hands.state()["polariser_deg"]
    assert [operator.act(step(action)) for action in ("turn", "shake", "settle", "move")] == ["done"] * 3 + ["skip"]
    assert hands.state()["polariser_deg"] == before + 90


def test_hands_that_forget_do_so_by_their_seed(simulator: Simulator) -> None:
    def forgotten(seed: int) -> list[bool]:
        operator = SimulatedOperator(simulator.hands, forgetful=0.4, seed=seed)
        found = []
        for number in range(10):
            simulator.worked().focus(9.0)
            assert operator.act(step("focus", 2.0 + number / 10)) == "done"
            found.append(simulator.worked().state()["focus_m"] == 9.0)
        assert sum(found) == len(operator.forgot)
        return found

    assert forgotten(1) == forgotten(1) != forgotten(2)
    assert any(forgotten(1)) and not all(forgotten(1))


def test_the_rig_is_carried_turned_and_put_to_sleep_by_hands(simulator: Simulator) -> None:
    hands = simulator.worked()
    before = hands.state()
    hands.move(0.5)
    hands.move(-0.2)
    hands.turn(across=0.1, portrait=True)
    hands.kick(0.05, tilt_deg=1.5)
    hands.menu("stabiliser", "On")
    hands.clock(3600)
    state = hands.state()
    assert state["nearer_m"] == pytest.approx(0.3)
    assert state["framing"] == pytest.approx([0.15, 0.0]) and state["tilt_deg"] == 1.5 and state["portrait"]
    assert state["settings"]["stabiliser"] == 1
    assert state["clock"] > before["clock"]
    hands.battery(0)
    assert not hands.state()["on"]
    hands.wake()
    assert not hands.state()["on"], "an empty battery does not wake"
    hands.battery(80)
    assert hands.state()["on"]


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


def said_by(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    """What the hands' command prints when all went well."""
    assert by_hand.main(words) == 0
    said = capsys.readouterr()
    assert said.err == "" and said.out.count("\n") == 1
    return said.out.strip()


def test_a_person_works_the_camera_by_command_and_reads_what_was_done(
    simulator: Simulator, capsys: pytest.CaptureFixture[str]
) -> None:
    at, hands = simulator.hands, simulator.worked()
    assert said_by(capsys, at, "focus", "2.0") == "Focus at 2 m."
    assert said_by(capsys, at, "focus", "0.2") == "Focus at 0.45 m, where the ring stops."
    assert hands.state()["focus_m"] == 0.45
    assert said_by(capsys, at, "filters", "ND 64=5.979", "ND 8=3") == (
        "On the lens: ND 64 (5.979 stops) and ND 8 (3 stops)."
    )
    assert hands.state()["filters"] == [{"name": "ND 64", "stops": 5.979}, {"name": "ND 8", "stops": 3.0}]
    assert said_by(capsys, at, "dial", "a") == "Dial on A."
    assert hands.state()["settings"]["mode"] == "A"
    assert said_by(capsys, at, "dial", "M") == "Dial on M."
    assert said_by(capsys, at, "light", "-2.5") == "Light at EV -2.5 (ISO 100)."
    hands.battery(80)
    words = said_by(capsys, at, "state")
    assert words.startswith(
        "f/8, 1/125 s, ISO 100, dial on M; focus at 0.45 m; ND 64 (5.979 stops) and ND 8 (3 stops);"
    )
    assert "light EV -2.5 at ISO 100; battery 80 %" in words
    turned = "The polariser's axis stands 90 degrees from the level"
    assert said_by(capsys, at, "polariser", "90") == f"{turned}; none is on the lens."
    said_by(capsys, at, "filters", "round polariser=1.3")
    assert said_by(capsys, at, "polariser", "90") == f"{turned}."
    assert said_by(capsys, at, "filters", "none") == "On the lens: no filter."
    assert hands.state()["filters"] == []


def test_a_press_by_command_makes_a_frame(capsys: pytest.CaptureFixture[str]) -> None:
    with simulated_camera() as camera:
        assert said_by(capsys, camera.hands, "press") == "Button pressed: frame 1 since the camera was switched on."
        assert camera.worked().state()["presses"] == 1


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (["focus", "near"], "found 'near'; allowed: a number of metres from 0.1"),
        (["focus", "nan"], "found 'nan'; allowed"),
        (["focus", "-1"], "allowed: a number of metres"),
        (["focus"], "METRES"),
        (["filters"], "NAME=STOPS"),
        (["filters", "ND 64"], "ND 64=6"),
        (["filters", "=6"], "ND 64=6"),
        (["filters", "ND 64=many"], "allowed: a number of stops from 0 to 30"),
        (["filters", "none", "ND 8=3"], "none alone"),
        (["dial", "X"], "allowed: M, P, A, S"),
        (["light", "99"], "allowed: a number of EV from -10 to 25"),
        (["dance"], "focus"),
        ([], "DEED"),
    ],
)
def test_the_hands_command_refuses_what_makes_no_sense_and_moves_nothing(
    simulator: Simulator, capsys: pytest.CaptureFixture[str], words: list[str], part: str
) -> None:
    before = simulator.worked().state() | {"clock": None}  # which runs on
    try:
        code: object = by_hand.main([simulator.hands, *words])
    except SystemExit as ended:
        code = ended.code
    said = capsys.readouterr()
    assert (code, said.out) == (2, "") and part in said.err
    assert simulator.worked().state() | {"clock": None} == before


@pytest.mark.parametrize(("address", "code"), [("127.0.0.1:1", 4), ("nowhere", 2), ("ptpip:127.0.0.1:1", 2)])
def test_the_hands_command_tells_a_silent_address_from_a_senseless_one(address: str, code: int) -> None:
    words = ["-m", "hardware_mocks.hands", address, "state"]
    run = subprocess.run([sys.executable, *words], capture_output=True, text=True, timeout=20)
    assert (run.returncode, run.stdout) == (code, "")
    assert address in run.stderr and "hands" in run.stderr and "Traceback" not in run.stderr
    assert ("nobody answers" in run.stderr) == (code == 4)


def test_help_lists_every_fault_and_fits_80_columns(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["hardware_mocks", "--help"])
    monkeypatch.setenv("COLUMNS", "200")
    with pytest.raises(SystemExit) as ended:
        main()
    lines = capsys.readouterr().out.splitlines()
    first_words = {line.split()[0] for line in lines if line.startswith("    ") and line[4] != " "}
    assert ended.value.code == 0 and first_words >= set(faults._FIELDS)
    assert [line for line in lines if len(line) > 80] == []


@pytest.mark.parametrize("absent", ["numpy", "PIL"])
def test_a_python_without_the_libraries_names_the_one_that_has_them(absent: str) -> None:
    code = (
        "import sys, runpy; sys.argv = ['hardware_mocks']\n"
        "class Without:\n"
        "    def find_spec(self, name, path=None, target=None):\n"
        f"        if name == {absent!r}: raise ModuleNotFoundError(f'No module named {{name!r}}', name=name)\n"
        "sys.meta_path.insert(0, Without())\n"
        "runpy.run_module('hardware_mocks', run_name='__main__')"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=20)
    assert (run.returncode, run.stdout) == (2, "")
    assert absent in run.stderr and ".venv/bin/python -m hardware_mocks" in run.stderr
    assert "Traceback" not in run.stderr


def test_a_turned_dial_reaches_a_library_that_listens_before_its_memory_runs_out(simulator: Simulator) -> None:
    hands = simulator.worked()

    def seen() -> tuple[str, bool, bool]:
        free = [library.ask("describe", name)["writable"] for name in ("f-number", "shutterspeed2")]
        return library.ask("get", "expprogram"), free[0], free[1]

    with Library(simulator.camera) as library:
        try:
            for letter, free in {
                "A": (True, False),
                "S": (False, True),
                "P": (False, False),
                "M": (True, True),
            }.items():
                seen()  # whatever it did not know, it knows from here on, for 1 to 2 s
                begun = time.monotonic()
                hands.dial(letter)
                library.ask("events", 0.25)
                assert seen() == (letter, *free)
                assert time.monotonic() - begun < 0.9
        finally:
            hands.dial("M")
