"""The commands as a user meets them: in processes of their own, good input and bad."""

from __future__ import annotations

import json
import shlex
import shutil
import signal
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from support_run import COMMAND, begin, command, environment, json_of, small_brief, wait_for_exposures
from support_simulator import simulated_camera

from daemon.advice import command_line
from hardware_mocks.hands import Hands
from plans.reading import demo_brief_text

BRACKET = "goals:\n  - bracket: {change: time, by: 1, count: 3, focus: heron}\n"
UNREACHABLE = Path(__file__).parent.parent / "briefs" / "unreachable.yaml"


def assert_plain_failure(done: subprocess.CompletedProcess[str], code: int, *words: str) -> None:
    """A clear message, the right exit code, and no traceback."""
    assert done.returncode == code, (done.returncode, done.stdout, done.stderr)
    assert "Traceback" not in done.stderr + done.stdout
    assert "a fault of its own" not in done.stderr
    for word in words:
        assert word in done.stderr, (word, done.stderr)


def put(home: Path, text: str, name: str = "brief.yaml") -> str:
    (home / name).write_text(text)
    return name


def test_compile_prints_the_plan_as_the_contract_has_it(tmp_path: Path) -> None:
    plan = json_of(command("compile", put(tmp_path, demo_brief_text()), "--json", home=tmp_path))
    assert plan["version"] == 1
    assert plan["unreachable"] == []
    freeze = next(step for step in plan["steps"] if step.get("goal") == "freeze spout")
    assert freeze["settings"]["aperture"] == {"mark": "f/5.6", "exact": 5.65685425}
    assert freeze["settings"]["time"] == {"mark": "1/2000", "exact": 0.00048828125}
    assert freeze["settings"]["iso"] == {"mark": "800", "exact": 800}
    assert freeze["settings"]["filters"] == []
    assert freeze["settings"]["focus"] == {"subject": "spout", "distance_m": 3.0}
    wanted = {"id", "kind", "goal", "group", "reference", "held", "changed", "settings", "intended_offset", "offset"}
    assert wanted | {"predicted", "caption", "cautions"} <= set(freeze)
    assert {"near_m", "far_m", "smear_mm"} <= set(freeze["predicted"])


def test_a_plan_never_overwrites_its_brief(tmp_path: Path) -> None:
    brief = put(tmp_path, demo_brief_text())
    assert_plain_failure(command("compile", brief, "--out", brief, home=tmp_path), 2, "the brief itself")
    assert (tmp_path / brief).read_text() == demo_brief_text()


def test_compiling_twice_gives_the_same_bytes(tmp_path: Path) -> None:
    brief = put(tmp_path, demo_brief_text())
    for name in ("a.json", "b.json"):
        assert command("compile", brief, "--out", name, home=tmp_path).returncode == 0
    assert (tmp_path / "a.json").read_bytes() == (tmp_path / "b.json").read_bytes()


def test_an_unreachable_goal_ends_with_3_reasons_and_remedies_and_reachable_goes_on(tmp_path: Path) -> None:
    shutil.copy(UNREACHABLE, tmp_path / "far.yaml")
    done = command("compile", "far.yaml", "--json", home=tmp_path)
    assert_plain_failure(done, 3, "f/29", "what would help")
    listed = json_of(done)["unreachable"]
    assert listed
    assert all(item["reasons"] and item["remedies"] for item in listed)
    assert command("compile", "far.yaml", "--reachable", home=tmp_path).returncode == 0
    shot = command("shoot", "far.yaml", "--camera", "ptpip:127.0.0.1:9", "--operator", "simulated", home=tmp_path)
    assert_plain_failure(shot, 3)
    assert not (tmp_path / "Stopwright").exists()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("title: Fountain", "title: [Fountain"), ["brief.yaml:"]),
        (("support: tripod", "support: tripod\n  colour: red"), ["brief.yaml:16:", "colour"]),
        (("distance: 3 m", "distance: -3 m"), ["brief.yaml:19:", "-3 m"]),
        (("from: f/1.8", "from: f/0"), ["brief.yaml:11:", "f/0"]),
        (("distance: 3 m", "distance: 9**9**9 m"), ["brief.yaml:19:", "9**9**9"]),
        (("by: 1, balance", "by: 1, from: f/1.2, balance"), ["f/1.2"]),
        (("support: tripod", "support: &a tripod"), ["brief.yaml:15:"]),
        (("support: tripod", "support: tripod\n  support: hand"), ["brief.yaml:16:", "support"]),
    ],
)
def test_a_bad_brief_is_told_by_file_line_and_field(tmp_path: Path, change: tuple[str, str], words: list[str]) -> None:
    text = demo_brief_text()
    assert change[0] in text
    done = command("compile", put(tmp_path, text.replace(*change, 1)), home=tmp_path)
    assert_plain_failure(done, 2, *words)


