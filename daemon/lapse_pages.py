"""What a watcher asks of the logbook: counts, pages, every nth frame. Thousands of frames cost what a few do."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from typing import Any

import sqlalchemy as sa

from daemon import tables
from daemon.extras import Extras
from daemon.rows import FileRow, LapseRow, ReadingRow

GONE = "gone from the card"


@dataclass(frozen=True)
class LapseTally:
    """How the frames of a time-lapse stand. ``due`` up to now; ``worst_late_s``: None before the first one. [s]"""

    due: int
    taken: int
    late: int
    on_card: int
    worst_late_s: float | None

    @property
    def missed(self) -> int:
        """Those that were due and are neither at home nor on the card."""
        return self.due - self.taken - self.on_card


class LapsePages(Extras):
    """Reads time-lapses a part at a time."""

    def lapse_tally(self, step_row: int) -> LapseTally:
        """The counts of a time-lapse."""
        kept, attempts, frames = tables.lapse_frames.c, tables.attempts.c, tables.frames.c
        home = sa.and_(frames.id.is_not(None), frames.role == "picture")
        waits = sa.and_(attempts.state == "kept", frames.id.is_(None), kept.late_s.is_not(None))

        def count(*conditions: Any) -> Any:
            return sa.func.coalesce(sa.func.sum(sa.case((sa.and_(*conditions), 1), else_=0)), 0)

        asked = (
            sa.select(
                sa.func.count(),
                count(home),
                count(home, kept.why != ""),
                count(waits, kept.why.not_like(f"{GONE}%")),
                sa.func.max(kept.late_s),
            )
            .select_from(tables.lapse_frames)
            .outerjoin(tables.attempts, attempts.id == kept.attempt_id)
            .outerjoin(tables.frames, frames.attempt_id == kept.attempt_id)
            .where(kept.step_row == step_row)
        )
        with self._reading("lapse_frames") as connection:
            return LapseTally(*connection.execute(asked).one())

    def lapse_page(self, step_row: int, limit: int, before: int | None = None) -> list[LapseRow]:
        """The newest frames up to ``limit``, in the order of their numbers; ``before``: those of a lower number."""
        kept = tables.lapse_frames.c
        asked = [kept.step_row == step_row] + ([] if before is None else [kept.frame < before])
        return self._lapse_rows(asked, kept.frame.desc(), limit)[::-1]

    def lapse_thought(self, step_row: int) -> LapseRow | None:
        """The newest frame that was decided on."""
        kept = tables.lapse_frames.c
        found = self._lapse_rows([kept.step_row == step_row, kept.attempt_id.is_not(None)], kept.frame.desc(), 1)
        return found[0] if found else None

    def lapse_thinned(self, step_row: int, most: int, upto: int | None = None) -> list[LapseRow]:
        """At most ``most`` frames that were begun, up to number ``upto``: every one, every second, every fourth ...

        A longer series leaves out every other one of those that were taken before, and takes no new ones between.
        """
        kept = tables.lapse_frames.c
        if upto is None:
            with self._reading("lapse_frames") as connection:
                asked = sa.select(sa.func.max(kept.frame)).where(kept.step_row == step_row)
                upto = connection.scalar(asked)
        if upto is None:
            return []
        every = 1
        while upto // every + 1 > most:
            every *= 2
        chosen = [kept.step_row == step_row, kept.attempt_id.is_not(None), kept.frame <= upto, kept.frame % every == 0]
        return self._lapse_rows(chosen, kept.frame, most)

    def lapse_at_home(self, rows: Iterable[LapseRow]) -> dict[int, int]:
        """The pictures of some frames that are at home: their numbers in the record by attempt."""
        frames = tables.frames.c
        attempts = [row.attempt_id for row in rows if row.attempt_id is not None]
        asked = sa.select(frames.attempt_id, frames.id).where(frames.attempt_id.in_(attempts), frames.role == "picture")
        with self._reading("frames") as connection:
            return {row[0]: row[1] for row in connection.execute(asked)}

    def lapse_readings(self, frames: Sequence[int]) -> dict[int, ReadingRow]:
        """What was measured on some pictures, by their numbers."""
        found = self._all(ReadingRow, tables.readings.c.frame_id.in_(list(frames)))
        return {row.frame_id: row for row in found if "lapse" in row.data}

    def lapse_jpegs(self, frames: Sequence[int]) -> dict[int, FileRow]:
        """The JPEG of some pictures, by their numbers."""
        kept = tables.files.c
        return {row.frame_id: row for row in self._all(FileRow, kept.frame_id.in_(list(frames)), kept.kind == "jpeg")}

    def lapse_start(self, run_id: int, step_id: str) -> str | None:
        """When frame 0 of a time-lapse was due; None before it began."""
        kept = tables.events.c
        asked = sa.select(kept.data).where(kept.run_id == run_id, kept.kind == "lapse-started").order_by(kept.id.desc())
        with self._reading("events") as connection:
            told = [data for data in connection.scalars(asked) if data.get("step") == step_id]
        return str(told[0]["start"]) if told else None

    def _lapse_rows(self, asked: Sequence[Any], order: Any, limit: int) -> list[LapseRow]:
        columns = [tables.lapse_frames.c[field.name] for field in fields(LapseRow)]
        with self._reading("lapse_frames") as connection:
            wanted = sa.select(*columns).where(*asked).order_by(order).limit(limit)
            return [LapseRow(*row) for row in connection.execute(wanted)]
