"""The words on a comparison sheet: what is said of a group and of a frame. No geometry, no drawing."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from daemon.pictures.geometry import NO_BREAK
from daemon.pictures.shapes import SheetFrame, SheetGroup
from daemon.pictures.stopbar import StopBar, stop_bar_segments
from plans.plan import ExposeStep

MINUS = "\N{MINUS SIGN}"
NOT_TAKEN, NOT_READABLE = "not taken", "not readable"

Clean = Callable[[str], str]


@dataclass(frozen=True)
class Cell:
    """What is shown of one frame. ``aspect`` is the picture's width over its height; None: ``missing`` says why."""

    number: int
    is_reference: bool
    settings: str
    facts: tuple[str, ...]
    caption: str
    bar: StopBar
    aspect: float | None
    missing: str


@dataclass(frozen=True)
class GroupText:
    """What is shown of one group: its title, lines under it, and its cells."""

    title: str
    lines: tuple[str, ...]
    cells: tuple[Cell, ...]


def group_text(
    group: SheetGroup, aspects: Sequence[float | None], sheet: Sequence[ExposeStep] = (), clean: Clean = str
) -> GroupText:
    """All the words of a group, and its stop bars.

    ``aspects``: each picture's width over height, None where none can be shown. ``sheet``: the steps of all groups.
    ``clean`` is put over every text, so that only letters the typeface has are left.
    """
    bars = stop_bar_segments([frame.step for frame in group.frames], sheet)
    reference = next((n for n, frame in enumerate(group.frames, 1) if frame.is_reference), None)
    cells = []
    for number, (frame, bar, aspect) in enumerate(zip(group.frames, bars, aspects, strict=True), 1):
        cells.append(
            Cell(
                number=number,
                is_reference=frame.is_reference,
                settings=clean(settings_line(frame.step)),
                facts=tuple(clean(fact) for fact in frame_facts(frame, group, reference)),
                caption=clean(frame.step.caption),
                bar=bar,
                aspect=aspect,
                missing=NOT_TAKEN if frame.picture is None else NOT_READABLE,
            )
        )
    title = clean(group.title)
    return GroupText(title[:1].upper() + title[1:], tuple(clean(line) for line in group_lines(group)), tuple(cells))


def group_lines(group: SheetGroup) -> list[str]:
    """What was held and changed, the spread, and whatever else is to be said under a group's title."""
    parts = []
    several = len(group.frames) > 1
    if several or group.held:
        parts.append(f"Held: {_listed(group.held)}")
    if several or group.changed:
        parts.append(f"Changed: {_listed(group.changed)}")
    if several and group.spread_stops is not None:
        stepped = any(frame.step.intended_offset for frame in group.frames)
        what = "Spread around the intended steps" if stepped else "Spread of brightness"
        parts.append(f"{what} by exact values: {group.spread_stops:.2f} stop")
    lines = [" · ".join(parts)] if parts else []
    if group.criteria:
        lines.append("Criteria: " + "; ".join(group.criteria))
    if group.left_out:
        said = any("left out" in item for item in group.left_out)
        lines.append(("" if said else "Left out: ") + "; ".join(group.left_out))
    return [*lines, *group.notes, *([] if group.frames else ["No frames in this group."])]


def _listed(settings: Sequence[str]) -> str:
    return ", ".join("ISO" if name == "iso" else name for name in settings) or "nothing"


def settings_line(step: ExposeStep) -> str:
    """The settings in one line, as marks."""
    settings = step.settings
    filters = " + ".join(tied(item.name) for item in settings.filters) or tied("no filter")
    parts = (settings.aperture.mark, f"{settings.time.mark} s", f"ISO {settings.iso.mark}")
    return " ".join(tied(f"{part} ·") for part in parts) + " " + filters


def frame_facts(frame: SheetFrame, group: SheetGroup, reference: int | None) -> list[str]:
    """The lines under the settings: focus, depth of field, smear, background, brightness, Exif, outcome."""
    step, predicted = frame.step, frame.step.predicted
    focus = step.settings.focus
    facts = [f"Focus: {focus.subject or 'no subject'}, {tied(figure(focus.distance_m) + ' m')}"]
    near, far = figure(predicted.near_m, trim=False), predicted.far_m
    reach = f"{near} m to ∞" if far is None else f"{near}–{figure(far, trim=False)} m"
    facts.append(f"Depth of field: {tied(reach)}")
    for subject, length in predicted.smear_mm.items():
        parts = [f"{figure(length, 2)} mm"]
        beyond = group.sensor_height_mm is not None and length > group.sensor_height_mm
        if subject in predicted.smear_px and not beyond:
            parts.append(f"{figure(predicted.smear_px[subject], 2)} px")
        if group.sensor_height_mm:
            parts.append(f"{figure(100 * length / group.sensor_height_mm, 2)} % of frame height")
        facts.append(f"Smear of {subject}: {_same(parts)}")
    if predicted.background_disc_mm is not None:
        parts = [f"{figure(predicted.background_disc_mm, 2)} mm"]
        if predicted.background_disc_share is not None:
            parts.append(f"{figure(100 * predicted.background_disc_share, 2)} % of frame width")
        facts.append(f"Disc of a background point: {_same(parts)}")
    if len(group.frames) > 1 or frame.from_meter_stops is not None:
        facts.append(brightness_line(frame, group, reference))
    if frame.exif_note:
        facts.append(frame.exif_note)
    if frame.outcome != "kept":
        facts.append(f"Outcome: {frame.outcome}")
    return facts


def _same(parts: Sequence[str]) -> str:
    """One length in several units; lines break between them only."""
    return " ".join([tied(parts[0]), *(tied(f"= {part}") for part in parts[1:])])


def brightness_line(frame: SheetFrame, group: SheetGroup, reference: int | None) -> str:
    """The measured brightness against the reference, beside what it was meant to be where that is not nought."""
    if frame.is_reference:
        parts = ["reference of this group"] if len(group.frames) > 1 else []
        if frame.from_meter_stops is not None:
            parts.append(f"{tied(signed(frame.from_meter_stops) + ' stop')} from the exposure as metered")
        return "Brightness: " + ", ".join(parts)
    against = "the reference"
    meant = frame.step.intended_offset
    if reference is not None:
        against = f"No. {reference}"
        meant -= group.frames[reference - 1].step.intended_offset
    intent = f", meant {signed(meant)}" if abs(meant) >= 0.005 else ""
    if frame.against_reference_stops is None:
        why = f" ({frame.why_not_measured})" if frame.why_not_measured else ""
        return f"Brightness against {tied(against)}: not measured{why}{intent}"
    return f"Brightness: {tied(signed(frame.against_reference_stops) + ' stop')} against {tied(against)}{intent}"


def tied(text: str) -> str:
    """``text`` with no-break spaces, so that no line ends inside it."""
    return text.replace(" ", NO_BREAK)


def signed(stops: float) -> str:
    """A difference with its sign and two decimals; nought has no sign."""
    text = f"{abs(stops):.2f}"
    return text if text == "0.00" else ("+" if stops > 0 else MINUS) + text


def figure(value: float, digits: int = 3, trim: bool = True) -> str:
    """A number of nought or more to so many significant digits, without an exponent; large ones to the whole."""
    if value < 0.0001:
        return "0" if value == 0 else "under 0.0001"
    decimals = min(max(digits - 1 - math.floor(math.log10(value)), 0), 4)
    text = f"{value:.{decimals}f}"
    return text.rstrip("0").rstrip(".") if trim and "." in text else text