def test_files_that_are_no_brief_are_refused(tmp_path: Path) -> None:
    assert_plain_failure(command("compile", "none.yaml", home=tmp_path), 2, "no such file")
    assert_plain_failure(command("compile", ".", home=tmp_path), 2, "folder")
    (tmp_path / "big.yaml").write_text("# " + "x" * 10_000_000)
    assert_plain_failure(command("compile", "big.yaml", home=tmp_path), 2)
    (tmp_path / "bytes.yaml").write_bytes(b"\xff\xfe\x00")
    assert_plain_failure(command("compile", "bytes.yaml", home=tmp_path), 2, "UTF-8")


def test_a_plan_of_another_version_or_none_at_all_is_refused(tmp_path: Path) -> None:
    plan = json_of(command("compile", put(tmp_path, small_brief()), "--json", home=tmp_path))
    for name, tree in {
        "later.json": plan | {"version": 2},
        "none.json": {"steps": []},
        "odd.json": plan | {"steps": [{"kind": "dance"}]},
    }.items():
        put(tmp_path, json.dumps(tree), name)
        assert_plain_failure(command("explain", name, home=tmp_path), 2, name)
    put(tmp_path, "{", "torn.json")
    assert_plain_failure(command("explain", "torn.json", home=tmp_path), 2, "torn.json:1:2")


def test_explain_fits_a_terminal_of_80_columns(tmp_path: Path) -> None:
    done = command("explain", put(tmp_path, demo_brief_text()), home=tmp_path)
    assert done.returncode == 0
    assert max(map(len, done.stdout.splitlines())) <= 80
    assert "f/5.6" in done.stdout


def test_a_time_lapse_is_compiled_and_explained_and_shoot_goes_as_far_as_the_camera(tmp_path: Path) -> None:
    text = demo_brief_text()
    lapse = "goals:\n  - timelapse: {interval: 20 s, for: 1 h, focus: heron}\n"
    brief = put(tmp_path, text[: text.index("goals:")] + lapse)
    done = command("explain", brief, home=tmp_path)
    assert done.returncode == 0 and "181 frames over 1 h" in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 80
    alone = command("shoot", brief, "--camera", "ptpip:127.0.0.1:9", "--composed", home=tmp_path)
    assert_plain_failure(alone, 4, "ptpip:127.0.0.1:9")


def test_no_camera_is_said_with_what_to_do(tmp_path: Path) -> None:
    brief = put(tmp_path, small_brief("goals:\n  - bracket: {change: time, by: 1, count: 3, focus: heron}\n"))
    gone = ["--camera", "ptpip:127.0.0.1:9"]
    assert_plain_failure(command("cameras", *gone, home=tmp_path), 4)
    assert_plain_failure(command("cameras", home=tmp_path), 4, "No camera")
    done = command("check", *gone, home=tmp_path)
    assert done.returncode == 4
    assert "Traceback" not in done.stderr
    assert_plain_failure(command("shoot", brief, *gone, "--composed", home=tmp_path), 4)
    bad_port = command("shoot", brief, "--camera", "ptpip:garden", "--composed", home=tmp_path)
    assert_plain_failure(bad_port, 2, "ptpip:")


