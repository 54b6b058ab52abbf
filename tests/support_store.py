"""What the tests of the store share: a garden plan, made-up pictures, the checks, and writers to be killed.

Run as a program it is a nursery: it loads everything once, then forks one writer for each line on its standard input,
so that a real process can be killed many times without paying for its start each time.
"""

from __future__ import annotations

import hashlib
import os
import re
import select
import signal
import subprocess
import sys
from collections.abc import Sequence
from importlib import import_module
from itertools import pairwise
from pathlib import Path

from daemon.files import StoredFile, attempt_stem
from daemon.logbook import Attempt, FrameRow, RunRow, StepRow
from daemon.store import Store, open_store
from plans.plan import (
    ControlStep,
    Estimate,
    ExposeStep,
    Focus,
    Inputs,
    LightBasis,
    MarkValue,
    OperatorStep,
    Plan,
    Predicted,
    Settings,
)

HERON = Focus(subject="heron", distance_m=2.0)
SETTINGS = Settings(
    aperture=MarkValue(mark="f/5.6", exact=2**2.5),
    time=MarkValue(mark="1/4", exact=0.25),
    iso=MarkValue(mark="100", exact=100),
    focus=HERON,
)


def garden_plan(pictures: int = 3, title: str = "Fountain, Tuesday class") -> Plan:
    """Compose, meter, then as many pictures of the heron as asked."""
    compose = OperatorStep(id="01-compose", action="compose", text="Frame the fountain", why="one framing", focus=HERON)
    meter = ControlStep(id="02-meter", purpose="meter", settings=SETTINGS, predicted_ev100=13, text="Meter")
    exposing = tuple(
        ExposeStep(
            id=f"{number:02d}-expose",
            goal="isolate heron",
            group="isolate-heron",
            reference="03-expose",
            held=(),
            changed=(),
            settings=SETTINGS,
            intended_offset=0,
            offset=0,
            predicted=Predicted(near_m=1.9, far_m=2.1, airy_mm=0.0075, magnification=0.026, magnification_loss=0.07),
            caption="The heron",
        )
        for number in range(3, 3 + pictures)
    )
    return Plan(
        title=title,
        inputs=Inputs(brief={}, light=LightBasis(ev100=13), scales={}),
        groups=(),
        steps=(compose, meter, *exposing),
        estimate=Estimate(frames=pictures, control_frames=1, operator_actions=1, exposure_s=0.25 * pictures),
    )


