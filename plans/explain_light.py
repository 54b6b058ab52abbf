"""The sum behind equivalence: what each changed setting gives or takes, stop by stop on the camera's own marks."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from typing import NamedTuple

from plans.goals import words
from plans.plan import ExposeStep, FilterValue, MarkValue, Plan
from plans.stops import Kind, light_of

# Plans write nine significant digits; marks of every series lie on sixths of a stop.
_SIXTHS, _SLACK = 6, 1e-7
_NOUGHT = 0.005  # what two decimals show as nought [stops]


def counted(value: float) -> str:
    """A number of stops for people who count: ``1/3 stop``, ``2 2/3 stops``, ``5.98 stops``. Its sign is left out."""
    size = abs(value)
    near = Fraction(size).limit_denominator(_SIXTHS)
    if abs(float(near) - size) > _SLACK:
        text = f"{size:.2f}".rstrip("0").rstrip(".")
        return f"{text} stop{'' if float(text) <= 1 else 's'}"
    whole, part = divmod(near, 1)
    text = " ".join(str(piece) for piece in (whole, part) if piece) or "0"
    return f"{text} stop{'' if 0 < near <= 1 else 's'}"


def change(kind: Kind, before: MarkValue, after: MarkValue) -> float:
    """Stops by which a setting brightens the picture; negative: darkens it. [stops]"""
    found = light_of(kind, after.exact) - light_of(kind, before.exact)
    near = round(found * _SIXTHS) / _SIXTHS
    return near if abs(near - found) <= _SLACK else found


def between(kind: Kind, before: MarkValue, after: MarkValue, scale: Sequence[MarkValue]) -> tuple[str, ...]:
    """The marks passed on the way by whole stops, both ends left out; none where the scale lacks one of them."""
    start, end = light_of(kind, before.exact), light_of(kind, after.exact)
    sign = 1 if end > start else -1
    passed = []
    for count in range(1, int(abs(end - start) + _SLACK) + 1):
        wanted = start + sign * count
        if abs(wanted - end) <= _SLACK:
            break
        mark = next((m.mark for m in scale if abs(light_of(kind, m.exact) - wanted) <= _SLACK), None)
        if mark is None:
            return ()
        passed.append(mark)
    return tuple(passed)


class Part(NamedTuple):
    """One line of the sum, and by how much it brightens the picture. [stops]"""

    text: str
    stops: float


def _more(delta: float) -> str:
    return f"{counted(delta)} {'more' if delta > 0 else 'less'} light"


def _brighter(delta: float) -> str:
    return f"{counted(delta)} {'brighter' if delta > 0 else 'darker'}"


def _mark(kind: Kind, first: MarkValue, last: MarkValue, scale: Sequence[MarkValue]) -> Part:
    """``exposure time from 1/500 (1/250) to 1/125 s: 2 stops more light``."""
    passed = between(kind, first, last, scale)
    way = f" ({', '.join(passed)})" if passed else ""
    delta = change(kind, first, last)
    ends = f"from {first.mark}{way} to {last.mark}{' s' if kind == 'time' else ''}"
    return Part(f"{words.KIND_WORDS[kind]} {ends}: {_brighter(delta) if kind == 'iso' else _more(delta)}", delta)


def filter_words(item: FilterValue) -> str:
    """A filter, and how it is turned."""
    if item.turned is None:
        return item.name
    return f"{item.name} turned until {words.turned(item.turned).replace(' ', ' are ')}"


def _filters(before: Sequence[FilterValue], after: Sequence[FilterValue]) -> list[Part]:
    """What each filter that comes, goes or is turned does to the light."""
    parts = []
    old, new = {item.name: item for item in before}, {item.name: item for item in after}
    for name, item in old.items():
        if name not in new:
            parts.append(Part(f"{name} comes off: {_more(item.stops)}", item.stops))
        elif new[name] != item:
            delta = item.stops - new[name].stops
            light = _more(delta) if abs(delta) > _SLACK else "as much light"
            parts.append(Part(f"{filter_words(new[name])}: {light}", delta))
    fitted = [item for name, item in new.items() if name not in old]
    return parts + [Part(f"{filter_words(item)} goes on: {_more(-item.stops)}", -item.stops) for item in fitted]


def total(step: ExposeStep, reference: ExposeStep) -> float:
    """Stops by which a picture comes out brighter than its reference. [stops]"""
    return (step.intended_offset + step.offset) - (reference.intended_offset + reference.offset)


def parts(plan: Plan, step: ExposeStep, reference: ExposeStep) -> list[Part]:
    """The sum against the reference: settings, filters, size of the image, and what was measured on this kit."""
    before, after = reference.settings, step.settings
    pairs: tuple[tuple[Kind, MarkValue, MarkValue], ...] = (
        ("aperture", before.aperture, after.aperture),
        ("time", before.time, after.time),
        ("iso", before.iso, after.iso),
    )
    found = [
        _mark(kind, first, last, plan.inputs.scales.get(kind, ()))
        for kind, first, last in pairs
        if first.mark != last.mark
    ]
    found += _filters(before.filters, after.filters)
    loss = step.predicted.magnification_loss - reference.predicted.magnification_loss
    if abs(loss) >= _NOUGHT:
        where = "larger" if loss > 0 else "smaller"
        found.append(Part(f"the image is drawn {where} and its light spread with it: {_more(-loss)}", -loss))
    else:
        found.append(Part("", -loss))
    rest = total(step, reference) - sum(part.stops for part in found)
    if abs(rest) >= _NOUGHT:
        found.append(Part(f"as measured on this lens and shutter: {_brighter(rest)}", rest))
    return [part for part in found if part.text]


def together(step: ExposeStep, reference: ExposeStep) -> str:
    """The sum's result: ``together: as bright``."""
    found, meant = total(step, reference), step.intended_offset - reference.intended_offset
    if abs(meant) < _NOUGHT:
        if abs(found) < _NOUGHT:
            return "together: as bright"
        return f"together: as bright to within {counted(found)} ({'brighter' if found > 0 else 'darker'})"
    text = f"together: {_brighter(found)}"
    return f"{text}, as meant" if abs(found - meant) < _NOUGHT else f"{text}; {counted(meant)} are meant"