def test_without_a_terminal_a_plan_that_needs_hands_is_refused_unless_an_operator_is_named(tmp_path: Path) -> None:
    brief = put(tmp_path, small_brief())
    with simulated_camera() as simulator:
        refused = command("shoot", brief, "--camera", simulator.camera, home=tmp_path)
        assert_plain_failure(refused, 2, "hands", "--operator")
        unknown = command("shoot", brief, "--camera", simulator.camera, "--operator", "nobody-known", home=tmp_path)
        assert_plain_failure(unknown, 2, "console", "simulated")
        assert Hands(simulator.hands).state()["exposures"] == 0


def test_a_composed_rig_is_shot_without_hands(tmp_path: Path) -> None:
    goals = "goals:\n  - bracket: {change: time, by: 1, count: 3, focus: heron}\n"
    brief = put(tmp_path, small_brief(goals))
    with simulated_camera() as simulator:
        done = command("shoot", brief, "--composed", "--camera", simulator.camera, "--json", home=tmp_path)
        assert done.returncode == 0, done.stderr
        assert json_of(done)["counts"]["kept"] == {"control": 1, "expose": 3}


def test_shoot_runs_and_sheet_tell_one_story(tmp_path: Path) -> None:
    with simulated_camera() as simulator:
        where = ["--camera", simulator.camera, "--operator", f"simulated:{simulator.hands}"]
        assert command("compile", put(tmp_path, small_brief()), "--out", "plan.json", home=tmp_path).returncode == 0
        done = command("shoot", "plan.json", *where, home=tmp_path)
        assert done.returncode == 0, done.stderr
        assert max(len(line) for line in done.stdout.splitlines() if str(tmp_path) not in line) <= 80
    listed = json_of(command("runs", "--json", home=tmp_path))["runs"]
    assert [(run["run"], run["state"]) for run in listed] == [(1, "done")]
    shown: dict[str, Any] = json_of(command("runs", "last", "--json", home=tmp_path))
    assert len(shown["frames"]) == 7
    assert {frame["verified"] for frame in shown["frames"]} == {"as planned"}
    sheet = json_of(command("sheet", "1", "--json", home=tmp_path))
    assert Path(sheet["pdf"]).read_bytes().startswith(b"%PDF")
    assert all(Path(name).read_bytes().startswith(b"\x89PNG") for name in sheet["png"])
    assert_plain_failure(command("sheet", "2", home=tmp_path), 2, "1 to 1")
    assert_plain_failure(command("resume", "1", home=tmp_path), 2)


def test_a_store_that_is_none_or_cannot_be_written_is_refused(tmp_path: Path) -> None:
    assert_plain_failure(command("runs", home=tmp_path), 5, "no store")
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "letters.txt").write_text("not ours")
    done = command("demo", "--into", "other", home=tmp_path)
    assert_plain_failure(done, 5, "letters.txt")
    (tmp_path / "file").write_text("")
    assert_plain_failure(command("demo", "--into", "file", home=tmp_path), 5)


def test_ctrl_c_stops_after_the_frame_in_flight_and_resume_goes_on(tmp_path: Path) -> None:
    brief = put(tmp_path, small_brief(light=8.0).replace("iso_at_most: 6400", "iso_at_most: 100"))
    with simulated_camera(light=8.0) as simulator:
        where = ["--camera", simulator.camera, "--operator", f"simulated:{simulator.hands}"]
        process = begin("shoot", brief, *where, home=tmp_path)
        hands = Hands(simulator.hands)
        wait_for_exposures(hands, 3, process)
        process.send_signal(signal.SIGINT)
        _, told = process.communicate(timeout=30)
        assert process.returncode == 130, told
        assert told.rstrip().splitlines()[-1] == f"    stopwright resume 1 --operator {where[3]}"
        assert "Traceback" not in told
        run = json_of(command("runs", "last", "--json", home=tmp_path))
        assert run["state"] == "paused"
        taken = hands.state()["exposures"]
        assert run["counts"]["files"] == taken < 8
        done = command("resume", "last", *where[2:], home=tmp_path)  # the port is remembered
        assert done.returncode == 0, done.stderr
        counts = json_of(command("runs", "last", "--json", home=tmp_path))["counts"]
        assert counts["kept"]["expose"] == 7
        assert counts["files"] == counts["distinct_hashes"] == hands.state()["exposures"]


