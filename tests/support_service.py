"""The service in a process of its own, asked over real HTTP."""

from __future__ import annotations

import json
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
from support_run import COMMAND, environment, small_brief

from daemon.places import state_folder

BRACKET = "goals:\n  - bracket: {change: time, by: 1, count: 3, focus: heron}\n"


@dataclass
class Served:
    """A running service: its process, its address, a client with the token and one without."""

    process: subprocess.Popen[str]
    home: Path
    url: str
    token: str
    client: httpx.Client
    stranger: httpx.Client
    log: list[dict[str, Any]] = field(default_factory=list)

    def get(self, path: str, **options: Any) -> Any:
        """The JSON at a path; it must be 200."""
        answer = self.client.get(path, **options)
        assert answer.status_code == 200, (path, answer.status_code, answer.text)
        return answer.json()

    def post(self, path: str, tree: Any, status: int = 200) -> Any:
        """The JSON that a POST answers."""
        answer = self.client.post(path, json=tree)
        assert answer.status_code == status, (path, answer.status_code, answer.text)
        return answer.json()

    def state(self) -> Any:
        """What goes on now."""
        return self.get("/api/state")

    def shoot(self, name: str = "first", goals: str = BRACKET, light: float = 13.0, **options: Any) -> int:
        """Begin a run of the small brief; its number."""
        asked = {"id": name, "brief": {"text": small_brief(goals, light), "name": "small.yaml"}} | options
        return int(self.post("/api/runs", asked, 201)["run"])

    def until(self, condition: Callable[[Any], Any], within_s: float = 30.0) -> Any:
        """The state once ``condition`` is true of it."""
        end = time.monotonic() + within_s
        while True:
            state = self.state()
            if condition(state):
                return state
            assert time.monotonic() < end, state
            time.sleep(0.05)

    def answer_all(self, run: int, within_s: float = 40.0) -> None:
        """Answer every question with its first choice until the run has ended."""
        end = time.monotonic() + within_s
        while (state := self.state())["job"] is not None:
            if asking := state["asking"]:
                data = {"question": asking["id"], "answer": asking["choices"][0]}
                tree = {"id": asking["id"], "verb": "answer", "data": data}
                self.client.post(f"/api/runs/{run}/commands", json=tree)
            assert time.monotonic() < end, state
            time.sleep(0.05)

    def end(self, within_s: float = 30.0) -> int:
        """SIGTERM, and the exit code."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        _, told = self.process.communicate(timeout=within_s)
        self.log = [json.loads(line) for line in told.splitlines() if line.startswith("{")]
        self.told = told
        return self.process.returncode


@contextmanager
def served(home: Path, *words: str, more: dict[str, str] | None = None) -> Iterator[Served]:
    """``stopwright serve`` with ``words`` on a free port, its home in ``home``; ended at the end."""
    env = environment(home) | (more or {})
    process = subprocess.Popen(
        [*COMMAND, "serve", "--port", "0", *words],
        env=env, cwd=home, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        folder = state_folder(home / "Stopwright", env)
        end = time.monotonic() + 45
        while (url := _address(folder / "address.json", process.pid)) is None:
            if process.poll() is not None or time.monotonic() > end:
                process.kill()
                raise AssertionError(process.communicate()[1])
            time.sleep(0.02)
        token = (folder / "token").read_text().strip()
        right = {"authorization": f"Bearer {token}"}
        with httpx.Client(base_url=url, headers=right, timeout=40) as client, httpx.Client(base_url=url) as stranger:
            while True:
                try:
                    stranger.get("/api/health")
                    break
                except httpx.HTTPError:
                    assert process.poll() is None and time.monotonic() < end
                    time.sleep(0.02)
            yield Served(process, home, url, token, client, stranger)
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGTERM)
            try:
                process.communicate(timeout=30)
            except subprocess.TimeoutExpired:
                process.kill()
                process.communicate()
                raise
        if process.stderr is not None:
            process.stderr.close()


def _address(path: Path, pid: int) -> str | None:
    """Where a process says that it can be reached; a file that a killed one left is not believed."""
    try:
        told = json.loads(path.read_text())
    except (OSError, ValueError):
        return None
    return str(told["url"]) if told["pid"] == pid else None
