"""The schedule in the logbook: rows that say when what is to be shot, and what came of each time it was due."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

import sqlalchemy as sa
from sqlalchemy.exc import IntegrityError

from daemon import clock, tables
from daemon.database import Database
from daemon.errors import UsageError
from daemon.store import Store

OutcomeWord = Literal["begun", "started", "skipped", "failed"]


@dataclass(frozen=True)
class ScheduleRow:
    """One schedule. ``late_min``: how late it may begin [min]; ``length_s``: how long a run of it should take [s]."""

    id: int
    title: str
    created: datetime
    rule: Any
    order: Any
    late_min: float
    conflict: Literal["wait", "skip"]
    length_s: float
    removed: datetime | None


@dataclass(frozen=True)
class OutcomeRow:
    """What came of one time that a schedule was due. ``begun``: the service died before it could say more."""

    id: int
    schedule_id: int
    due: datetime
    at: datetime
    outcome: OutcomeWord
    why: str
    run_id: int | None


class ScheduleRows(Database):
    """Schedules of one store. Each writing is one transaction, durable when it returns. Close it."""

    def __init__(self, store: Store):
        super().__init__(*store.logbook.where)

    def add(self, title: str, rule: Any, order: Any, late_min: float, conflict: str, length_s: float) -> ScheduleRow:
        """Note a schedule."""
        with self._writing("add_schedule") as connection:
            values = {
                "title": title, "created": clock.utc_now(), "rule": rule, "order": order, "late_min": late_min,
                "conflict": conflict, "length_s": length_s,
            }  # fmt: skip
            number = self._insert(connection, tables.schedules, values)
        return self.row(number)

    def remove(self, number: int) -> ScheduleRow:
        """Take a schedule out of force; its row and what came of it stay in the record. UsageError if there is none."""
        self.row(number)
        kept = tables.schedules.c
        with self._writing("remove_schedule") as connection:
            connection.execute(
                tables.schedules.update()
                .where(kept.id == number, kept.removed.is_(None))
                .values(removed=clock.utc_now())
            )
        return self.row(number)

    def row(self, number: int) -> ScheduleRow:
        """One schedule. UsageError if there is none of this number."""
        found = self._select(ScheduleRow, tables.schedules, tables.schedules.c.id == number)
        if not found:
            raise UsageError(f"schedule {number}: found none of this number. List them: stopwright schedule list")
        row: ScheduleRow = found[0]
        return row

    def rows(self, removed: bool = False) -> list[ScheduleRow]:
        """Every schedule in force; with ``removed`` the others, too."""
        return self._select(ScheduleRow, tables.schedules, *([] if removed else [tables.schedules.c.removed.is_(None)]))

    def outcomes(self, number: int, newest: int = 20) -> list[OutcomeRow]:
        """What came of a schedule lately, newest first."""
        kept = tables.schedule_outcomes.c
        return self._select(
            OutcomeRow, tables.schedule_outcomes, kept.schedule_id == number, order=kept.due.desc(), limit=newest
        )

    def settle(
        self, number: int, due: datetime, outcome: OutcomeWord, why: str = "", run_id: int | None = None
    ) -> bool:
        """Say what came of a due time; False if it is said already, so that no time is used twice."""
        values = {
            "schedule_id": number, "due": due, "at": clock.utc_now(), "outcome": outcome, "why": why, "run_id": run_id,
        }  # fmt: skip
        kept = tables.schedule_outcomes.c
        with self._writing("settle_schedule") as connection:
            there = sa.select(kept.id).where(kept.schedule_id == number, kept.due == due)
            if connection.scalar(there) is not None:
                return False
            try:
                connection.execute(tables.schedule_outcomes.insert().values(**values))
            except IntegrityError:
                return False
        return True

    def conclude(self, number: int, due: datetime, outcome: OutcomeWord, why: str, run_id: int | None) -> None:
        """Say how what was begun came out."""
        kept = tables.schedule_outcomes.c
        with self._writing("conclude_schedule") as connection:
            connection.execute(
                tables.schedule_outcomes.update()
                .where(kept.schedule_id == number, kept.due == due, kept.outcome == "begun")
                .values(outcome=outcome, why=why, run_id=run_id, at=clock.utc_now())
            )

    def _select(
        self, shape: Any, table: sa.Table, *asked: Any, order: Any = None, limit: int | None = None
    ) -> list[Any]:
        from dataclasses import fields

        columns = [table.c[field.name] for field in fields(shape)]
        wanted = sa.select(*columns).where(*asked).order_by(table.c.id if order is None else order).limit(limit)
        with self._reading(table.name) as connection:
            return [shape(*row) for row in connection.execute(wanted)]