def pasted(line: str, home: Path) -> subprocess.CompletedProcess[str]:
    """What a shell makes of a line that was printed."""
    return subprocess.run(
        ["bash", "-c", f'stopwright() {{ {shlex.join(COMMAND)} "$@"; }}; {line}'],
        env=environment(home),
        cwd="/",
        capture_output=True,
        text=True,
        timeout=50,
        check=False,
    )


def test_printed_commands_work_when_they_are_pasted_whatever_the_store_is_called(tmp_path: Path) -> None:
    store = 'the store\'s "evening" $HOME'
    with simulated_camera() as simulator:
        where = ["--store", store, "--camera", simulator.camera]
        answers = "\ns\n"  # composed; then stop before the next thing for hands
        process = command(
            "shoot",
            put(tmp_path, small_brief()),
            *where,
            "--operator",
            "console",
            "--json",
            home=tmp_path,
            stdin=answers,
        )
        assert process.returncode == 6, process.stderr
        go_on = json_of(process)["go_on"]
        assert f"Go on with:\n    {go_on}\n" in process.stderr
        Hands(simulator.hands).focus(2.0)
        done = pasted(f"{go_on.replace('--operator console', '')} --operator simulated:{simulator.hands}", tmp_path)
        assert done.returncode == 0, done.stderr
        printed = next(line for line in done.stdout.splitlines() if line.startswith("Comparison sheet: "))
        drawn = pasted(printed.partition(": ")[2], tmp_path)
        assert drawn.returncode == 0, drawn.stderr
        assert (tmp_path / store / "logbook.db").is_file()


def test_a_command_called_by_its_path_advises_its_path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    called = tmp_path / "tools here" / "stopwright"
    called.parent.mkdir()
    called.write_text("#!/bin/sh\n")
    called.chmod(0o755)
    monkeypatch.setattr(sys, "argv", [str(called)])
    monkeypatch.setenv("PATH", "/usr/bin:/bin")
    assert command_line("resume", "1") == f"'{called}' resume 1"
    monkeypatch.setenv("PATH", str(called.parent))
    assert command_line("resume", "1") == "stopwright resume 1"


@pytest.mark.parametrize("module", ["click", "pydantic", "daemon.commands.shooting", "daemon.runner", "sqlalchemy"])
def test_ctrl_c_while_the_command_is_still_loading_ends_in_one_line_and_130(tmp_path: Path, module: str) -> None:
    # A real SIGINT, sent by the import of one module.
    code = f"""
import importlib.abc, os, signal, sys
class Finger(importlib.abc.MetaPathFinder):
    def find_spec(self, name, path=None, target=None):
        if name == {module!r}:
            sys.meta_path.remove(self)
            os.kill(os.getpid(), signal.SIGINT)
sys.meta_path.insert(0, Finger())
from daemon.cli import main
main()
"""
    brief = put(tmp_path, small_brief(BRACKET))
    words = ["shoot", brief, "--composed", "--camera", "ptpip:127.0.0.1:9"]
    done = subprocess.run(
        [sys.executable, "-c", code, *words],
        env=environment(tmp_path),
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
    )
    assert_plain_failure(done, 130)
    assert done.stderr.split("\n") == [*[""] * (done.stderr.count("\n") - 1), "stopwright: stopped by hand", ""]


def test_ctrl_c_while_a_camera_is_being_connected_ends_in_one_line_and_130(tmp_path: Path) -> None:
    brief = put(tmp_path, small_brief(BRACKET))
    with socket.create_server(("127.0.0.1", 0)) as silent:
        silent.settimeout(20)
        where = f"ptpip:127.0.0.1:{silent.getsockname()[1]}"
        process = begin("shoot", brief, "--composed", "--camera", where, home=tmp_path)
        with silent.accept()[0]:
            process.send_signal(signal.SIGINT)
            out, told = process.communicate(timeout=20)
    assert (process.returncode, out, told) == (130, "", "stopwright: stopped by hand\n")


