"""The part of the logbook that is beside the frames: readings, the card and settings as found, events."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Protocol

import sqlalchemy as sa

from daemon import clock, tables
from daemon.database import Database, insert_new
from daemon.rows import CardSeen, EventRow, ReadingRow, SettingFound


class OnCard(Protocol):
    """What `Logbook.remember_card` needs of a file; ``daemon.camera.verbs.CardFile`` has it. ``size`` in bytes."""

    @property
    def folder(self) -> str: ...
    @property
    def name(self) -> str: ...
    @property
    def size(self) -> int | None: ...
    @property
    def taken(self) -> str | None: ...


class Notes(Database):
    """Notes of a run. Each method that writes is one transaction, durable when it returns."""

    def add_reading(
        self, frame_id: int, method: str, version: str, data: Any, reference_frame_id: int | None = None
    ) -> ReadingRow:
        """Add what a version of a method measured on a frame."""
        with self._writing("add_reading") as connection:
            number = self._insert(
                connection,
                tables.readings,
                {
                    "frame_id": frame_id,
                    "method": method,
                    "version": version,
                    "reference_frame_id": reference_frame_id,
                    "data": {} if data is None else data,
                    "created": clock.utc_now(),
                },
            )
            return self._rows(connection, ReadingRow, tables.readings.c.id == number)[0]

    def readings(self, run_id: int) -> list[ReadingRow]:
        """Every reading on a run's frames, oldest first."""
        return self._all(ReadingRow, frame_in_run(tables.readings.c.frame_id, run_id))

    def remember_card(self, run_id: int, files: Iterable[OnCard]) -> None:
        """Note what lies on the card before the run's first frame; what is noted already stays as it was."""
        rows = [
            {"run_id": run_id, "folder": file.folder, "name": file.name, "taken": file.taken or "", "size": file.size}
            for file in files
        ]
        with self._writing("remember_card") as connection:
            if rows:
                connection.execute(insert_new(connection, tables.card_seen).on_conflict_do_nothing(), rows)

    def card_seen(self, run_id: int) -> list[CardSeen]:
        """What lay on the card when the run began."""
        return self._all(CardSeen, tables.card_seen.c.run_id == run_id)

    def remember_settings(self, run_id: int, found: Mapping[str, str]) -> None:
        """Note the camera's settings as found. One that is still to be put back keeps the label first found."""
        now, kept = clock.utc_now(), tables.settings_found.c
        rows = [
            {"run_id": run_id, "name": name, "label": label, "found_at": now, "restored_at": None}
            for name, label in found.items()
        ]
        with self._writing("remember_settings") as connection:
            statement = insert_new(connection, tables.settings_found)
            statement = statement.on_conflict_do_update(
                index_elements=[kept.run_id, kept.name],
                set_={"label": statement.excluded.label, "found_at": statement.excluded.found_at, "restored_at": None},
                where=kept.restored_at.is_not(None),
            )
            if rows:
                connection.execute(statement, rows)

    def mark_restored(self, run_id: int, names: Iterable[str] | None = None) -> None:
        """Note that settings were put back and read back so; ``names`` None: all of them."""
        kept = tables.settings_found.c
        chosen = sa.true() if names is None else kept.name.in_(list(names))
        with self._writing("mark_restored") as connection:
            connection.execute(
                tables.settings_found.update()
                .where(kept.run_id == run_id, kept.restored_at.is_(None), chosen)
                .values(restored_at=clock.utc_now())
            )

    def settings_found(self, run_id: int) -> list[SettingFound]:
        """The camera's settings as found; those with ``restored_at`` None are still to be put back."""
        return self._all(SettingFound, tables.settings_found.c.run_id == run_id)

    def add_event(self, kind: str, text: str, run_id: int | None = None, data: Any = None) -> int:
        """Note something that happened; the event's number, which only goes up."""
        with self._writing("add_event") as connection:
            told = {} if data is None else data
            values = {"run_id": run_id, "at": clock.utc_now(), "kind": kind, "text": text, "data": told}
            return self._insert(connection, tables.events, values)

    def events(self, run_id: int | None = None, after: int = 0) -> list[EventRow]:
        """Events with a number above ``after``, of one run or (None) of all."""
        kept = tables.events.c
        return self._all(EventRow, kept.id > after, sa.true() if run_id is None else kept.run_id == run_id)


def frame_in_run(column: sa.Column[Any], run_id: int) -> Any:
    """The condition that ``column`` names a frame of the run."""
    return column.in_(sa.select(tables.frames.c.id).where(tables.frames.c.run_id == run_id))
