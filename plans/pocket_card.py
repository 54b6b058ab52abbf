"""A pocket card: the plan for doing it by hand, without the computer. One line a picture, what hands do in between.

The card is blocks of lines. As text it is at most 40 columns wide; `daemon.pictures.card_layout` draws the same blocks
on A6 pages.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from plans.brief import Brief
from plans.card_words import metered, signed, watch
from plans.explain_kit import is_bulb
from plans.goals import words
from plans.plan import ControlStep, ExposeStep, OperatorStep, Plan, Settings, Step, TimelapseStep
from plans.rehearsal import NOTHING, light_words, minutes
from plans.step_words import group_name

COLUMNS = 40
BOX = "[ ]"

Kind = Literal["title", "head", "frame", "do", "note", "caution"]


@dataclass(frozen=True)
class CardLine:
    """One thing on the card; ``cells`` are the columns of a frame (number, aperture, time, ISO, what else).

    ``frame`` and ``do`` have a box to tick. ``text`` is empty for a frame.
    """

    kind: Kind
    text: str = ""
    cells: tuple[str, str, str, str, str] = ("", "", "", "", "")


@dataclass(frozen=True)
class CardBlock:
    """Lines that stay together on a page where they fit on one."""

    lines: tuple[CardLine, ...]


@dataclass(frozen=True)
class Card:
    """The card. ``reminder`` belongs to each page: when to leave, or nothing."""

    title: str
    reminder: str
    blocks: tuple[CardBlock, ...]


_BY_HAND = (
    "mode dial on M, auto ISO off",
    "autofocus off; on a tripod stabiliser off",
    "self-timer or cable release",
    "note the number of the first picture",
)
_BY_HAND_HELD = ("mode dial on M, auto ISO off", "autofocus off", "note the number of the first picture")


def card(plan: Plan, brief: Brief | None = None) -> Card:
    """The card of a plan. ``brief``: the one it was made from, for bulb times and the time to leave; None: without."""
    site = brief.scene.site if brief else None
    reminder = f"leave by {site.leave_by}" if site and site.leave_by else ""
    if site and site.high_water:
        reminder = "; ".join(part for part in (reminder, f"high water {site.high_water}") if part)
    if not plan.exposing:
        head = [CardLine("title", plan.title), CardLine("note", light_words(plan)), CardLine("note", NOTHING)]
        return Card(plan.title, reminder, (CardBlock(tuple(head)), *_missing(plan)))
    blocks = [_head(plan, brief, reminder), *_missing(plan), _prepared(plan, brief)]
    blocks += [CardBlock((CardLine("caution", caution),)) for caution in plan.cautions]
    blocks += _walk(plan, brief)
    blocks.append(_packed_up(plan))
    return Card(plan.title, reminder, tuple(blocks))


def _head(plan: Plan, brief: Brief | None, reminder: str) -> CardBlock:
    cost = plan.estimate
    lines = [CardLine("title", plan.title)]
    if brief is not None and brief.when is not None:
        lines.append(CardLine("note", f"{brief.when:%Y-%m-%d %H:%M}"))
    lines.append(CardLine("note", light_words(plan)))
    time = "" if cost.duration_s is None else f", about {minutes(cost.duration_s)}"
    frames = f"{cost.frames} picture{'' if cost.frames == 1 else 's'}"
    hands = f"hands {cost.operator_actions} time{'' if cost.operator_actions == 1 else 's'}"
    lines.append(CardLine("note", f"{frames}, {hands}{time}"))
    if reminder:
        lines.append(CardLine("head", reminder.upper()))
    return CardBlock(tuple(lines))


def _missing(plan: Plan) -> list[CardBlock]:
    if not plan.unreachable:
        return []
    names = words.listed(item.goal for item in plan.unreachable)
    return [CardBlock((CardLine("note", f"cannot be shown here: {names}"),))]


def _prepared(plan: Plan, brief: Brief | None) -> CardBlock:
    held = brief is not None and brief.kit.support != "tripod"
    ready = [*(_BY_HAND_HELD if held else _BY_HAND)]
    if brief is not None:
        if any(is_bulb(brief.kit.body, step.settings.time) for step in plan.exposing):
            ready.append("for bulb: remote release with a lock, and a clock")
        used = {item.name for step in plan.exposing for item in step.settings.filters}
        casts = [f"{item.name} ({item.cast})" for item in brief.kit.filters if item.cast and item.name in used]
        if casts:
            ready.append(f"white balance on one fixed setting; a tint comes with {words.listed(casts)}")
    return CardBlock((CardLine("head", "CAMERA"), *(CardLine("do", text) for text in ready)))


def _packed_up(plan: Plan) -> CardBlock:
    """The end: nothing forgotten, the camera as it was."""
    count = plan.estimate.frames
    lines = [CardLine("do", f"{count} picture{'' if count == 1 else 's'} on the card, last number noted")]
    lines.append(CardLine("do", "camera back as it was: dial, ISO, autofocus, stabiliser"))
    if any(step.settings.filters for step in plan.exposing):
        lines.append(CardLine("do", "filters in their cases, lens cap on"))
    else:
        lines.append(CardLine("do", "lens cap on"))
    return CardBlock((CardLine("head", "END"), *lines))


def _walk(plan: Plan, brief: Brief | None) -> Iterator[CardBlock]:
    """The steps in order; pictures of one group that follow each other make one block."""
    groups = {group.id: group for group in plan.groups}
    numbers = {step.id: number for number, step in enumerate(plan.exposing, 1)}
    support = "tripod" if brief is None else brief.kit.support
    group, waiting, seen = "", list[CardLine](), list[tuple[int, str]]()

    def told() -> Iterator[CardBlock]:
        if waiting:
            yield CardBlock((*waiting, *(CardLine("note", text) for text in _looks(seen))))
            waiting.clear()
            seen.clear()

    for step in plan.steps:
        if not isinstance(step, ExposeStep):
            yield from told()
            yield CardBlock(tuple(_between(step, plan, brief)))
            continue
        if step.group != group:
            yield from told()
            group = step.group
            waiting.append(CardLine("head", group_name(groups[group])))
        if not seen:
            waiting.append(CardLine("note", _focus(step.settings)))
        waiting += [CardLine("caution", caution) for caution in step.cautions]
        told_too = ["shaken"] if step.shaken else []
        waiting.append(_frame(step.settings, str(numbers[step.id]), step.intended_offset, brief, told_too))
        seen.append((numbers[step.id], watch(step, groups[group].title, support)))
    yield from told()


def _looks(seen: Sequence[tuple[int, str]]) -> Iterator[str]:
    """What to look at, each with the numbers of its pictures: ``look at 2 to 9: ...``."""
    for text in dict.fromkeys(text for _, text in seen):
        at = [number for number, other in seen if other == text]
        run = len(at) > 2 and at[-1] - at[0] == len(at) - 1
        yield f"look at {f'{at[0]} to {at[-1]}' if run else words.listed(map(str, at))}: {text}"


def _between(step: Step, plan: Plan, brief: Brief | None) -> Iterator[CardLine]:
    """Hands, a metering frame or a check frame."""
    yield from (CardLine("caution", caution) for caution in step.cautions)
    if isinstance(step, OperatorStep):
        yield CardLine("do", step.text)
    elif isinstance(step, TimelapseStep):
        yield CardLine("head", f"TIME-LAPSE  {step.frames} frames")
        yield _frame(step.settings, "", 0.0, brief)
        yield from (CardLine("note", text) for text in step.expects[:1])
    elif isinstance(step, ControlStep):
        yield CardLine("head", "METER" if step.purpose == "meter" else "CHECK")
        yield _frame(step.settings, "", 0.0, brief)
        if step.purpose == "meter":
            yield from (CardLine("note", text) for text in metered(plan, brief))
        else:
            yield CardLine("note", step.text.partition(": ")[2] or step.text)


def _frame(settings: Settings, number: str, intended: float, brief: Brief | None, also: Sequence[str] = ()) -> CardLine:
    more = list(also)
    if intended:
        more.append(signed(intended))
    if brief is not None and is_bulb(brief.kit.body, settings.time):
        more.append("bulb")
    if settings.focal_length_mm is not None:
        more.append(f"{words.figures(settings.focal_length_mm)} mm")
    filters = [f"{item.name} ({words.turned(item.turned)})" if item.turned else item.name for item in settings.filters]
    more += [" + ".join(filters)] if filters else []
    cells = (number, settings.aperture.mark, f"{settings.time.mark} s", f"ISO {settings.iso.mark}", " ".join(more))
    return CardLine("frame", cells=cells)


def _focus(settings: Settings) -> str:
    where = words.metres(settings.focus.distance_m)
    return f"focus: {settings.focus.subject}, {where}" if settings.focus.subject else f"focus: {where}"


def frame_text(cells: Sequence[str]) -> str:
    """A picture's line without its box, in columns; it may be longer than the card is wide."""
    number, aperture, time, iso, more = cells
    return f"{number:>2} {aperture:<6} {time:<8} {iso:<9} {more}".rstrip()


