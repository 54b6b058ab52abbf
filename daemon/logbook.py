"""The logbook: the durable record of plans, runs, attempts, frames, readings and events.

Each public method that writes is one transaction, on the disk when it returns (SQLite, WAL, synchronous FULL; or a
PostgreSQL server, synchronous_commit on): an answer is a promise. What belongs together is committed together, so that
a death between two calls never shows half of anything. Whatever the database refuses becomes a ``StoreError``; nothing
is swallowed.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from datetime import date
from typing import Any

import sqlalchemy as sa

from daemon import clock, schedule_clock, tables
from daemon.database import insert_new
from daemon.entries import ENDED, attempt_in_run
from daemon.errors import StoreError, UsageError
from daemon.files import StoredFile, run_folder
from daemon.lapse_book import Lapses
from daemon.notes import frame_in_run
from daemon.rows import (
    Attempt,
    AttemptState,
    CardSeen,
    EventRow,
    FileRow,
    FrameRow,
    Outcome,
    ReadingRow,
    Role,
    RunPlan,
    RunRow,
    RunState,
    SettingFound,
    StepRow,
    Verified,
)
from plans.plan import Plan, plan_json, read_plan

__all__ = [
    "Attempt",
    "CardSeen",
    "EventRow",
    "FileRow",
    "FrameRow",
    "Logbook",
    "ReadingRow",
    "RunPlan",
    "RunRow",
    "SettingFound",
    "StepRow",
]


class Logbook(Lapses):
    """The record of one store. Usable from several threads; open it with ``daemon.store.open_store``."""

    # -- runs and plans -------------------------------------------------------------------------------------------

    def new_run(
        self,
        title: str,
        camera_port: str,
        camera_model: str,
        operator: str,
        note: str = "",
        day: date | None = None,
    ) -> RunRow:
        """Begin a run, and make its folders.

        ``day`` names the folder, for people; left out: today by this computer's zone. A number is never used twice,
        even when an older logbook was put back beside newer pictures.
        """
        now = clock.utc_now()
        shown = (day or now.astimezone().date()).isoformat()
        on_disk = self._files.highest_run_number()
        with self._writing("new_run") as connection:
            last = connection.scalar(sa.select(sa.func.max(tables.runs.c.id))) or 0
            number = max(last, on_disk) + 1
            row = RunRow(
                id=number,
                title=title,
                folder=run_folder(shown, number, title),
                created=now,
                ended=None,
                state="running",
                camera_port=camera_port,
                camera_model=camera_model,
                operator=operator,
                note=note,
            )
            connection.execute(tables.runs.insert().values(**vars(row)))
        for name in ("pictures", "control"):
            self._files.make_folder(self._files.path(row.folder) / name)
        return self.run(number)

    def add_plan(
        self,
        run_id: int,
        plan: Plan,
        why: str,
        settles: tuple[int, str] | None = None,
    ) -> int:
        """Give a run its plan, or a re-targeted one, with its steps; the revision's number, from 1.

        Steps of earlier revisions that are still to do become ``skipped``: from now on this revision does them.

        Parameters
        ----------
        settles
            A step's row and why: the step that led to this plan becomes ``kept`` in the same transaction, so that a
            death never shows it done and the plan forgotten.

        Raises
        ------
        StoreError
            If the run has ended, or an attempt of it is still open.
        """
        text, now = plan_json(plan), clock.utc_now()
        digest = hashlib.sha256(text.encode()).hexdigest()
        with self._writing("add_plan") as connection:
            state = connection.scalar(sa.select(tables.runs.c.state).where(tables.runs.c.id == run_id))
            if state is None or state in ENDED:
                raise StoreError(f"run {run_id}: asked for a plan; found it {state or 'not in the logbook'}")
            self._no_open_attempt(connection, run_id, "a new plan revision")
            newest = sa.select(sa.func.max(tables.run_plans.c.revision)).where(tables.run_plans.c.run_id == run_id)
            revision = (connection.scalar(newest) or 0) + 1
            if settles is not None:
                self._set_outcome(connection, settles[0], "kept", settles[1])
            connection.execute(
                insert_new(connection, tables.plans)
                .values(hash=digest, json=text, created=now)
                .on_conflict_do_nothing()
            )
            row = RunPlan(run_id, revision, digest, why, now)
            connection.execute(tables.run_plans.insert().values(**vars(row)))
            connection.execute(
                tables.steps.update()
                .where(tables.steps.c.run_id == run_id, tables.steps.c.outcome.is_(None))
                .values(outcome="skipped", outcome_why=f"plan revision {revision}: {why}", outcome_at=now)
            )
            rows = [
                {
                    "run_id": run_id,
                    "revision": revision,
                    "step_id": step.id,
                    "position": position,
                    "kind": step.kind,
                    "goal": getattr(step, "goal", None),
                    "group": getattr(step, "group", None),
                    "settings": getattr(step, "settings", None),
                }
                for position, step in enumerate(plan.steps, 1)
            ]
            if rows:
                connection.execute(tables.steps.insert(), rows)
        return revision

    def run_state(self, run_id: int, state: RunState) -> None:
        """Say where a run stands.

        Raises
        ------
        StoreError
            If the run has ended already, or would be ``done`` or ``abandoned`` with a step that has no outcome or an
            attempt that has no end (`abandon` ends a run with steps left).
        """
        with self._writing("run_state") as connection:
            if state in ENDED:
                self._no_open_attempt(connection, run_id, f"a run that is {state}")
                left = self._rows(
                    connection, StepRow, tables.steps.c.run_id == run_id, tables.steps.c.outcome.is_(None)
                )
                if left:
                    names = ", ".join(row.step_id for row in left[:10])
                    raise StoreError(
                        f"run {run_id}: asked to be {state} with {len(left)} steps that have no outcome ({names}); "
                        "each step needs exactly one first"
                    )
            self._set_run_state(connection, run_id, state)

    def abandon(self, run_id: int, why: str) -> None:
        """End a run with whatever is left: open attempts and steps without an outcome become ``abandoned``."""
        now = clock.utc_now()
        with self._writing("abandon") as connection:
            of_run = sa.select(tables.steps.c.id).where(tables.steps.c.run_id == run_id)
            connection.execute(
                tables.attempts.update()
                .where(tables.attempts.c.step_row.in_(of_run), tables.attempts.c.state == "intended")
                .values(state="abandoned", why=why, ended_at=now)
            )
            connection.execute(
                tables.steps.update()
                .where(tables.steps.c.run_id == run_id, tables.steps.c.outcome.is_(None))
                .values(outcome="abandoned", outcome_why=why, outcome_at=now)
            )
            self._set_run_state(connection, run_id, "abandoned")

    def run(self, which: int | str) -> RunRow:
        """A run by its number or ``last``.

        Raises
        ------
        UsageError
            If there is none; the text says which there are.
        """
        with self._reading("run") as connection:
            ids = connection.scalars(sa.select(tables.runs.c.id).order_by(tables.runs.c.id)).all()
            text = str(which).strip()
            number = (ids[-1] if ids else -1) if text == "last" else int(text) if text.isdecimal() else -1
            if number not in ids:
                known = f"{ids[0]} to {ids[-1]}, or last" if ids else "none yet; make one with: stopwright shoot BRIEF"
                raise UsageError(f"run {text[:40]!r}: not in the logbook {self._path}; there are: {known}")
            return self._rows(connection, RunRow, tables.runs.c.id == number)[0]

    def list_runs(self) -> list[RunRow]:
        """Every run, oldest first."""
        return self._all(RunRow)

    def run_plans(self, run_id: int) -> list[RunPlan]:
        """The revisions of a run's plan, oldest first."""
        return self._all(RunPlan, tables.run_plans.c.run_id == run_id)

    def plan(self, run_id: int, revision: int | None = None) -> Plan:
        """A run's plan; ``revision`` None: the one in force. StoreError if it has none."""
        revisions = [row for row in self.run_plans(run_id) if revision in (None, row.revision)]
        if not revisions:
            raise StoreError(f"run {run_id}: has no plan revision {revision or ''} in the logbook")
        with self._reading("plan") as connection:
            kept = tables.plans.c
            text = connection.scalar(sa.select(kept.json).where(kept.hash == revisions[-1].plan_hash))
        return read_plan(str(text), f"plan of run {run_id}")

    # -- steps, attempts, frames ----------------------------------------------------------------------------------

    def steps(self, run_id: int, revision: int | None = None) -> list[StepRow]:
        """The steps of a run, by revision and position; ``revision`` None: of all revisions."""
        found = self._all(StepRow, tables.steps.c.run_id == run_id)
        return [row for row in found if revision in (None, row.revision)]

    def next_step(self, run_id: int) -> StepRow | None:
        """The first step still to do, or None."""
        kept = tables.steps.c
        first = sa.select(kept.id).where(kept.run_id == run_id, kept.outcome.is_(None))
        first = first.order_by(kept.revision, kept.position).limit(1)
        left = self._all(StepRow, kept.id.in_(first.scalar_subquery()))
        return left[0] if left else None

    def card_files(self) -> list[FileRow]:
        """Every file of every run that came from a camera's card: pictures that are in the record already."""
        return self._all(FileRow, tables.files.c.card_name.is_not(None))

    def begin_attempt(self, step_row: int, exposure_s: float) -> Attempt:
        """Commit the intent to expose, before the trigger. ``exposure_s``: exact time. [s]

        Numbers go up over all revisions of a run, so that ``step id`` with ``number`` names files once.

        Raises
        ------
        StoreError
            If the step has its outcome, or another attempt at it is still open.
        """
        steps, attempts = tables.steps.c, tables.attempts.c
        with self._writing("begin_attempt") as connection:
            step = self._step(connection, step_row)
            if step.outcome is not None:
                raise StoreError(f"step {step.step_id}: asked to begin an attempt; found the outcome {step.outcome}")
            self._no_open_attempt(connection, step.run_id, f"an attempt at {step.step_id}", step_row)
            highest = connection.scalar(
                sa.select(sa.func.max(attempts.number))
                .join(tables.steps, steps.id == attempts.step_row)
                .where(steps.run_id == step.run_id, steps.step_id == step.step_id)
            )
            values = {
                "step_row": step_row,
                "number": (highest or 0) + 1,
                "intent_at": schedule_clock.utc_now(),
                "state": "intended",
                "exposure_s": float(exposure_s),
            }
            number = self._insert(connection, tables.attempts, values)
            return self._rows(connection, Attempt, attempts.id == number)[0]

    def keep(
        self,
        attempt_id: int,
        role: Role,
        files: Sequence[StoredFile],
        exif: Any = None,
        checks: Any = None,
        verified: Verified = "unverified",
        taken_camera_clock: str | None = None,
        state: AttemptState = "kept",
        outcome: Outcome | None = "kept",
        why: str = "",
    ) -> FrameRow:
        """Commit a frame, its files, the end of its attempt and the outcome of its step: all or nothing.

        ``state`` ``recovered``: the frame was found after a death. With ``outcome`` None the step is still to do (a
        frame that is not as planned is stored with ``state`` ``failed`` and taken again).

        Raises
        ------
        StoreError
            If the attempt has ended, the step has its outcome, a path is in the record already, or no file is given.
        """
        with self._writing("keep") as connection:
            step = self._step_of(connection, attempt_id)
            frame_id = self._add_frame(
                connection, step.run_id, attempt_id, role, files, exif, checks, verified, taken_camera_clock
            )
            self._end_attempt(connection, attempt_id, state, why)
            if outcome is not None:
                self._set_outcome(connection, step.id, outcome, why)
                self._supersede(connection, step)
            return self._rows(connection, FrameRow, tables.frames.c.id == frame_id)[0]

    def store_frame(
        self,
        attempt_id: int | None,
        run_id: int,
        role: Role,
        files: Sequence[StoredFile],
        exif: Any = None,
        checks: Any = None,
        verified: Verified = "unverified",
        taken_camera_clock: str | None = None,
    ) -> FrameRow:
        """Commit a frame and its files alone; ``attempt_id`` None with role ``unasked``: nobody asked for it."""
        with self._writing("store_frame") as connection:
            if attempt_id is not None and self._step_of(connection, attempt_id).run_id != run_id:
                raise StoreError(
                    f"attempt {attempt_id}: asked to store its frame in run {run_id}, which is not its own"
                )
            frame_id = self._add_frame(
                connection, run_id, attempt_id, role, files, exif, checks, verified, taken_camera_clock
            )
            return self._rows(connection, FrameRow, tables.frames.c.id == frame_id)[0]

    def end_attempt(self, attempt_id: int, state: AttemptState, why: str = "") -> None:
        """Say how an attempt ended; once. StoreError if it had ended already."""
        with self._writing("end_attempt") as connection:
            self._end_attempt(connection, attempt_id, state, why)

    def set_outcome(self, step_row: int, outcome: Outcome, why: str = "") -> None:
        """Give a step its one outcome.

        Raises
        ------
        StoreError
            If it has one already, or an attempt at it is still open.
        """
        with self._writing("set_outcome") as connection:
            self._set_outcome(connection, step_row, outcome, why)

    def attempts(self, run_id: int) -> list[Attempt]:
        """Every attempt of a run, oldest first."""
        return self._all(Attempt, attempt_in_run(run_id))

    def open_attempts(self, run_id: int) -> list[Attempt]:
        """Attempts that were begun and have no end: what became of them must be found out."""
        return self._all(Attempt, attempt_in_run(run_id), tables.attempts.c.state == "intended")

    def frames(self, run_id: int) -> list[FrameRow]:
        """Every frame of a run, in the order of storing."""
        return self._all(FrameRow, tables.frames.c.run_id == run_id)

    def files(self, run_id: int) -> list[FileRow]:
        """Every file of a run's frames."""
        return self._all(FileRow, frame_in_run(tables.files.c.frame_id, run_id))

    def files_of(self, frame_id: int) -> list[FileRow]:
        """The files of one frame."""
        return self._all(FileRow, tables.files.c.frame_id == frame_id)

    def step(self, step_row: int) -> StepRow:
        """One step by its row. StoreError if there is none."""
        with self._reading("step") as connection:
            return self._step(connection, step_row)

    # -- figures -------------------------------------------------------------------------------------------------

    def counts(self, run_id: int) -> dict[str, Any]:
        """Figures that must agree with each other and with the disk.

        ``steps`` by kind: of the revision in force but for the retaken, and those that earlier ones kept;
        ``kept`` of all, by kind; ``outcomes`` of all rows, ``open`` for none; ``attempts`` by state; ``frames``
        by role; ``files``; ``distinct_hashes``; ``bytes``; ``readings``.
        """
        steps, attempts, files = self.steps(run_id), self.attempts(run_id), self.files(run_id)
        newest = max((row.revision for row in steps), default=0)
        return {
            "steps": _tally(
                row.kind
                for row in steps
                if row.outcome != "retaken" and (row.revision == newest or row.outcome == "kept")
            ),
            "kept": _tally(row.kind for row in steps if row.outcome == "kept"),
            "outcomes": _tally(row.outcome or "open" for row in steps),
            "attempts": _tally(row.state for row in attempts),
            "frames": _tally(row.role for row in self.frames(run_id)),
            "files": len(files),
            "distinct_hashes": len({row.sha256 for row in files}),
            "bytes": sum(row.size for row in files),
            "readings": len(self.readings(run_id)),
        }


def _tally(words: Iterable[str]) -> dict[str, int]:
    counts: dict[str, int] = {}
    for word in words:
        counts[word] = counts.get(word, 0) + 1
    return dict(sorted(counts.items()))
