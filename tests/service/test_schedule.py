"""The schedule with a turned clock: due, late, in the way, missed, jumped over; and once with real processes."""

from __future__ import annotations

import datetime as real
import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, timedelta
from pathlib import Path
from typing import Any

import apscheduler.schedulers.base
import pytest
from support_run import command, json_of, small_brief
from support_service import BRACKET, served
from support_simulator import simulated_camera

from daemon import clock
from daemon.config import Config
from daemon.errors import UsageError
from daemon.schedule import Schedule, told
from daemon.schedule_rules import RULE
from daemon.service import Job, Order, Service
from daemon.store import open_store

HEAD = small_brief(BRACKET)


class Turned:
    """A wall clock that is turned by hand, for our code and the scheduler alike; between turns it goes on."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, start: str):
        self._shift = real.datetime.fromisoformat(start).replace(tzinfo=UTC) - real.datetime.now(UTC)
        turned = self

        class Datetime(real.datetime):
            @classmethod
            def now(cls, tz: Any = None) -> real.datetime:
                return turned.now().astimezone(tz)

        monkeypatch.setattr(clock, "utc_now", self.now)
        monkeypatch.setattr(apscheduler.schedulers.base, "datetime", Datetime)

    def now(self) -> real.datetime:
        return real.datetime.now(UTC) + self._shift

    def turn(self, by: timedelta) -> None:
        self._shift += by


class Rig:
    """A store, a service that only notes what it is told to shoot, and its schedule."""

    def __init__(self, folder: Path, turned: Turned):
        self.turned, self.orders = turned, list[Order]()
        self.store = open_store(folder / "store")
        self.service = Service(self.store, Config())
        self.busy: Job | None = None
        self.service.order = self._order  # type: ignore[method-assign]
        self.schedule = Schedule(self.service)

    def _order(self, order: Order) -> Job:
        self.orders.append(order)
        job = Job(order, run=None)
        job.begun.set()
        job.ended.set()
        return job

    def add(self, late_min: float = 30.0, conflict: str = "wait", **rule: Any) -> int:
        brief = {"text": HEAD, "name": "small.yaml", "composed": True}
        return self.schedule.add("", RULE.validate_python(rule), brief, late_min, conflict).id

    def outcomes(self, number: int) -> list[tuple[str, str]]:
        return [(one.outcome, one.why) for one in reversed(self.schedule.rows.outcomes(number, 100))]

    def turn(self, by: timedelta) -> None:
        self.turned.turn(by)
        self.schedule.look_again()

    def again(self) -> None:
        """The service ends and starts."""
        self.schedule.close()
        self.schedule = Schedule(self.service)
        self.schedule.start()


def until(condition: Callable[[], Any], within_s: float = 20.0) -> None:
    end = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.01)


@pytest.fixture
def rig(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Rig]:
    found = Rig(tmp_path, Turned(monkeypatch, "2026-11-25T12:00:00"))
    found.schedule.start()
    yield found
    found.schedule.close()
    found.store.close()


DAILY = {"kind": "daily", "time": "18:00", "timezone": "Europe/London"}


def test_a_run_begins_when_it_is_due_and_once_a_day(rig: Rig) -> None:
    number = rig.add(**DAILY)
    rig.turn(timedelta(hours=5, minutes=59))
    time.sleep(0.2)
    assert rig.orders == []
    rig.turn(timedelta(minutes=1))
    until(lambda: len(rig.outcomes(number)) == 1 and rig.outcomes(number)[0][0] == "started")
    assert rig.outcomes(number) == [("started", "on time")]
    rig.turn(timedelta(hours=24))
    until(lambda: len(rig.orders) == 2)
    assert [order.id for order in rig.orders] == ["schedule-1-20261125T180000", "schedule-1-20261126T180000"]
    assert rig.orders[0].composed and rig.orders[0].operator == "nobody"


def test_a_clock_that_jumps_ahead_has_it_late_and_one_that_goes_back_never_has_it_twice(rig: Rig) -> None:
    number = rig.add(**DAILY, late_min=90)
    rig.turn(timedelta(hours=7))  # over 18:00, to 19:00
    until(lambda: rig.outcomes(number) == [("started", "60 min late")])
    rig.turn(timedelta(hours=-1, minutes=-30))  # to 17:30
    rig.turn(timedelta(minutes=31))  # over 18:00 again
    time.sleep(0.3)
    assert len(rig.orders) == 1
    strict = rig.add(**(DAILY | {"time": "20:00"}), late_min=10)
    rig.turn(timedelta(hours=3))
    until(lambda: len(rig.outcomes(strict)) == 1)
    assert rig.outcomes(strict) == [("skipped", "61 min late; allowed: 10 min")]
    assert len(rig.orders) == 1


def test_the_watch_notices_a_jump_by_itself(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("daemon.schedule.LOOK_S", 0.05)
    rig.again()
    number = rig.add(**DAILY)
    time.sleep(0.2)
    rig.turned.turn(timedelta(hours=6))  # nobody tells the scheduler
    until(lambda: len(rig.outcomes(number)) == 1)


def test_what_was_missed_while_the_service_was_off_is_told_and_the_last_is_begun_if_it_may_be_late(rig: Rig) -> None:
    late, strict = rig.add(**DAILY, late_min=60), rig.add(**DAILY, late_min=0)
    rig.schedule.close()
    rig.turned.turn(timedelta(days=2, hours=6, minutes=20))  # to 18:20 two days on
    rig.again()
    until(lambda: len(rig.outcomes(late)) == 3 and rig.outcomes(late)[2][0] != "begun")
    off = ("skipped", "the service was not running")
    assert rig.outcomes(late) == [off, off, ("started", "20 min late")]
    assert rig.outcomes(strict) == [off, off, ("skipped", "the service was not running; 20 min late is too late")]
    rig.again()
    time.sleep(0.2)
    assert len(rig.orders) == 1  # not again


def test_another_run_in_the_way_is_waited_for_or_skipped_as_the_schedule_says(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("daemon.schedule.RETRY_S", 0.1)
    waits, skips, gives_up = (
        rig.add(**DAILY, conflict="wait"), rig.add(**DAILY, conflict="skip"), rig.add(**DAILY, late_min=5),
    )  # fmt: skip
    rig.service._current = other = Job(Order("other"), run=7)
    rig.turn(timedelta(hours=6))
    until(lambda: rig.outcomes(skips) == [("skipped", "run 7 was going on")])
    rig.turn(timedelta(minutes=10))
    until(lambda: len(rig.outcomes(gives_up)) == 1)
    assert rig.outcomes(gives_up)[0][0] == "skipped"
    assert rig.outcomes(waits) == [] and rig.orders == []
    other.ended.set()
    until(lambda: rig.outcomes(waits) == [("started", "10 min late")])


def test_what_dies_between_begin_and_word_is_not_begun_again(rig: Rig) -> None:
    number = rig.add(**DAILY)
    rig.schedule.close()
    due = real.datetime(2026, 11, 25, 18, tzinfo=UTC)
    rig.turned.turn(timedelta(hours=6, minutes=1))
    rig.schedule = Schedule(rig.service)
    assert rig.schedule.rows.settle(number, due, "begun")
    assert not rig.schedule.rows.settle(number, due, "begun")
    rig.again()
    until(lambda: rig.outcomes(number) == [("failed", "the service died meanwhile")])
    assert rig.orders == []


def test_a_removed_schedule_begins_nothing_and_stays_in_the_record(rig: Rig) -> None:
    number = rig.add(**DAILY)
    rig.schedule.remove(number)
    rig.turn(timedelta(hours=7))
    time.sleep(0.2)
    assert rig.orders == []
    assert rig.schedule.rows.rows() == []
    assert [row.id for row in rig.schedule.rows.rows(removed=True)] == [number]
    with pytest.raises(UsageError, match="none of this number"):
        rig.schedule.remove(99)


def test_schedules_that_would_meet_are_told(rig: Rig) -> None:
    one, two = rig.add(**DAILY), rig.add(**DAILY)
    far = rig.add(**(DAILY | {"time": "03:00"}))
    rows = rig.schedule.rows
    meets = {
        number: [item["schedule"] for item in told(rows, rows.row(number))["conflicts"]] for number in (one, two, far)
    }
    assert meets == {one: [two], two: [one], far: []}


def test_what_can_be_wrong_is_told_when_it_is_added(rig: Rig) -> None:
    with pytest.raises(UsageError, match="never comes"):
        rig.add(kind="once", at="2026-11-25T11:00:00Z")
    with pytest.raises(UsageError, match="hands"):
        rig.schedule.add("", RULE.validate_python(DAILY), {"text": HEAD, "name": "small.yaml"}, 30, "wait")
    assert rig.schedule.rows.rows() == []


def test_no_thread_of_the_schedule_outlives_it(rig: Rig) -> None:
    rig.schedule.close()
    until(lambda: not [one for one in threading.enumerate() if one.name in ("clock", "APScheduler")])


@pytest.mark.timeout(150)
def test_a_schedule_of_the_command_line_is_shot_by_the_service_and_only_once(tmp_path: Path) -> None:
    (tmp_path / "small.yaml").write_text(HEAD)
    with simulated_camera(timing="instant") as simulator:
        at = (real.datetime.now(UTC) + timedelta(seconds=25)).isoformat()
        words = ["small.yaml", "--at", at, "--camera", simulator.camera, "--composed", "--json"]
        added = json_of(command("schedule", "add", *words, home=tmp_path))  # no service runs yet
        assert added["next"] is not None
        with served(tmp_path) as service:
            listed = json_of(command("schedule", "list", "--json", home=tmp_path))["schedules"]
            assert [one["id"] for one in listed] == [1]
            end = time.monotonic() + 90
            while (found := service.get("/api/schedule/1"))["outcomes"] == [] or found["outcomes"][0][
                "outcome"
            ] == "begun":
                assert time.monotonic() < end
                time.sleep(0.2)
            assert (found["outcomes"][0]["outcome"], found["outcomes"][0]["run_id"]) == ("started", 1)
            service.until(lambda state: state["job"] is None)
            assert service.get("/api/runs/1")["state"] == "done"
            assert service.client.delete("/api/schedule/1").status_code == 200
            assert service.client.delete("/api/schedule/9").status_code == 404
    refused = command("schedule", "add", "small.yaml", home=tmp_path)
    assert refused.returncode == 2 and "--daily" in refused.stderr
