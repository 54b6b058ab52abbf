"""What a comparison sheet is made from, and what comes out of making one."""

from __future__ import annotations

from pathlib import Path

from pydantic import BaseModel, ConfigDict

from plans.plan import ExposeStep


class _Shape(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class SheetFrame(_Shape):
    """One frame of a group: the step that asked for it and what came of it.

    ``picture`` None: no frame was taken. ``against_reference_stops`` is the reading, and ``why_not_measured`` a few
    words on why there is none. ``exif_note`` is one line on what the Exif says of the settings, ``outcome`` the step's
    outcome in the logbook (kept, retaken, skipped, abandoned). ``from_meter_stops`` is how far the picture lies from
    what its settings give, going by the metering frame. [stops]
    """

    picture: Path | None
    step: ExposeStep
    is_reference: bool = False
    against_reference_stops: float | None = None
    why_not_measured: str | None = None
    from_meter_stops: float | None = None
    exif_note: str | None = None
    outcome: str = "kept"


class SheetGroup(_Shape):
    """A group of frames that are compared.

    ``spread_stops`` is by exact values. ``sensor_height_mm`` lets smear be given as a share of the frame's height as
    well; without it that figure is left out.
    """

    title: str
    held: tuple[str, ...]
    changed: tuple[str, ...]
    spread_stops: float | None
    frames: tuple[SheetFrame, ...]
    left_out: tuple[str, ...] = ()
    criteria: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    sensor_height_mm: float | None = None


class SheetFiles(_Shape):
    """The files of a sheet: one PNG a page, ``first`` (a copy of the first page), and the PDF of all pages."""

    png: tuple[Path, ...]
    first: Path
    pdf: Path
