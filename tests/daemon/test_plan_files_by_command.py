"""Plan files given to the commands: an edited one is refused before camera and store are touched; no stub of a run."""

from __future__ import annotations

import copy
import json
import os
import re
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from support_run import Rig, command, json_of, rig, small_plan
from support_simulator import simulated_camera

from daemon.errors import StoreError
from daemon.store import open_store
from hardware_mocks.hands import Hands, SimulatedOperator
from plans.plan import Plan, plan_json

Tree = dict[str, Any]
NO_CAMERA = ["--camera", "ptpip:127.0.0.1:9"]  # whoever asks it ends with 4
GOALS = "goals:\n  - bracket: {change: time, by: 1, count: 3, focus: heron}\n"


def refused(done: subprocess.CompletedProcess[str], *words: str) -> None:
    """Exit code 2, a clear message, no traceback, and nothing that a terminal would obey."""
    assert done.returncode == 2, (done.returncode, done.stdout, done.stderr)
    assert "Traceback" not in done.stdout + done.stderr
    assert re.search(r"[^\n -~\u00a0-\uffff]", done.stdout + done.stderr) is None
    for word in words:
        assert word in done.stderr, (word, done.stderr)


def written(home: Path, change: Callable[[Tree], Any] | None = None, name: str = "plan.json") -> str:
    """The file of a small plan, edited by ``change``; its name."""
    tree = json.loads(plan_json(small_plan(GOALS)))
    if change is not None:
        change(tree)
    (home / name).write_text(json.dumps(tree))
    return name


def no_hands(tree: Tree) -> None:
    tree["steps"] = [step for step in tree["steps"] if step["kind"] != "operator"]


def dark(tree: Tree) -> None:
    frame = next(step for step in tree["steps"] if step["kind"] == "expose")
    frame["settings"]["filters"] = [{"name": "ND 8", "stops": 1e308}]


def loud(tree: Tree) -> None:
    tree["steps"][0]["text"] = "\x1b]0;gone\x07\x1b[2J"


EDITS: dict[str, tuple[Callable[[Tree], Any], str]] = {
    "no hands": (no_hands, "no longer follows from its inputs"),
    "a filter of 1e308 stops": (dark, "stops: found 1e+308; allowed: a number from 0 to 100"),
    "a terminal's escapes": (loud, 'steps[1].text: found "<U+001B>]0;gone<U+0007>'),
}


@pytest.mark.parametrize("name", EDITS)
def test_an_edited_plan_is_refused_before_camera_and_store_are_touched(tmp_path: Path, name: str) -> None:
    change, words = EDITS[name]
    plan = written(tmp_path, change)
    refused(
        command("shoot", plan, *NO_CAMERA, "--composed", home=tmp_path), words, "plan.json: ", "ompile the brief again"
    )
    assert sorted(path.name for path in tmp_path.iterdir()) == ["plan.json"]


def test_the_same_plan_unedited_would_have_gone_to_the_camera_and_the_store(tmp_path: Path) -> None:
    done = command("shoot", written(tmp_path), *NO_CAMERA, "--composed", "--patience", "0", home=tmp_path)
    assert done.returncode == 4, done.stderr
    assert (tmp_path / "Stopwright").is_dir()


def test_not_even_its_name_reaches_the_terminal_raw(tmp_path: Path) -> None:
    refused(command("explain", written(tmp_path, no_hands, "a\x1b[2Jb.json"), home=tmp_path), "a<U+001B>[2Jb.json")


def test_every_command_that_takes_a_plan_refuses_an_edited_one_and_tells_machines_where(tmp_path: Path) -> None:
    plan = written(tmp_path, no_hands)
    for words in (["explain", plan], ["check", plan, *NO_CAMERA], ["compile", plan]):
        done = command(*words, "--json", home=tmp_path)
        refused(done, "no longer follows from its inputs")
        (complaint,) = json_of(done)["complaints"]
        assert complaint["file"] == "plan.json"
        assert complaint["field"] == "steps[1]"
        assert complaint["allowed"] == 'step "01-operator", by its inputs'


def test_a_plan_is_read_from_a_pipe_as_from_a_file(tmp_path: Path) -> None:
    text = plan_json(small_plan(GOALS))
    by_file = command("explain", written(tmp_path), home=tmp_path)
    assert by_file.returncode == 0, by_file.stderr
    assert command("explain", "/dev/stdin", stdin=text, home=tmp_path).stdout == by_file.stdout
    os.mkfifo(tmp_path / "pipe.json")
    writer = threading.Thread(target=(tmp_path / "pipe.json").write_text, args=(text,))
    writer.start()
    assert command("explain", "pipe.json", home=tmp_path).stdout == by_file.stdout
    writer.join()


def test_files_that_cannot_be_a_plan_are_refused(tmp_path: Path) -> None:
    (tmp_path / "folder.json").mkdir()
    refused(command("explain", "folder.json", home=tmp_path), "found a folder")
    (tmp_path / "bytes.json").write_bytes(b'{"version": 1, "title": "\xff"}')
    refused(command("explain", "bytes.json", home=tmp_path), "UTF-8")
    (tmp_path / "large.json").write_text('{"version": 1, "title": "' + "x" * 9_000_000 + '"}')
    refused(command("explain", "large.json", home=tmp_path), "more than 8 MB")
    (tmp_path / "endless.json").symlink_to("/dev/zero")
    refused(command("explain", "endless.json", home=tmp_path), "more than 8 MB")


