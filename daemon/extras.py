"""The part of the logbook for what clients ask in the midst of a run: commands, and the steps that no plan had."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import sqlalchemy as sa

from daemon import clock, tables
from daemon.database import insert_new
from daemon.entries import Entries
from daemon.rows import CommandRow, ExtraStep, StepRow
from plans.plan import ExposeStep

_NAMES = {"improvised": "also", "retake": "again"}


@dataclass(frozen=True)
class NewExtra:
    """A step to add beside the row ``beside``; the logbook gives it its id, ``07-also-1``."""

    what: Literal["improvised", "retake"]
    beside: StepRow
    step: ExposeStep
    why: str


class Extras(Entries):
    """Commands and extra steps. Each method that writes is one transaction, durable when it returns."""

    def accept(
        self,
        run_id: int,
        command_id: str,
        verb: str,
        data: Mapping[str, Any],
        *,
        refused: str | None = None,
        skips: tuple[int, str] | None = None,
        extra: NewExtra | None = None,
    ) -> bool:
        """Note a command together with what it does to the record: all or nothing, and once for ever.

        Parameters
        ----------
        refused
            Why it does nothing; None: it is accepted.
        skips
            Row and why of a step that becomes ``skipped`` by it.
        extra
            The step that it adds.

        Returns
        -------
        bool
            False when a command of that id is in the logbook already: then nothing was done.

        Raises
        ------
        StoreError
            If the step that is to be skipped has its outcome, or an open attempt.
        """
        values = {"id": command_id, "run_id": run_id, "at": clock.utc_now(), "verb": verb, "refused": refused}
        with self._writing("accept") as connection:
            noted = insert_new(connection, tables.commands).values(**values, data=dict(data)).on_conflict_do_nothing()
            if connection.execute(noted).rowcount != 1:
                return False
            if skips is not None:
                self._set_outcome(connection, skips[0], "skipped", skips[1])
            if extra is not None:
                self._add_extra(connection, extra)
        return True

    def commands(self, run_id: int) -> list[CommandRow]:
        """Every command of a run."""
        return sorted(self._all(CommandRow, tables.commands.c.run_id == run_id), key=lambda row: row.at)

    def command(self, command_id: str) -> CommandRow | None:
        """A command by its id, or None when it was never given to a run."""
        found = self._all(CommandRow, tables.commands.c.id == command_id)
        return found[0] if found else None

    def add_extra(self, extra: NewExtra) -> None:
        """Add a step without a command, as for a picture that the light spoilt."""
        with self._writing("add_extra") as connection:
            self._add_extra(connection, extra)

    def extras(self, run_id: int) -> dict[int, ExtraStep]:
        """The steps of a run that no plan had, by the row of the step, oldest first."""
        of_run = sa.select(tables.steps.c.id).where(tables.steps.c.run_id == run_id)
        found = self._all(ExtraStep, tables.extra_steps.c.step_row.in_(of_run))
        return {row.step_row: row for row in found}

    def extra(self, step_row: int) -> ExtraStep | None:
        """What stands behind one row, or None when it is a step of the plan."""
        found = self._all(ExtraStep, tables.extra_steps.c.step_row == step_row)
        return found[0] if found else None

    # -- within one transaction -----------------------------------------------------------------------------------

    def _add_extra(self, connection: sa.Connection, extra: NewExtra) -> None:
        beside, steps = extra.beside, tables.steps.c
        earlier = self._rows(connection, ExtraStep, tables.extra_steps.c.step_row == beside.id)
        # A retake of an improvised picture is its own; all else is counted from the plan's step.
        root = bool(earlier) and not (extra.what == "retake" and earlier[0].what == "improvised")
        of_step = earlier[0].of_step if root else beside.step_id
        prefix = f"{of_step.removesuffix('-expose')}-{_NAMES[extra.what]}-"
        ids = connection.scalars(sa.select(steps.step_id).where(steps.run_id == beside.run_id)).all()
        name = f"{prefix}{sum(found.startswith(prefix) for found in ids) + 1}"
        step = extra.step.model_copy(update={"id": name})
        row = self._insert(
            connection,
            tables.steps,
            {
                "run_id": beside.run_id,
                "revision": beside.revision,
                "step_id": name,
                "position": beside.position,
                "kind": "expose",
                "goal": step.goal,
                "group": step.group,
                "settings": step.settings,
            },
        )
        values = {"step_row": row, "what": extra.what, "of_step": of_step, "step": step, "why": extra.why}
        connection.execute(tables.extra_steps.insert().values(**values))

    def _supersede(self, connection: sa.Connection, step: StepRow) -> None:
        """Let what a kept retake was for, until now kept, become ``retaken``."""
        found = self._rows(connection, ExtraStep, tables.extra_steps.c.step_row == step.id)
        if not found or found[0].what != "retake":
            return
        kept, extra = tables.steps.c, tables.extra_steps.c
        others = sa.select(extra.step_row).where(extra.what == "retake", extra.of_step == found[0].of_step)
        connection.execute(
            tables.steps.update()
            .where(kept.run_id == step.run_id, kept.outcome == "kept", kept.id != step.id)
            .where(sa.or_(kept.step_id == found[0].of_step, kept.id.in_(others)))
            .values(outcome="retaken", outcome_why=f"by {step.step_id}", outcome_at=clock.utc_now())
        )
