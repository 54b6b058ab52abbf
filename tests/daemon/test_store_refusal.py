"""A store that takes no more: the camera is put back all the same, the first reason is told, and the record is true."""

from __future__ import annotations

import errno
import json
import os
import resource
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner
from support_run import (
    Rig,
    assert_nothing_lost_nothing_twice,
    begin,
    kill,
    rig,
    small_brief,
    small_plan,
    wait_for_exposures,
)
from support_simulator import simulated_camera

from daemon.commands.records import runs
from daemon.errors import StoreError, UsageError
from daemon.feed import Command, Event
from daemon.report import report
from daemon.store import open_store
from hardware_mocks.hands import Hands


@contextmanager
def nothing_more_is_written() -> Iterator[list[bool]]:
    """No file of this process grows any more, once the list is given an item; undone at the end. The system refuses."""

    class Switch(list[bool]):
        def append(self, item: bool) -> None:
            super().append(item)
            resource.setrlimit(resource.RLIMIT_FSIZE, (4096, before[1]))

    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    try:
        yield Switch()
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def after_one_frame(bench: Rig, switch: list[bool], stop: bool = False) -> None:
    def on_event(event: Event) -> None:
        if event.kind == "frame-kept" and event.data["done"] == 1:
            bench.seen = bench.hands.state()["settings"]  # type: ignore[attr-defined]
            switch.append(True)
            if stop:
                bench.commands.send(Command("one", "stop"))

    bench.on_event = on_event


def test_a_full_disk_leaves_the_camera_as_it_was_found_and_the_run_paused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with simulated_camera() as simulator, rig(tmp_path, simulator) as bench:
        before, real, fetched = bench.hands.state()["settings"], os.fsync, []

        def full(handle: int) -> None:
            if "incoming" in os.readlink(f"/proc/self/fd/{handle}"):
                fetched.append(bench.hands.state()["settings"])
                if len(fetched) > 3:
                    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            real(handle)

        monkeypatch.setattr(os, "fsync", full)
        with pytest.raises(StoreError, match="full"):
            bench.runner.start(small_plan())
        assert fetched[-1] != before, "the run had changed them"
        assert bench.hands.state()["settings"] == before
        assert all(item.restored_at for item in bench.store.logbook.settings_found(1))
        assert bench.store.logbook.run("last").state == "paused"
        assert bench.kinds()[-1] == "paused"
        monkeypatch.undo()
        assert_nothing_lost_nothing_twice(report(bench.store, bench.runner.resume("last")), bench.hands)


def test_a_store_that_takes_nothing_at_all_is_told_by_its_first_refusal(tmp_path: Path) -> None:
    with simulated_camera() as simulator, rig(tmp_path, simulator) as bench:
        before = bench.hands.state()["settings"]
        with nothing_more_is_written() as switch:
            after_one_frame(bench, switch)
            with pytest.raises(StoreError, match="begin_attempt"):
                bench.runner.start(small_plan())
        assert bench.seen != before, "the run had changed them"  # type: ignore[attr-defined]
        assert bench.hands.state()["settings"] == before
        assert bench.kinds()[-1] == "paused", "whoever listens hears it, though it cannot be written down"
        assert bench.store.logbook.run("last").state == "running", "the store refused that as well"
        bench.on_event = lambda event: None
        assert_nothing_lost_nothing_twice(report(bench.store, bench.runner.resume("last")), bench.hands)
        assert bench.hands.state()["settings"] == before


def test_a_stop_that_cannot_be_written_down_is_not_called_a_pause(tmp_path: Path) -> None:
    with simulated_camera() as simulator, rig(tmp_path, simulator) as bench:
        before = bench.hands.state()["settings"]
        with nothing_more_is_written() as switch:
            after_one_frame(bench, switch, stop=True)
            with pytest.raises(StoreError):
                bench.runner.start(small_plan())
        assert bench.hands.state()["settings"] == before


# -- what the record says of runs whose process is gone ---------------------------------------------------------------


def told(store: Path, *words: str) -> str:
    return CliRunner().invoke(runs, [*words, "--store", str(store)], catch_exceptions=False).stdout


def states(store: Path) -> dict[int, str]:
    return {run["run"]: run["state"] for run in json.loads(told(store, "--json"))["runs"]}


def test_a_run_is_called_running_only_while_its_process_lives(tmp_path: Path) -> None:
    goals = "goals:\n  - ladder: {change: aperture, by: 1, from: f/8, to: f/22, balance: time, focus: heron}\n"
    (tmp_path / "brief.yaml").write_text(small_brief(goals + "limits: {iso_at_most: 100}\n", light=8.0))
    store = tmp_path / "store"
    with simulated_camera(light=8.0) as simulator:
        hands = Hands(simulator.hands)
        options = ["--store", str(store), "--camera", simulator.camera, "--operator", f"simulated:{simulator.hands}"]
        for number in (1, 2):
            process = begin("shoot", "brief.yaml", *options, home=tmp_path)
            wait_for_exposures(hands, hands.state()["exposures"] + 1, process)
            assert states(store)[number] == "running"
            kill(process)
            assert states(store)[number] == "interrupted"
        process = begin("resume", "1", *options, home=tmp_path)
        wait_for_exposures(hands, hands.state()["exposures"] + 1, process)
        assert states(store) == {1: "running", 2: "interrupted"}
        assert "(interrupted)" in told(store, "2") and "stopwright resume 2" in told(store, "2")
        assert json.loads(told(store, "2", "--json"))["state"] == "interrupted"
        assert [line.split()[3] for line in told(store).splitlines()] == ["running", "interrupted"]
        kill(process)
        with open_store(store) as opened:
            opened.logbook.run_state(1, "paused")
        assert states(store) == {1: "paused", 2: "interrupted"}


def test_looking_whether_a_run_lives_never_turns_a_shooter_away(tmp_path: Path) -> None:
    import fcntl
    import threading
    import time

    with open_store(tmp_path / "store") as store:
        with store.lock("stopwright shoot"):
            assert store.run_in_progress() is None, "there is a process, and no run yet"
            store.note_run(7)
            assert store.run_in_progress() == 7
            with pytest.raises(UsageError, match="stopwright shoot"), store.lock("stopwright resume"):
                pass
        assert store.run_in_progress() is None
        # One that looks holds the lock for a moment; here for far longer than it ever does.
        with open(store.path / "shooting.lock") as looking:
            fcntl.flock(looking, fcntl.LOCK_SH)
            threading.Thread(target=lambda: (time.sleep(0.2), fcntl.flock(looking, fcntl.LOCK_UN))).start()
            with store.lock("stopwright shoot"):
                assert store.run_in_progress() is None, "a new holder has no run of the one before"