def test_the_plan_that_a_run_made_for_the_light_as_metered_is_taken_from_its_folder(tmp_path: Path) -> None:
    with simulated_camera(light=12.1) as simulator, rig(tmp_path, simulator) as ours:
        folder = ours.shoot(small_plan(GOALS, light=13.0)).folder
    assert sorted(path.name for path in folder.glob("*.json")) == ["plan-2.json", "plan.json"]
    done = command("explain", str(folder / "plan-2.json"), home=tmp_path)
    assert done.returncode == 0, done.stderr


def test_a_run_goes_on_from_a_plan_of_another_build_that_is_refused_as_a_file(tmp_path: Path) -> None:
    plan = small_plan(GOALS)
    first = plan.exposing[0]
    older = plan.model_copy(
        update={
            "steps": tuple(
                step.model_copy(update={"caption": "As an older build said it."}) if step == first else step
                for step in plan.steps
            )
        }
    )
    (tmp_path / "older.json").write_text(plan_json(older))
    refused(command("explain", "older.json", home=tmp_path), "made by another build of stopwright")
    with simulated_camera() as simulator:
        operator = SimulatedOperator(simulator.hands)
        with rig(tmp_path, simulator, operator=_StopsOnce(operator)) as ours:
            with pytest.raises(KeyboardInterrupt):
                ours.shoot(older)
            assert ours.store.logbook.run(1).state == "paused"
        done = command(
            *["resume", "1", "--store", "store", "--camera", simulator.camera],
            *["--operator", f"simulated:{simulator.hands}"],
            home=tmp_path,
        )
        assert done.returncode == 0, done.stderr
        shown = json_of(command("runs", "1", "--store", "store", "--json", home=tmp_path))
        assert shown["state"] == "done"
        assert shown["counts"]["kept"]["expose"] == len(plan.exposing)


# -- no stub of a run --------------------------------------------------------------------------------------------------


class _StopsOnce:
    """An operator who presses Ctrl-C at the first thing asked."""

    def __init__(self, others: Any):
        self.name = others.name
        self._others = others

    def act(self, step: Any) -> Any:
        raise KeyboardInterrupt

    def choose(self, question: str, choices: Any) -> Any:
        return self._others.choose(question, choices)

    def acknowledge(self, caution: str) -> None:
        raise KeyboardInterrupt


@contextmanager
def failing(folder: Path, nth: int) -> Iterator[tuple[Rig, list[str]]]:
    """A rig whose store, once armed, refuses its ``nth`` durable act from then on; the acts are listed."""
    acts: list[str] = []
    armed = [False]

    def trace(act: str, what: str) -> None:
        if not armed[0]:
            return
        acts.append(f"{act} {what}")
        if len(acts) == nth:
            raise StoreError("the disk is full")

    with simulated_camera() as simulator, rig(folder, simulator, trace=trace) as ours:
        armed[0] = True
        yield ours, acts
        armed[0] = False


@pytest.mark.parametrize("nth", [1, 3, 6, 8, 10])
def test_a_start_that_fails_leaves_no_run_that_is_called_running(tmp_path: Path, nth: int) -> None:
    with failing(tmp_path, nth) as (ours, acts):
        with pytest.raises(StoreError, match="the disk is full"):
            ours.runner.start(small_plan(GOALS))
        assert len(acts) >= nth, acts
        logbook = ours.store.logbook
        for run in logbook.list_runs():
            has_plan = bool(logbook.run_plans(run.id))
            assert run.state == ("paused" if has_plan else "abandoned"), (run, acts)
            assert (ours.runner.run_id == run.id) == has_plan  # only a run that can go on is named
        assert Hands(ours.simulator.hands).state()["exposures"] == 0


def test_a_plan_that_the_logbook_refuses_leaves_an_abandoned_run(tmp_path: Path) -> None:
    plan = small_plan(GOALS)
    twice = plan.model_copy(update={"steps": (*plan.steps, copy.copy(plan.steps[0]))})
    with simulated_camera() as simulator, rig(tmp_path, simulator) as ours:
        with pytest.raises(StoreError):
            ours.runner.start(twice)
        (run,) = ours.store.logbook.list_runs()
        assert run.state == "abandoned"


def test_ctrl_c_at_a_caution_before_the_first_step_pauses_the_run(tmp_path: Path) -> None:
    plan: Plan = small_plan(GOALS).model_copy(update={"cautions": ("Wet stone is slippery.",)})
    with simulated_camera() as simulator:
        operator = _StopsOnce(SimulatedOperator(simulator.hands))
        with rig(tmp_path, simulator, operator=operator) as ours, pytest.raises(KeyboardInterrupt):
            ours.runner.start(plan)
    with open_store(tmp_path / "store") as store:
        assert [run.state for run in store.logbook.list_runs()] == ["paused"]