def test_a_demo_that_is_stopped_says_to_begin_anew_and_nothing_else(tmp_path: Path) -> None:
    process = begin("demo", "--into", "my demo", home=tmp_path)
    assert process.stdout is not None
    for line in process.stdout:
        if " 1/" in line:
            break
    process.send_signal(signal.SIGINT)
    out, told = process.communicate(timeout=30)
    assert process.returncode == 130, told
    assert "resume" not in out + told
    assert told.endswith("Begin anew with:\n    stopwright demo --into 'my demo'\n")
    assert json_of(command("runs", "last", "--store", "my demo", "--json", home=tmp_path))["state"] == "paused"


def test_an_empty_name_is_no_folder(tmp_path: Path) -> None:
    for words in (["runs", "--store", ""], ["compile", ""], ["demo", "--into", ""], ["kit", "read", ""]):
        assert_plain_failure(command(*words, home=tmp_path), 2, "found an empty name")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["shoot", "brief.yaml", "--composed", "--patience", "nan"], "no number of seconds"),
        (["shoot", "brief.yaml", "--composed", "--camera", ""], "found nothing"),
        (["shoot", "brief.yaml", "--operator", ""], "found nothing"),
        (["compile", "brief.yaml", "--out", "none/plan.json"], "Make it first"),
        (["compile", "brief.yaml", "--out", "."], "found a folder"),
        (["shoot", "brief.yaml"], "needs hands once: Set up"),
    ],
)
def test_odd_arguments_are_told_plainly_and_as_json(tmp_path: Path, words: list[str], told: str) -> None:
    put(tmp_path, small_brief(BRACKET))
    done = command(*words, "--json", home=tmp_path)
    assert_plain_failure(done, 2, told)
    assert told in json_of(done)["message"]


def test_a_folder_that_is_gone_is_said(tmp_path: Path) -> None:
    (tmp_path / "gone").mkdir()
    line = f"cd {tmp_path}/gone; rmdir ../gone; stopwright compile brief.yaml"
    assert_plain_failure(pasted(line, tmp_path), 2, "the current folder is gone")


def test_a_second_shooter_is_refused_while_one_shoots(tmp_path: Path) -> None:
    brief = put(tmp_path, small_brief(light=8.0).replace("iso_at_most: 6400", "iso_at_most: 100"))
    with simulated_camera(light=8.0) as simulator:
        where = ["--camera", simulator.camera, "--operator", f"simulated:{simulator.hands}"]
        first = begin("shoot", brief, *where, home=tmp_path)
        hands = Hands(simulator.hands)
        wait_for_exposures(hands, 1, first)
        assert_plain_failure(command("shoot", brief, *where, home=tmp_path), 2, "one run at a time")
        assert first.wait(timeout=40) == 0
        first.communicate()


def test_a_camera_that_goes_for_good_in_mid_run_ends_with_4_and_comes_back_with_its_card(tmp_path: Path) -> None:
    brief = put(tmp_path, small_brief(light=8.0).replace("iso_at_most: 6400", "iso_at_most: 100"))
    card = tmp_path / "card"
    card.mkdir()
    with simulated_camera(light=8.0, card=str(card)) as simulator:
        port, hands_port = (int(text.rpartition(":")[2]) for text in (simulator.camera, simulator.hands))
        operator = ["--operator", f"simulated:{simulator.hands}"]
        process = begin("shoot", brief, "--camera", simulator.camera, "--patience", "0.5", *operator, home=tmp_path)
        hands = Hands(simulator.hands)
        wait_for_exposures(hands, 3, process)
    _, told = process.communicate(timeout=40)
    assert process.returncode == 4, told
    assert "Traceback" not in told
    with simulated_camera(light=8.0, card=str(card), port=port, hands_port=hands_port) as simulator:
        Hands(simulator.hands).focus(3.0)
        done = command("resume", "last", *operator, home=tmp_path)
        assert done.returncode == 0, done.stderr
        run = json_of(command("runs", "last", "--json", home=tmp_path))
        on_card = sorted(path for path in card.rglob("*.JPG"))
        assert run["counts"]["files"] == run["counts"]["distinct_hashes"] == len(on_card)
        assert run["counts"]["kept"]["expose"] == 7


