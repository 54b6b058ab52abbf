"""The part of the logbook for time-lapses: every frame that was due is a row, taken or missed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa

from daemon import schedule_clock, tables
from daemon.camera.verbs import CardFile
from daemon.entries import attempt_in_run
from daemon.errors import StoreError
from daemon.lapse_pages import GONE, LapsePages
from daemon.rows import Attempt, LapseRow


class Lapses(LapsePages):
    """Frames of time-lapses. Each method that writes is one transaction, durable when it returns."""

    def begin_lapse_frame(
        self,
        step_row: int,
        frame: int,
        due_s: float,
        start: datetime,
        rung: int,
        settings: Any,
        exposure_s: float,
        state: Any,
        thought: Any,
    ) -> Attempt:
        """Commit the intent to take frame ``frame``, before the trigger, with what the controller knew and decided.

        ``start``: when frame 0 was due; ``due_s``: when this one is, after it. ``exposure_s``: exact time. [s]

        Raises
        ------
        StoreError
            If the step has its outcome, an attempt at it is open, or that frame is in the record already.
        """
        attempts = tables.attempts.c
        with self._writing("begin_lapse_frame") as connection:
            step = self._step(connection, step_row)
            if step.outcome is not None:
                raise StoreError(f"step {step.step_id}: asked to begin a frame; found the outcome {step.outcome}")
            self._no_open_attempt(connection, step.run_id, f"a frame of {step.step_id}", step_row)
            highest = connection.scalar(
                sa.select(sa.func.max(attempts.number))
                .join(tables.steps, tables.steps.c.id == attempts.step_row)
                .where(tables.steps.c.run_id == step.run_id, tables.steps.c.step_id == step.step_id)
            )
            begun = {
                "step_row": step_row,
                "number": (highest or 0) + 1,
                "intent_at": schedule_clock.utc_now(),
                "state": "intended",
                "exposure_s": float(exposure_s),
            }
            number = self._insert(connection, tables.attempts, begun)
            row = {
                "attempt_id": number,
                "rung": rung,
                "settings": settings,
                "state": state,
                "thought": thought,
                "why": "",
            }
            self._insert(connection, tables.lapse_frames, _place(step_row, frame, due_s, start) | row)
            return self._rows(connection, Attempt, attempts.id == number)[0]

    def lapse_exposed(
        self, attempt_id: int, late_s: float, latency_s: float, card: Sequence[CardFile], why: str, put_off: bool
    ) -> None:
        """Note that a frame is on the card, and when. ``why``: it was late; empty when it was not.

        ``put_off``: it is brought home later; its attempt ends here, so that the next frame can be taken.
        """
        files = [file.model_dump(mode="json") for file in card]
        with self._writing("lapse_exposed") as connection:
            connection.execute(
                tables.lapse_frames.update()
                .where(tables.lapse_frames.c.attempt_id == attempt_id)
                .values(late_s=late_s, latency_s=latency_s, card=files, why=why)
            )
            if put_off:
                self._end_attempt(connection, attempt_id, "kept", "on the card; brought home when there is time")

    def lapse_let_go(self, attempt_id: int, why: str) -> None:
        """Note that a frame was begun and its shutter was not asked for. ``why`` is not empty."""
        with self._writing("lapse_let_go") as connection:
            self._end_attempt(connection, attempt_id, "abandoned", why)
            connection.execute(
                tables.lapse_frames.update().where(tables.lapse_frames.c.attempt_id == attempt_id).values(why=why)
            )

    def lapse_failed(self, attempts: Iterable[int], why: str) -> None:
        """Note why nothing came of frames that were begun, where that is not noted yet. ``why`` is not empty."""
        kept = tables.lapse_frames.c
        with self._writing("lapse_failed") as connection:
            connection.execute(
                tables.lapse_frames.update().where(kept.attempt_id.in_(list(attempts)), kept.why == "").values(why=why)
            )

    def lapse_missed(self, step_row: int, due: Iterable[tuple[int, float]], start: datetime, why: str) -> None:
        """Note frames that were not taken: numbers and when they were due after the start [s]. ``why`` is not empty."""
        rows = [_place(step_row, frame, due_s, start) | {"why": why} for frame, due_s in due]
        with self._writing("lapse_missed") as connection:
            if rows:
                connection.execute(tables.lapse_frames.insert(), rows)

    def lapse_frames(self, step_row: int) -> list[LapseRow]:
        """Every frame of a time-lapse that was due up to now, in the order of their numbers."""
        return sorted(self._all(LapseRow, tables.lapse_frames.c.step_row == step_row), key=lambda row: row.frame)

    def lapse_frame_of(self, attempt_id: int) -> LapseRow | None:
        """The frame that an attempt is at; None where it is none of a time-lapse."""
        found = self._all(LapseRow, tables.lapse_frames.c.attempt_id == attempt_id)
        return found[0] if found else None

    def lapse_put_off(self, run_id: int) -> list[LapseRow]:
        """Frames that were exposed and are still on the card alone, oldest first."""
        kept, attempts, frames = tables.lapse_frames.c, tables.attempts.c, tables.frames.c
        ended = sa.select(attempts.id).where(attempts.state == "kept", attempt_in_run(run_id))
        home = sa.select(frames.attempt_id).where(frames.run_id == run_id, frames.attempt_id.is_not(None))
        found = self._all(LapseRow, kept.attempt_id.in_(ended), kept.attempt_id.not_in(home))
        return [row for row in found if row.card and not row.why.startswith(GONE)]

    def lapse_gone(self, attempt_id: int, why: str) -> None:
        """Note that a frame that was still on the card cannot be had any more."""
        with self._writing("lapse_gone") as connection:
            connection.execute(
                tables.lapse_frames.update()
                .where(tables.lapse_frames.c.attempt_id == attempt_id)
                .values(why=f"{GONE}: {why}")
            )


def _place(step_row: int, frame: int, due_s: float, start: datetime) -> dict[str, Any]:
    due_at = start + timedelta(seconds=due_s)
    return {"step_row": step_row, "frame": frame, "due_s": due_s, "due_at": due_at}
