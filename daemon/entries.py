"""What the logbook does within one transaction: frames, ends of attempts, outcomes, states, each once and for ever."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import sqlalchemy as sa

from daemon import clock, tables
from daemon.errors import StoreError
from daemon.files import StoredFile
from daemon.notes import Notes
from daemon.rows import Attempt, AttemptState, Outcome, Role, RunState, StepRow, Verified

ENDED = ("done", "abandoned")


class Entries(Notes):
    """The parts of which `daemon.logbook.Logbook` makes its calls. Each takes a connection in a transaction."""

    def _add_frame(
        self,
        connection: sa.Connection,
        run_id: int,
        attempt_id: int | None,
        role: Role,
        files: Sequence[StoredFile],
        exif: Any,
        checks: Any,
        verified: Verified,
        taken_camera_clock: str | None,
    ) -> int:
        if not files:
            raise StoreError(f"run {run_id}: asked to store a frame without a file; a frame has at least one")
        values = {
            "run_id": run_id,
            "attempt_id": attempt_id,
            "role": role,
            "taken_camera_clock": taken_camera_clock,
            "stored_at": clock.utc_now(),
            "exif": {} if exif is None else exif,
            "checks": [] if checks is None else checks,
            "verified": verified,
        }
        frame_id = self._insert(connection, tables.frames, values)
        connection.execute(tables.files.insert(), [vars(file) | {"frame_id": frame_id} for file in files])
        return frame_id

    def _end_attempt(self, connection: sa.Connection, attempt_id: int, state: AttemptState, why: str) -> None:
        kept = tables.attempts.c
        done = connection.execute(
            tables.attempts.update()
            .where(kept.id == attempt_id, kept.state == "intended")
            .values(state=state, why=why, ended_at=clock.utc_now())
        )
        if done.rowcount != 1:
            found = connection.scalar(sa.select(kept.state).where(kept.id == attempt_id))
            raise StoreError(f"attempt {attempt_id}: asked to end as {state}; found it {found or 'not in the logbook'}")

    def _set_outcome(self, connection: sa.Connection, step_row: int, outcome: Outcome, why: str) -> None:
        step = self._step(connection, step_row)
        self._no_open_attempt(connection, step.run_id, f"the outcome {outcome} of {step.step_id}", step_row)
        done = connection.execute(
            tables.steps.update()
            .where(tables.steps.c.id == step_row, tables.steps.c.outcome.is_(None))
            .values(outcome=outcome, outcome_why=why, outcome_at=clock.utc_now())
        )
        if done.rowcount != 1:
            raise StoreError(
                f"step {step.step_id} of run {step.run_id}: asked for the outcome {outcome}; found {step.outcome} "
                "already. A step has one outcome for ever"
            )

    def _set_run_state(self, connection: sa.Connection, run_id: int, state: RunState) -> None:
        kept = tables.runs.c
        done = connection.execute(
            tables.runs.update()
            .where(kept.id == run_id, kept.state.not_in(ENDED))
            .values(state=state, ended=clock.utc_now() if state in ENDED else None)
        )
        if done.rowcount != 1:
            found = connection.scalar(sa.select(kept.state).where(kept.id == run_id))
            raise StoreError(f"run {run_id}: asked to be {state}; found it {found or 'not in the logbook'}")

    def _no_open_attempt(self, connection: sa.Connection, run_id: int, asked: str, step_row: int | None = None) -> None:
        of_step = sa.true() if step_row is None else tables.attempts.c.step_row == step_row
        found = self._rows(connection, Attempt, attempt_in_run(run_id), tables.attempts.c.state == "intended", of_step)
        if found:
            raise StoreError(
                f"run {run_id}: asked for {asked}; found attempt {found[0].id}, begun {found[0].intent_at:%H:%M:%S} "
                "UTC, without an end. Find out what became of its frame first"
            )

    def _step(self, connection: sa.Connection, step_row: int) -> StepRow:
        found = self._rows(connection, StepRow, tables.steps.c.id == step_row)
        if not found:
            raise StoreError(f"step row {step_row}: not in the logbook")
        return found[0]

    def _step_of(self, connection: sa.Connection, attempt_id: int) -> StepRow:
        row = connection.scalar(sa.select(tables.attempts.c.step_row).where(tables.attempts.c.id == attempt_id))
        if row is None:
            raise StoreError(f"attempt {attempt_id}: not in the logbook")
        return self._step(connection, row)


def attempt_in_run(run_id: int) -> Any:
    """The condition that an attempt is one of the run's."""
    return tables.attempts.c.step_row.in_(sa.select(tables.steps.c.id).where(tables.steps.c.run_id == run_id))
