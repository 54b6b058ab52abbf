"""Token, codes and sessions."""

from __future__ import annotations

import json
import stat
from datetime import timedelta
from pathlib import Path

import pytest

from daemon import clock
from daemon.errors import StoreError
from daemon.log import Failures
from daemon.web.access import CODE_S, SESSION_S, Access
from daemon.web.guard import Rates


def test_the_token_lies_in_a_file_of_mode_600_and_outlives_a_restart(tmp_path: Path) -> None:
    folder = tmp_path / "state"
    access = Access(folder)
    token = (folder / "token").read_text().strip()
    assert stat.S_IMODE((folder / "token").stat().st_mode) == 0o600
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert len(token) >= 40
    assert access.is_token(token)
    assert Access(folder).is_token(token)
    assert not access.is_token(token[:-1])
    assert not access.is_token("")


def test_a_token_that_others_may_read_is_refused(tmp_path: Path) -> None:
    Access(tmp_path)
    (tmp_path / "token").chmod(0o640)
    with pytest.raises(StoreError, match=r"mode 640.*allowed: 600"):
        Access(tmp_path)


def test_a_code_pairs_one_device_once(tmp_path: Path) -> None:
    access = Access(tmp_path)
    code = access.new_code("watch")
    paired = access.redeem(code.lower())  # as somebody types it
    assert paired is not None
    assert access.role_of(paired[0]) == "watch"
    assert access.redeem(code) is None
    assert access.role_of(paired[0] + "x") is None


def test_a_code_is_void_after_two_minutes_after_five_wrong_tries_and_when_there_is_a_newer(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    access = Access(tmp_path)
    now = [1000.0]
    monkeypatch.setattr(clock, "monotonic", lambda: now[0])
    code = access.new_code("control")
    now[0] += CODE_S - 1
    assert access.redeem(code) is not None
    code = access.new_code("control")
    now[0] += CODE_S
    assert access.redeem(code) is None
    code = access.new_code("control")
    assert [access.redeem("WRONG234") for _ in range(4)] == [None] * 4
    assert access.redeem(code) is not None
    code = access.new_code("control")
    assert [access.redeem("WRONG234") for _ in range(5)] == [None] * 5
    assert access.redeem(code) is None
    older = access.new_code("control")
    access.new_code("control")
    assert access.redeem(older) is None


def test_sessions_outlive_a_restart_end_in_time_and_are_kept_as_hashes_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    access = Access(tmp_path)
    session = access.new_session("control")
    kept = (tmp_path / "sessions.json").read_text()
    assert session not in kept
    assert next(iter(json.loads(kept).values()))["role"] == "control"
    assert stat.S_IMODE((tmp_path / "sessions.json").stat().st_mode) == 0o600
    again = Access(tmp_path)
    assert again.role_of(session) == "control"
    real = clock.utc_now
    monkeypatch.setattr(clock, "utc_now", lambda: real() + timedelta(seconds=SESSION_S + 1))
    assert again.role_of(session) is None
    monkeypatch.undo()
    assert again.end_sessions() == 1
    assert Access(tmp_path).role_of(session) is None


def test_a_damaged_file_of_sessions_unpairs_and_does_not_stop_the_service(tmp_path: Path) -> None:
    session = Access(tmp_path).new_session("control")
    (tmp_path / "sessions.json").write_text('{"x": 3')
    assert Access(tmp_path).role_of(session) is None


def test_rates_allow_a_burst_then_so_many_a_second_for_each_address(monkeypatch: pytest.MonkeyPatch) -> None:
    now = [0.0]
    monkeypatch.setattr(clock, "monotonic", lambda: now[0])
    rates = Rates(2.0, 3.0)
    assert [rates.allows("a") for _ in range(5)] == [True, True, True, False, False]
    assert rates.allows("b")
    now[0] += 0.5
    assert [rates.allows("a") for _ in range(2)] == [True, False]


def test_a_failure_is_one_line_when_it_begins_and_one_when_it_ends() -> None:
    lines: list[str] = []

    class Log:
        def error(self, text: str, **facts: object) -> None:
            lines.append(f"error {text} {facts}")

        def info(self, text: str, **facts: object) -> None:
            lines.append(f"info {text} {facts}")

    failures = Failures(Log())
    failures.works("camera")
    for _ in range(3):
        failures.failed("camera", why="no answer")
    failures.works("camera")
    failures.works("camera")
    failures.failed("camera")
    assert lines == [
        "error camera fails {'why': 'no answer'}",
        "info camera works again {'failures': 3}",
        "error camera fails {}",
    ]
