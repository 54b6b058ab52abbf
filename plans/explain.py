"""A plan in plain words: each step, what it changes and holds, and what that does to the picture, in numbers."""

from __future__ import annotations

from plans.goals import words
from plans.plan import ControlStep, ExposeStep, OperatorStep, Plan, Settings, Step
from plans.rehearsal import summary, wrapped


def explain(plan: Plan) -> str:
    """The plan as text of at most 80 columns: the summary, then every step in order, a final newline."""
    by_id = {step.id: step for step in plan.exposing}
    notes = {group.id: group for group in plan.groups}
    members = {group.id: [by_id[step] for step in group.steps] for group in plan.groups}
    lines = [summary(plan)]
    group = ""
    for step in plan.steps:
        if isinstance(step, ExposeStep) and step.group != group:
            group = step.group
            note = notes[group]
            lines += wrapped(f"== {note.id}  {note.title}")
            if len(note.steps) > 1:
                lines += wrapped(f"held: {_settings(note.held)}; changed: {_settings(note.changed)}", 3)
            shared = {step.criteria for step in members[group]}
            for line in (*note.criteria, *(shared.pop() if len(shared) == 1 else ())):
                lines += wrapped(f"must hold: {line}", 3)
            lines.append("")
        alike = isinstance(step, ExposeStep) and len({member.criteria for member in members[step.group]}) == 1
        lines += _step(step, by_id, criteria=not alike)
        for caution in step.cautions:
            lines += wrapped(f"CAUTION  {caution}", 4)
        lines.append("")
    return "\n".join(lines).rstrip("\n") + "\n"


def _settings(names: tuple[str, ...]) -> str:
    return words.listed(words.KIND_WORDS[name] for name in names) or "nothing"


def _step(step: Step, by_id: dict[str, ExposeStep], criteria: bool) -> list[str]:
    if isinstance(step, OperatorStep):
        return [*wrapped(f"{step.id}  YOUR HANDS"), *wrapped(step.text, 4), *wrapped(f"why: {step.why}", 4)]
    if isinstance(step, ControlStep):
        return [*wrapped(f"{step.id}  {step.text}"), *wrapped(_line(step.settings), 4)]
    lines = wrapped(f"{step.id}  {step.goal}")
    lines += wrapped(_line(step.settings), 4)
    if step.reference == step.id:
        if step.held:
            lines += wrapped("the others of this group are compared with this one", 4)
    else:
        reference = by_id[step.reference].settings
        changes = [_change(name, reference, step.settings) for name in step.changed]
        lines += wrapped(f"against {step.reference}: {'; '.join(changes) or 'nothing changes'}", 4)
        lines += wrapped(f"held: {_settings(step.held)}", 4)
    lines += wrapped(_brightness(step), 4)
    for text in _picture(step):
        lines += wrapped(text, 4)
    for text in step.criteria if criteria else ():
        lines += wrapped(f"must hold: {text}", 4)
    return [*lines, *wrapped(f"caption: {step.caption}", 4)]


def _filters(settings: Settings) -> str:
    return words.listed(item.name for item in settings.filters) or "no filter"


def _focus(settings: Settings) -> str:
    where = words.metres(settings.focus.distance_m)
    return f"{words.the(settings.focus.subject)} at {where}" if settings.focus.subject else where


def _line(settings: Settings) -> str:
    marks = f"{settings.aperture.mark}, {settings.time.mark} s, ISO {settings.iso.mark}"
    return f"{marks}, {_filters(settings)}, focused on {_focus(settings)}"


def _change(name: str, before: Settings, after: Settings) -> str:
    shown = {
        "aperture": (before.aperture.mark, after.aperture.mark),
        "time": (f"{before.time.mark} s", f"{after.time.mark} s"),
        "iso": (f"ISO {before.iso.mark}", f"ISO {after.iso.mark}"),
        "focus": (_focus(before), _focus(after)),
        "filters": (_filters(before), _filters(after)),
    }[name]
    told = "" if name == "iso" else f"{words.KIND_WORDS[name]} "
    return f"{told}{shown[0]} to {shown[1]}"


def _brightness(step: ExposeStep) -> str:
    if abs(step.offset) < 0.005:
        off = "exactly as wanted"
    else:
        off = f"{words.stops(abs(step.offset))} {'brighter' if step.offset > 0 else 'darker'} than wanted"
    if step.intended_offset:
        where = "over" if step.intended_offset > 0 else "under"
        return f"brightness: {off}; wanted is {words.stops(abs(step.intended_offset))} {where} the metered one"
    return f"brightness: {off}"


def _picture(step: ExposeStep) -> list[str]:
    """What the settings do to the picture."""
    seen = step.predicted
    coc = f", circle of confusion {words.millimetres(seen.coc_mm)}" if seen.coc_mm is not None else ""
    lines = [f"{words.sharp(seen.near_m, seen.far_m)}{coc}"]
    for name, smear in seen.smear_mm.items():
        share = f", {words.percent(seen.smear_share[name])} of the frame's height" if name in seen.smear_share else ""
        pixels = words.figures(seen.smear_px[name], 2) if seen.smear_px[name] < 10 else round(seen.smear_px[name])
        lines.append(f"{words.the(name)} smears {words.millimetres(smear)} = {pixels} px{share}")
    if seen.background_disc_mm is not None:
        share = words.percent(seen.background_disc_share or 0.0)
        disc = words.millimetres(seen.background_disc_mm)
        lines.append(f"a point of the background spreads to {disc}, {share} of the frame's width")
    beside = ""
    if seen.coc_mm is not None:
        beside = (
            ", more than the circle of confusion" if seen.airy_mm > seen.coc_mm else ", within the circle of confusion"
        )
    lines.append(f"diffraction spreads every point to {words.millimetres(seen.airy_mm)}{beside}")
    if seen.iso_above_base is not None:
        above = seen.iso_above_base
        if abs(above) < 1e-6:
            lines.append("ISO: the lowest native one")
        else:
            lines.append(f"ISO: {words.stops(abs(above))} {'above' if above > 0 else 'below'} the lowest native one")
    return lines
