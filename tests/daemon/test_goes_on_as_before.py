"""A run that goes on behaves as it did before, and what is sent to one that has ended is answered."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from support_inprocess import Bench, bench
from support_run import small_brief, small_plan

from daemon import assembly, judging_aside
from daemon.commands import shooting
from daemon.config import Config
from daemon.context import Manners
from daemon.errors import RunPaused, UsageError
from daemon.feed import Command, Event
from daemon.manners import remembered
from daemon.service import Order, Service
from daemon.texts import Written


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Bench]:
    with bench(tmp_path) as made:
        yield made


def paused_run(made: Bench, manners: Manners) -> int:
    """A run begun in these manners and stopped after its second picture, or at its first cue."""
    runner = made.new_runner(manners=manners)

    def on_event(event: Event) -> None:
        if event.data.get("kind") == "cue" or (event.kind == "frame-kept" and event.data["done"] == 2):
            made.send("stop")

    made.on_event = on_event
    with pytest.raises(RunPaused):
        runner.start(small_plan())
    assert runner.run_id is not None
    return runner.run_id


# -- manners ------------------------------------------------------------------------------------------------------


def test_the_record_tells_how_a_run_behaved_and_one_without_tells_nothing(made: Bench) -> None:
    manners = Manners(patience_s=7.0, light="off", cue=True, hands_timeout_s=30.0, hands_late="skip")
    run = paused_run(made, manners)
    assert Manners(**remembered(made.store.logbook, run)) == manners
    made.store.logbook.add_event("run-started", "as an older version told it", run, {"run": run})
    assert remembered(made.store.logbook, run) == {}
    made.store.logbook.add_event("run-started", "nonsense", run, {"run": run, "manners": {"cue": "perhaps"}})
    assert remembered(made.store.logbook, run) == {}


@pytest.mark.parametrize(
    ("words", "cue", "light", "patience"),
    [
        ([], True, "ends", 7.0),
        (["--light", "off", "--no-cue"], False, "off", 7.0),
        (["--patience", "9"], True, "ends", 9.0),
    ],
)
def test_resume_goes_on_in_cue_mode_and_what_is_asked_for_now_counts(
    made: Bench, monkeypatch: pytest.MonkeyPatch, words: list[str], cue: bool, light: str, patience: float
) -> None:
    run = paused_run(made, Manners(patience_s=7.0, light="ends", cue=True))
    seen: list[Any] = []

    def run_it(*told: Any) -> int:
        seen.append((told[5], told[6]))
        return run

    monkeypatch.setattr(shooting, "run_it", run_it)
    monkeypatch.setattr(assembly, "choose_lecturer", lambda operator, cue: None)  # else it needs a terminal
    at = ["--store", str(made.store.path), "--operator", "nobody", "--camera", "ptpip:127.0.0.1:9"]
    done = CliRunner().invoke(shooting.resume, [str(run), *at, *words])
    assert done.exit_code == 0, done.output
    ((told_patience, options),) = seen
    assert (options["cue"], options["light"], told_patience) == (cue, light, patience)


def test_a_run_in_cue_mode_that_goes_on_without_a_terminal_says_how_it_can(made: Bench) -> None:
    run = paused_run(made, Manners(cue=True))
    done = CliRunner().invoke(shooting.resume, [str(run), "--store", str(made.store.path), "--operator", "nobody"])
    assert done.exit_code == 2 and "with --no-cue" in done.output


def test_the_service_goes_on_with_a_run_as_it_was_begun(made: Bench) -> None:
    run = paused_run(made, Manners(patience_s=7.0, light="ends", cue=True, verdicts=False))
    service = Service(made.store, Config())
    found = service._manners_of(Manners, 60.0, Order("again", which=str(run)))
    assert (found.cue, found.light, found.patience_s, found.verdicts) == (True, "ends", 7.0, False)
    other = service._manners_of(Manners, 3.0, Order("again", which=str(run), patience_s=3.0, manners={"cue": False}))
    assert (other.cue, other.light, other.patience_s) == (False, "ends", 3.0)


# -- after the end ------------------------------------------------------------------------------------------------


def test_a_command_that_comes_when_the_run_is_done_is_refused_in_words(made: Bench) -> None:
    sent: list[Command] = []
    made.on_event = lambda event: sent.append(made.send("retake")) if event.kind == "run-done" else None
    found = made.shoot(small_plan())
    (refused,) = made.texts("command-refused")
    assert "asked for retake; the run is done" in refused
    row = made.store.logbook.command(sent[0].id)
    assert row is not None and row.run_id == found.run.id and row.refused == refused


def test_while_the_last_verdicts_are_waited_for_a_stop_ends_that_and_others_are_refused(
    made: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    let_go = threading.Event()
    monkeypatch.setattr(judging_aside.Aside, "_verdicts", lambda self, group: let_go.wait(25) and "")
    runner = made.new_runner(manners=Manners(patience_s=5.0, verdicts=True, verdicts_s=20.0))
    ended: list[float] = []

    def on_event(event: Event) -> None:
        if event.kind == "run-done":
            made.send("skip")  # this one does not end the waiting
            threading.Timer(0.5, made.send, ("stop",)).start()
            ended.append(time.monotonic())
        if event.kind == "command":
            let_go.set()

    made.on_event = on_event
    runner.start(small_plan())
    assert 0.4 < time.monotonic() - ended[0] < 15
    assert "asked for skip; the run is done" in made.texts("command-refused")[0]
    assert made.texts("command") == ["stop: the run is done already; its last verdicts are no longer waited for"]
    assert made.store.logbook.run("last").state == "done"


# -- ids after a restart of the service ----------------------------------------------------------------------------


def test_a_service_started_anew_knows_commands_and_orders_from_the_record(made: Bench) -> None:
    run = paused_run(made, Manners(patience_s=5.0))
    logbook = made.store.logbook
    assert logbook.accept(run, "a retake", "retake", {}) and logbook.accept(run, "too early", "cue", {}, refused="no")
    assert logbook.accept(run, "order-1", "shoot", {})
    service = Service(made.store, Config())
    told = service.command(run, Command("a retake", "retake"))
    assert told == {"id": "a retake", "run": run, "verb": "retake", "accepted": True, "repeated": True}
    refused = service.command(run, Command("too early", "cue"))
    assert (refused["accepted"], refused["refused"], refused["repeated"]) == (False, "no", True)
    with pytest.raises(UsageError, match="no run goes on"):
        service.command(run, Command("never sent", "retake"))

    again = service.order(Order("order-1", Written(small_brief(), "small.yaml", {})))
    assert (again.run, again.state) == (run, "ended") and service.job is None
    assert service.find_job("a retake") is None  # a command is no order
    assert len(logbook.list_runs()) == 1