def card_text(made: Card) -> str:
    """The card as text of at most 40 columns, a blank line between blocks, a final newline."""
    return "\n\n".join("\n".join(_texts(block)) for block in made.blocks) + "\n"


def _texts(block: CardBlock) -> Iterator[str]:
    for line in block.lines:
        if line.kind == "title":
            yield from _wrapped(line.text.upper(), "", "")
        elif line.kind == "head":
            yield from _wrapped(f"== {line.text}", "", "   ")
        elif line.kind == "caution":
            yield from _wrapped(line.text, " !  ", " !  ")
        elif line.kind == "do":
            yield from _wrapped(line.text, f"{BOX} ", "    ")
        elif line.kind == "note":
            yield from _wrapped(line.text, "    ", "    ")
        else:
            yield from _frame_texts(line.cells)


def _frame_texts(cells: tuple[str, str, str, str, str]) -> Iterator[str]:
    whole = f"{BOX} {frame_text(cells)}"
    if len(whole) <= COLUMNS:
        yield whole
        return
    yield from _wrapped(frame_text((*cells[:4], "")), f"{BOX} ", "       ")
    yield from _wrapped(cells[4], "       ", "       ")


def tied(text: str) -> str:
    """``text`` with its numbers tied to their units by no-break spaces, so that no line ends between them."""
    return re.sub(r"(\d) (m|mm|s|min|stops?)\b", "\\1\N{NO-BREAK SPACE}\\2", text)


def _wrapped(text: str, first: str, more: str) -> list[str]:
    lines = textwrap.wrap(
        tied(text), COLUMNS, initial_indent=first, subsequent_indent=more, break_long_words=True, break_on_hyphens=False
    )
    return [line.replace("\N{NO-BREAK SPACE}", " ") for line in lines] or [first]