def test_check_says_ready_or_what_stands_in_the_way(tmp_path: Path) -> None:
    brief = put(tmp_path, small_brief())
    with simulated_camera() as simulator:
        ready = command("check", brief, "--dry", "--camera", simulator.camera, "--json", home=tmp_path)
        assert ready.returncode == 0, ready.stdout + ready.stderr
        assert json_of(ready)["ready"] is True
        hands = Hands(simulator.hands)
        assert hands.state()["exposures"] == 0
        hands.dial("P")
        wrong = command("check", brief, "--camera", simulator.camera, home=tmp_path)
        assert wrong.returncode == 4
        assert "dial" in wrong.stdout
        assert_plain_failure(command("check", "--dry", "--camera", simulator.camera, home=tmp_path), 2, "--dry")
        shown = json_of(command("cameras", "--camera", simulator.camera, "--json", home=tmp_path))
        assert shown["cameras"][0]["settings"]["aperture"]["labels"][0] == "f/1.8"


LADDER = "goals:\n  - ladder: {change: aperture, by: 1/2, from: f/5.6, to: f/8, balance: time, focus: spout}\n"


def in_halves(goals: str, light: float = 13.0) -> str:
    """A brief whose kit is in halves of a stop, as the simulated camera is not."""
    return small_brief(goals, light).replace("step: 1/3", "step: 1/2").replace("f/1.8", "f/2")


@pytest.mark.parametrize(
    ("code", "says", "text", "more"),
    [
        (
            0,
            "differ from the brief's kit",
            in_halves(LADDER.replace("by: 1/2", "by: 1").replace("to: f/8", "to: f/11"), 12.5),
            (),
        ),
        (3, "PlanUnreachable", in_halves(LADDER), ("--json",)),
        (0, "Ready to shoot", in_halves(LADDER + BRACKET.partition("\n")[2]), ("--reachable",)),
        (4, "f/6.7", None, ()),  # the plan of the one that is out of reach
    ],
)
def test_check_says_what_shoot_would_do(
    tmp_path: Path, code: int, says: str, text: str | None, more: tuple[str, ...]
) -> None:
    asked = ["brief.yaml", *more]
    put(tmp_path, text or in_halves(LADDER), "brief.yaml")
    if text is None:
        assert command("compile", "brief.yaml", "--out", "plan.json", home=tmp_path).returncode == 0
        asked = ["plan.json"]
    with simulated_camera(timing="instant") as simulator:
        where = ["--camera", simulator.camera]
        checked = command("check", *asked, *where, home=tmp_path)
        assert checked.returncode == code, checked.stdout + checked.stderr
        assert says in checked.stdout and "Traceback" not in checked.stderr
        shot = command("shoot", *asked, *where, "--operator", f"simulated:{simulator.hands}", home=tmp_path)
        assert shot.returncode == code, shot.stderr


CAMERA_SCALES = [
    ("iso: {from: 100, to: 25600, step: 1/3}", "iso: camera"),
    ("time: {from: 1/8000 s, to: 30 s, step: 1/3}", "time: camera"),
    ("aperture: {from: f/1.8, to: f/22, step: 1/3}", "aperture: camera"),
]


