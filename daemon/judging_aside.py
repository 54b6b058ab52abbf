"""Verdicts while a run goes on: each group is judged as soon as it is whole, aside from the run.

The judging is done by a child process of low priority, one at a time; the run's own thread only looks whether a group
is whole. What was found is told by a thread that waits for the child, so that it is heard also while hands are asked.
The record keeps the words of it; figures are worked out anew by ``stopwright judge``.
"""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from collections import Counter
from collections.abc import Callable, Container, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, wait
from contextlib import suppress
from typing import Any

from daemon import clock
from daemon.errors import StopwrightError
from daemon.feed import Event, Listener
from daemon.logbook import RunRow
from daemon.readings import kept_frames
from daemon.store import Store
from plans.plan import GroupNote, Plan

MOST_S = 300.0  # a group that takes longer is left to ``stopwright judge`` [s]
LOOK_EVERY_S = 0.2

Told = list[dict[str, Any]]


class Aside:
    """Judges the groups of one run. Use as a context manager: what is not told when it ends is let go."""

    def __init__(self, store: Store, run: RunRow, tell: Listener):
        self._store, self._run, self._tell = store, run, tell
        self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix="judging")
        self._begun: dict[str, tuple[int, ...]] = {}  # by group, the frames that it was judged by
        self._due: list[Future[None]] = []
        self._counts: dict[str, Counter[str]] = {}
        self._lines: dict[str, str] = {}
        self._again: list[GroupNote] = []  # with something that could not be told; later frames may tell it
        self._lock = threading.Lock()
        self._child: subprocess.Popen[bytes] | None = None
        self._ended = False

    def __enter__(self) -> Aside:
        return self

    def __exit__(self, *why: object) -> None:
        with self._lock:
            self._ended = True
            if self._child is not None:
                self._child.kill()
        self._pool.shutdown(wait=True, cancel_futures=True)

    def look(self, plan: Plan, group_id: str, left: Container[str]) -> None:
        """Begin judging a group of ``plan`` if it is whole and not judged by these frames yet.

        ``left``: ids of the pictures still to take. Called between exposures: the record is read only once it is whole.
        """
        group = next((one for one in plan.groups if one.id == group_id), None)
        if group is None or any(name in left for name in group.steps):
            return
        kept = kept_frames(self._store, self._run)
        frames = tuple(kept[name].id for name in group.steps if name in kept)
        if not frames or self._begun.get(group.id) == frames:
            return
        self._begun[group.id] = frames
        self._due.append(self._pool.submit(self._judge, group))

    def finish(self, patience_s: float, is_hurried: Callable[[], bool] = lambda: False) -> None:
        """Wait for what is being judged, at most so long or until somebody is in a hurry, and sum all up. [s]

        Groups of which something could not be told are judged once more, by all frames of the run.
        """
        end = clock.monotonic() + patience_s

        def wait_for_all() -> bool:
            while self._due and clock.monotonic() < end and not is_hurried():
                self._due = list(wait(self._due, LOOK_EVERY_S).not_done)
            return not self._due

        if wait_for_all():
            self._due = [self._pool.submit(self._judge, group) for group in self._again]
            wait_for_all()
        if not self._begun:
            return
        every = sum(self._counts.values(), Counter())
        text = "Verdicts: " + ", ".join(f"{every[answer]} {answer}" for answer in ("shown", "not shown", "can't tell"))
        if left := len(set(self._begun) - set(self._counts)):
            text += f"; {left} group{'' if left == 1 else 's'} not judged yet"
        self._say(text, run=self._run.id, command=("judge", str(self._run.id)))

    # -- in the thread that waits -----------------------------------------------------------------------------------

    def _judge(self, group: GroupNote) -> None:
        try:
            told = self._verdicts(group)
            if isinstance(told, str):
                if told:
                    self._say(f"{group.title}: cannot be judged: {told}", group=group.id)
                return
            self._counts[group.id] = Counter(one["answer"] for one in told)
            if self._counts[group.id]["can't tell"]:
                self._again.append(group)
            line = in_a_line(group.title, told)
            if self._lines.get(group.id) != line:
                self._lines[group.id] = line
                self._say(line, group=group.id)
        except StopwrightError:
            return  # the store refuses, which the run itself finds out

    def _verdicts(self, group: GroupNote) -> Told | str:
        """What the child found; a text: why nothing was found; empty: the run has ended."""
        run = str(self._run.id)
        command = [sys.executable, "-P", "-m", "daemon.judging_child", str(self._store.path), run, group.id]
        with self._lock:
            if self._ended:
                return ""
            try:
                self._child = subprocess.Popen(
                    command,
                    stdin=subprocess.DEVNULL,
                    stdout=subprocess.PIPE,
                    stderr=subprocess.PIPE,
                    start_new_session=True,  # a Ctrl-C on the terminal is not for it
                )
            except OSError as error:
                return str(error)
        try:
            out, err = self._child.communicate(timeout=MOST_S)
        except subprocess.TimeoutExpired:
            self._child.kill()
            self._child.communicate()
            return f"it took longer than {MOST_S:.0f} s"
        if self._ended:
            return ""
        with suppress(ValueError):
            found = json.loads(out)
            return str(found["why"]) if isinstance(found, dict) else list(found)
        last = err.decode(errors="replace").strip().splitlines()[-1:]
        return f"the judging process ended with code {self._child.returncode} {' '.join(last)}".strip()

    def _say(self, text: str, **data: Any) -> None:
        if not self._ended:
            self._tell(Event("verdict", text, data))


def in_a_line(title: str, told: Sequence[dict[str, Any]]) -> str:
    """What is shown of a group, or what is not and what to shoot again, in one line.

    ``told``: its verdicts as plain data.
    """
    by_answer = {answer: [one for one in told if one["answer"] == answer] for answer in ("not shown", "can't tell")}
    parts = []
    for answer, those in by_answer.items():
        if those:
            kinds: dict[str, list[str]] = {}
            for one in those:
                kinds.setdefault(one["about"], []).append(one["kind"])
            parts.append(
                f"{answer}: "
                + ", ".join(
                    f"{'' if about == title else about + ' '}{' and '.join(dict.fromkeys(names))}"
                    for about, names in kinds.items()
                )
            )
    if not parts:
        return f"{title}: shown"
    again = dict.fromkeys(one["again"].partition(": ")[2] or one["again"] for one in by_answer["not shown"])
    steps = [one["about"] for one in by_answer["not shown"] if one["about"] != title]
    if steps:
        parts.append(f"shoot {', '.join(dict.fromkeys(steps))} again")
    elif again:
        parts.append(next(iter(again)))
    return f"{title}: {'; '.join(parts)}"