def picture(seed: object, size: int = 20_000) -> bytes:
    """Bytes that start as a JPEG does and differ for every seed."""
    block = hashlib.sha256(repr(seed).encode()).digest()
    return b"\xff\xd8\xff\xe1" + (block * (size // len(block) + 1))[: size - 4]


def begin(store: Store, pictures: int = 3, title: str = "Fountain, Tuesday class") -> tuple[RunRow, list[StepRow]]:
    """A run with its plan, compose and meter done with; the steps that expose."""
    run = store.logbook.new_run(title, "ptpip:127.0.0.1", "demo body", "simulated")
    store.logbook.add_plan(run.id, garden_plan(pictures, title), "as compiled")
    steps = store.logbook.steps(run.id)
    for step in steps[:2]:
        store.logbook.set_outcome(step.id, "skipped", "not what is tested here")
    return run, steps[2:]


def download(store: Store, name: str, data: bytes) -> Path:
    """A finished download in ``incoming/``, as the camera process leaves it."""
    path = store.files.new_incoming(name)
    path.write_bytes(data)
    return path


def bring(store: Store, run: RunRow, step: StepRow, attempt: Attempt, data: bytes) -> StoredFile:
    """Download and adopt one picture for an attempt."""
    stem = attempt_stem(step.step_id, attempt.number)
    incoming = download(store, f"run-{run.id}-{stem}.jpg", data)
    return store.files.adopt(incoming, f"{run.folder}/pictures/{stem}.jpg", "/store/DCIM", f"{stem}.JPG", len(data))


def shoot(store: Store, run: RunRow, step: StepRow, data: bytes) -> tuple[FrameRow, StoredFile]:
    """One step from intent to record."""
    attempt = store.logbook.begin_attempt(step.id, 0.25)
    file = bring(store, run, step, attempt, data)
    return store.logbook.keep(attempt.id, "picture", [file], exif={"FNumber": 5.6}, verified="as planned"), file


def damage(store: Store) -> list[str]:
    """What is wrong in a store, asked of the database and of the disk directly; empty: nothing.

    Half a ``keep`` is any attempt, frame, file row and outcome that do not say the same.
    """
    path = store.path
    with store.logbook._engine.connect() as database:

        def ask(sql: str) -> list[tuple[object, ...]]:
            return [tuple(row) for row in database.exec_driver_sql(sql)]

        found: list[str] = []
        if not store.logbook.on_server:  # a server keeps its own house
            found += [f"integrity: {row}" for row in ask("PRAGMA integrity_check") if row != ("ok",)]
            found += [f"dangling: {row}" for row in ask("PRAGMA foreign_key_check")]
        found += [
            f"attempt {row} kept without a frame"
            for row in ask("SELECT id FROM attempts WHERE state = 'kept' AND id NOT IN (SELECT attempt_id FROM frames)")
        ]
        found += [
            f"frame {row} of an attempt that is not kept"
            for row in ask(
                "SELECT frames.id, state FROM frames JOIN attempts ON attempts.id = attempt_id WHERE state <> 'kept'"
            )
        ]
        found += [
            f"frame {row} without a file"
            for row in ask("SELECT id FROM frames WHERE id NOT IN (SELECT frame_id FROM files)")
        ]
        found += [
            f"step {row}: outcome and attempts disagree"
            for row in ask(
                "SELECT steps.id, outcome FROM steps WHERE kind = 'expose' AND (COALESCE(outcome, '') = 'kept') <> "
                "EXISTS (SELECT 1 FROM attempts WHERE step_row = steps.id AND state = 'kept')"
            )
        ]
        for name, size, digest in ask("SELECT path, size, sha256 FROM files"):
            file = path / str(name)
            if not file.is_file():
                found.append(f"{name} is listed and absent")
            elif (file.stat().st_size, hashlib.sha256(file.read_bytes()).hexdigest()) != (size, digest):
                found.append(f"{name} is not what was listed")
    return found


def disorder(trace: Sequence[tuple[str, str]], stored: str) -> list[str]:
    """What is wrong in the order of durable acts for one kept picture; empty: nothing."""
    name, folder = Path(stored).name, str(Path(stored).parent)
    wanted = [
        ("fsync file", lambda what: what.startswith("incoming/") and what.endswith(name)),
        ("rename", lambda what: what == stored),
        ("fsync folder", lambda what: what == folder),
        ("commit", lambda what: what == "keep"),
    ]
    places = []
    for act, fits in wanted:
        found = [place for place, (done, what) in enumerate(trace) if done == act and fits(what)]
        if not found:
            return [f"no {act} for {stored}"]
        places.append(found[0])
    steps = zip(pairwise(wanted), pairwise(places), strict=True)
    return [f"{one[0]} not before {next_[0]}" for (one, next_), (i, j) in steps if i >= j]


class Nursery:
    """Real processes on demand. ``start`` forks one; ``kill`` ends it with SIGKILL and gives back what it said."""

    def __init__(self) -> None:
        environ = os.environ | {"PYTHONPATH": os.pathsep.join([str(Path(__file__).parents[1]), *sys.path])}
        self._process = subprocess.Popen(
            [sys.executable, __file__], stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=environ, bufsize=0
        )
        self._text = b""
        self.pid = 0
        self.read_until(rb"ready\n")

    def start(self, task: str, path: Path, database: str = "") -> None:
        assert self._process.stdin
        self._text = b""
        self._process.stdin.write(f"{task} {path} {database}\n".encode())
        self.pid = int(self.read_until(rb"pid (\d+)\n")[1])

    def read_until(self, pattern: bytes, timeout: float = 20.0) -> re.Match[bytes]:
        """Read what the process says until ``pattern`` is in it."""
        while not (match := re.search(pattern, self._text)):
            if not self._listen(timeout):
                raise TimeoutError(f"waited for {pattern!r}, found {self._text[-400:]!r}")
        return match

    def listen(self, until: float, now: object) -> None:
        """Read for a while, so that the process is never held up by a full pipe."""
        assert callable(now)
        while (left := until - now()) > 0:
            self._listen(left)

    def kill(self) -> str:
        """End the process by SIGKILL; all that it said, whole lines only."""
        os.kill(self.pid, signal.SIGKILL)
        self.read_until(rb"ended (-?\d+)\n")
        return self._text[: self._text.rindex(b"\n")].decode()

    def close(self) -> None:
        assert self._process.stdin and self._process.stdout
        self._process.stdin.close()
        self._process.wait(10)
        self._process.stdout.close()

    def _listen(self, timeout: float) -> bool:
        assert self._process.stdout
        ready, _, _ = select.select([self._process.stdout], [], [], timeout)
        if not ready:
            return False
        more = os.read(self._process.stdout.fileno(), 65536)
        self._text += more
        return bool(more)


def say(text: str) -> None:
    os.write(1, f"{text}\n".encode())


def write_for_ever(path: Path) -> None:
    """Shoot and shoot, saying each promise only after the logbook gave it."""
    with open_store(path) as store:
        say("open")
        while True:
            run, steps = begin(store, pictures=60)
            for step in steps:
                attempt = store.logbook.begin_attempt(step.id, 0.25)
                say(f"intent {attempt.id}")
                file = bring(store, run, step, attempt, picture((run.id, step.step_id)))
                frame = store.logbook.keep(attempt.id, "picture", [file], exif={"FNumber": 5.6})
                say(f"kept {attempt.id} {frame.id} {file.sha256} {file.path}")


def create_and_stay(path: Path) -> None:
    """Make a store and wait."""
    open_store(path).close()
    say("made")
    signal.pause()


def hold(path: Path) -> None:
    """Hold the store's lock, with a child that outlives this process."""
    with open_store(path) as store, store.lock("stopwright shoot fountain.yaml"):
        child = os.fork()
        if not child:
            signal.pause()
        say(f"holding {child}")
        signal.pause()


def one_frame(path: Path) -> None:
    """Shoot one frame."""
    with open_store(path) as store:
        run, steps = begin(store, 1)
        shoot(store, run, steps[0], picture("traced"))


TASKS = {"write": write_for_ever, "create": create_and_stay, "hold": hold, "one": one_frame}


def main() -> None:
    say("ready")
    for line in sys.stdin:
        task, path, *database = line.split()
        child = os.fork()
        if not child:
            try:
                say(f"pid {os.getpid()}")
                os.environ["STOPWRIGHT_DATABASE"] = "".join(database)
                TASKS[task](Path(path))
            except BaseException as error:
                say(f"failed {type(error).__name__}: {error}")
            os._exit(0)
        say(f"ended {os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])}")


if __name__ == "__main__":
    import_module("sqlalchemy.dialects.postgresql.psycopg")
    import_module("psycopg")
    import_module("alembic.command")  # before the fork, so that a store is made as quickly as it can be

    main()