def test_a_brief_may_take_its_scales_from_the_camera(tmp_path: Path) -> None:
    text = demo_brief_text()
    for old, new in CAMERA_SCALES:
        assert old in text
        text = text.replace(old, new)
    brief = put(tmp_path, text)
    assert_plain_failure(command("compile", brief, "--camera", "ptpip:127.0.0.1:9", home=tmp_path), 4)
    with simulated_camera() as simulator:
        theirs = json_of(command("compile", brief, "--camera", simulator.camera, "--json", home=tmp_path))
        ours = json_of(command("compile", put(tmp_path, demo_brief_text(), "own.yaml"), "--json", home=tmp_path))
        assert theirs["steps"] == ours["steps"]
        short = put(tmp_path, text.partition("goals:")[0] + "goals:\n  - freeze: spout\n", "short.yaml")
        done = command("shoot", short, "--composed", "--camera", simulator.camera, "--json", home=tmp_path)
        assert done.returncode == 0, done.stderr
        assert json_of(done)["counts"]["kept"] == {"control": 1, "expose": 1}


def test_a_kit_may_come_from_a_file_beside_the_brief(tmp_path: Path) -> None:
    text = demo_brief_text()
    kit = text[text.index("kit:\n") + 5 : text.index("scene:")]
    put(tmp_path, "stopwright-kit: 1\n" + "".join(line[2:] for line in kit.splitlines(True)), "bag.yaml")
    brief = put(tmp_path, text.replace("kit:\n" + kit, "kit: bag.yaml\n"))
    plan = json_of(command("compile", brief, "--json", home=tmp_path))
    assert len([step for step in plan["steps"] if step["kind"] == "expose"]) == 24
    put(tmp_path, (tmp_path / "bag.yaml").read_text().replace("f/1.8", "f/0"), "bag.yaml")
    assert_plain_failure(command("compile", brief, home=tmp_path), 2, "bag.yaml:7:", "f/0")
    (tmp_path / "bag.yaml").unlink()
    assert_plain_failure(command("compile", brief, home=tmp_path), 2, "bag.yaml")


def test_a_brief_may_come_through_a_pipe(tmp_path: Path) -> None:
    done = command("compile", "/dev/stdin", "--json", home=tmp_path, stdin=demo_brief_text())
    assert done.returncode == 0, done.stderr
    assert json_of(done)["title"] == "Fountain, Tuesday class"


def test_a_camera_with_other_marks_recompiles_a_brief_and_refuses_a_plan(tmp_path: Path) -> None:
    # The camera is in thirds. A kit in halves finds f/5.6 but no f/6.7 on it.
    goals = "goals:\n  - ladder: {change: aperture, by: 1/2, from: f/5.6, to: f/8, balance: time, focus: spout}\n"
    text = small_brief(goals).replace("step: 1/3", "step: 1/2").replace("f/1.8", "f/2")
    brief = put(tmp_path, text)
    assert command("compile", brief, "--out", "plan.json", home=tmp_path).returncode == 0
    with simulated_camera() as simulator:
        where = ["--composed", "--camera", simulator.camera]
        refused = command("shoot", "plan.json", *where, home=tmp_path)
        assert_plain_failure(refused, 4, "f/6.7", "halves", "thirds")
        whole = goals.replace("by: 1/2", "by: 1").replace("to: f/8", "to: f/11")
        halves = small_brief(whole, light=12.5).replace("step: 1/3", "step: 1/2").replace("f/1.8", "f/2")
        put(tmp_path, halves, "whole.yaml")
        shot = command("shoot", "whole.yaml", *where, home=tmp_path)
        assert shot.returncode == 0, shot.stderr
        # The metering frame, three pictures, and two readings of the light.
        assert Hands(simulator.hands).state()["exposures"] == 6


def test_every_command_explains_itself_in_80_columns(tmp_path: Path) -> None:
    words = ["demo", "compile", "explain", "cameras", "check", "shoot", "resume", "runs", "sheet"]
    for word in words:
        done = command(word, "--help", home=tmp_path)
        assert done.returncode == 0, done.stderr
        assert max(map(len, done.stdout.splitlines())) <= 80
        assert "--json" in done.stdout


def test_the_command_starts_without_the_database_and_picture_libraries(tmp_path: Path) -> None:
    code = "import sys, daemon.cli; print(sorted({'sqlalchemy', 'PIL', 'numpy', 'gphoto2', 'pint'} & set(sys.modules)))"
    done = subprocess.run(
        [sys.executable, "-c", code], env=environment(tmp_path), capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"
