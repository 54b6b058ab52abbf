"""What a camera's own lists say about its scales, and what they leave open: the reading behind a kit file.

Whatever the lists cannot tell is said to be unknown, never guessed: a list whose decimal points a locale has lost, a
label that two marks share, a mark that stands alone and means one value in thirds and another in halves.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise
from typing import Any

from daemon.camera import dialects
from daemon.camera.dialects import CUT, MINUTES, Reading, cut_fits, plain_value, read_labels
from daemon.camera.trees import Told, plain_label
from daemon.camera.verbs import SettingState
from plans.stops import KINDS, Kind, Mark, Scale, Series, exact_value, label_value, printed_values
from plans.yaml_tree import shorten

_FINE: tuple[Series, ...] = ("thirds", "halves")
FEW = 3  # fewer marks than these do not tell a series
_WORDS: dict[Kind, str] = {"aperture": "aperture", "time": "time", "iso": "ISO"}


@dataclass(frozen=True)
class KindReading:
    """One setting as read: its scale, the camera's own string for each mark, and what is no mark.

    ``series`` is ``unknown`` also where the scale holds too few marks to tell. ``unknown`` are labels that hold a
    number whose exact value cannot be known.
    """

    scale: Scale
    own: dict[Mark, str]
    series: Series
    specials: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class KitReading:
    """Everything that a kit file can be made of."""

    told: Told
    kinds: dict[Kind, KindReading]
    locked: tuple[Kind, ...]
    notes: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """Plain data: by kind the marks ascending, ``series``, ``specials``, ``locked``, ``notes``."""
        marks: dict[str, Any] = {
            kind: [{"mark": read.own[mark], "exact": float(f"{mark.exact:.9g}")} for mark in read.scale.marks]
            for kind, read in self.kinds.items()
        }
        return marks | {
            "series": {kind: read.series for kind, read in self.kinds.items()},
            "specials": {kind: list(read.specials) for kind, read in self.kinds.items()},
            "locked": list(self.locked),
            "notes": list(self.notes),
        }


@dataclass
class _Labels:
    """A camera's list, sorted by what its entries are; numbers in the list's own order, as the library writes them."""

    numbers: list[tuple[str, str]] = field(default_factory=list)  # (own, plain)
    specials: list[str] = field(default_factory=list)
    nameless: list[str] = field(default_factory=list)
    counted: list[str] = field(default_factory=list)  # a number and more: no plain value


def read_kit(told: Told) -> KitReading:
    """The kit reading of a camera, live or from a tree."""
    kinds = {kind: _read_kind(kind, told) for kind in KINDS}
    locked = tuple(kind for kind in KINDS if _is_locked(kind, told))
    notes = [note for read in kinds.values() for note in read.notes]
    notes += [_unlock(kind, told) for kind in locked]
    if not told.tells_read_only:
        notes.append("This tree does not tell what is read-only: a setting may be locked though it is not listed so")
    return KitReading(told, kinds, locked, (*notes, *_other_notes(told)))


def _sorted_out(kind: Kind, labels: Sequence[str]) -> _Labels:
    found = _Labels()
    for own in labels:
        plain = plain_label(kind, own)
        if plain.lower().startswith("unknown value") or plain in ("", "(null)"):
            found.nameless.append(own)
        elif plain_value(kind, plain) is not None or (kind == "time" and MINUTES.fullmatch(plain)):
            found.numbers.append((own, plain))
        elif own not in found.specials:
            found.specials.append(own)
            if kind == "iso" and plain[:1].isdigit() and not plain.isdigit():
                found.counted.append(own)
    return found


def _read_kind(kind: Kind, told: Told) -> KindReading:
    word = _WORDS[kind]
    setting = told.state.settings.get(kind)
    labels = setting.labels if setting else ()
    found = _sorted_out(kind, labels)
    notes = []
    if found.nameless:
        notes.append(f"{word}: {len(found.nameless)} code(s) without a name, such as {shorten(found.nameless[0])!r}")
    if found.counted:
        notes.append(
            f"{word}: {len(found.counted)} entries hold more than a number, such as {shorten(found.counted[0])!r}: "
            "frames merged or altered in the camera, no plain ISO"
        )
    broken = _broken(kind, [plain for _, plain in found.numbers])
    if broken:
        notes.append(
            f"{word}: unknown. {broken}, as when a locale has cost the list its decimal points. Read the camera again "
            "with LC_ALL=C"
        )
        own_numbers = tuple(dict.fromkeys(own for own, _ in found.numbers))
        return _result(kind, Reading(Scale(kind, (), "unknown"), {}), {}, found, own_numbers, notes)
    owners: dict[str, str] = {}
    for own, plain in found.numbers:
        owners.setdefault(plain, own)
    reading = read_labels(kind, list(owners))
    own_marks = {mark: owners[label] for mark, label in reading.labels.items()}
    unknown = [own for plain, own in owners.items() if own not in own_marks.values()]
    if unknown:
        notes.append(f"{word}: unknown {', '.join(map(repr, unknown))}: coarser than the step, several marks share it")
    if len(own_marks) < FEW:
        doubtful = {mark: why for mark, own in own_marks.items() if (why := _doubt(kind, plain_label(kind, own)))}
        for mark, why in doubtful.items():
            unknown.append(own_marks.pop(mark))
            notes.append(f"{word}: unknown {unknown[-1]!r}: {why}")
    if any(CUT.fullmatch(plain) for plain in owners) and kind == "time" and own_marks:
        notes.append("time: the list is cut off at a ten-thousandth of a second; the marks are those it was cut from")
    long = [own for own in own_marks.values() if MINUTES.fullmatch(plain_label(kind, own))]
    if kind == "time" and long:
        read_as = ", ".join(f"{own} as {mark.exact:.4g} s" for mark, own in own_marks.items() if own in long)
        notes.append(f"time: whole minutes are read as the scale carries on, {read_as}; time one where that matters")
    if not own_marks and not unknown:
        notes.append(f"{word}: unknown. {_why_none(kind, setting, told)}")
    return _result(kind, reading, own_marks, found, tuple(unknown), notes)


def _result(
    kind: Kind, reading: Reading, own: dict[Mark, str], found: _Labels, unknown: tuple[str, ...], notes: list[str]
) -> KindReading:
    series: Series = reading.scale.series if len(own) >= FEW else "unknown"
    scale = Scale(kind, tuple(mark for mark in reading.scale.marks if mark in own), series)
    return KindReading(scale, own, series, tuple(found.specials), unknown, tuple(notes))


def _why_none(kind: Kind, setting: SettingState | None, told: Told) -> str:
    if setting is None:
        return "The camera does not name this setting at all"
    if kind in told.ranges:
        return f"The camera tells a range ({told.ranges[kind]}) and no marks"
    if kind in told.bare:
        return "The tree names the setting without a word about its values"
    if setting.labels:
        return "No entry of the camera's list is a number now"
    return "The camera lists no choices now"


def _broken(kind: Kind, plain: Sequence[str]) -> str:
    """Why a list cannot be what the camera meant, or nothing."""
    if kind == "time" and plain and all(CUT.fullmatch(label) for label in plain):
        plain = list(dict.fromkeys(plain))
    values = [label_value(kind, label) for label in plain]
    counts = Counter(values)
    most, times = counts.most_common(1)[0] if counts else (0.0, 0)
    if times > 1 and len(counts) == 1:
        return f"All {times} entries say {plain[0]}"
    rising = [after > before for before, after in pairwise(values) if after != before]
    turns = sum(before != after for before, after in pairwise(rising))
    if turns >= (2 if kind == "aperture" and len(values) > 3 else 1 if kind == "aperture" else 3):
        return f"The list goes up and down ({', '.join(plain[:4])})"
    if times > 1:
        series = read_labels(kind, list(dict.fromkeys(plain))).scale.series
        again = plain[values.index(most)]
        if times > 2 or sum(count > 1 for count in counts.values()) > 1:
            return f"Entries are repeated ({again} stands in the list {times} times)"
        if series == "unknown" or not all(_is_printed(kind, value) for value in counts):
            return f"{again} stands in the list {times} times, and the others fit no series"
    return ""


def _is_printed(kind: Kind, value: float) -> bool:
    return any(_place(kind, value, series) is not None for series in ("thirds", "halves"))


def _place(kind: Kind, value: float, series: Series) -> Fraction | None:
    shown = printed_values(kind, series).items()
    return next((place for place, printed in shown if math.isclose(printed, value, rel_tol=0.01)), None)


def _doubt(kind: Kind, plain: str) -> str:
    """Why a mark cannot be read that has no scale around it, or nothing."""
    value = label_value(kind, plain)
    if CUT.fullmatch(plain) and value < 0.2:
        places = {place for series in _FINE for place in cut_fits(value, series)}
        if len(places) > 1:
            return f"without a scale around it, it is any of {len(places)} marks cut off to it"
        return ""
    thirds, halves = _place(kind, value, "thirds"), _place(kind, value, "halves")
    if thirds is not None and halves is not None and thirds != halves:
        values = [f"{exact_value(kind, place):.4g}" for place in (thirds, halves)]
        return f"without a scale around it, it is {values[0]} in thirds or {values[1]} in halves"
    if kind == "aperture" and thirds is None and halves is None and value >= 10 and value == int(value):
        return "no scale has this mark; a locale may have cost it its decimal point"
    return ""


# -- what cannot be set now, and the rest ------------------------------------------------------------------------------


def _is_locked(kind: Kind, told: Told) -> bool:
    setting = told.state.settings.get(kind)
    if setting is None:
        return False
    named = len(setting.labels) - len(_sorted_out(kind, setting.labels).nameless)
    return kind in told.read_only or (bool(setting.labels) and named <= 1)


def _unlock(kind: Kind, told: Told) -> str:
    word = _WORDS[kind]
    mode = told.state.settings.get("mode")
    manual = dialects.is_manual_mode(mode) if mode else None
    by_hand = {
        "aperture": "set the aperture ring on the lens to A, or fit a lens that the body can set",
        "time": "set the shutter dial to the place that leaves the time to the body, and switch bulb off",
        "iso": "switch automatic ISO off, or turn the ISO dial to the place that leaves it to the body",
    }[kind]
    if manual:
        return f"{word}: cannot be set now, though the mode is {shorten(mode.current)}: {by_hand}"  # type: ignore[union-attr]
    shown = f" (the mode is {shorten(mode.current)})" if mode and mode.current else ""
    return f"{word}: cannot be set now{shown}: turn the mode dial to M; if it stays so, {by_hand}"


def _other_notes(told: Told) -> list[str]:
    state = told.state
    notes = []
    for name, word in (
        ("mode", "mode"), ("image_format", "image format"), ("focus_mode", "focus mode"),
        ("white_balance", "white balance"),
    ):  # fmt: skip
        setting = state.settings.get(name)
        if setting and setting.current:
            fixed = "; cannot be set over the cable now" if name in told.read_only else ""
            more = ""
            if name == "image_format" and dialects.files_expected(setting.current) == 2:
                more = ", two files a frame"
            if name == "mode" and dialects.is_manual_mode(setting) is False:
                more = ", in which the camera chooses and may list fewer marks: turn the mode dial to M and read again"
            notes.append(f"{word}: {shorten(setting.current)}{more}{fixed}")
    if dialects.is_auto_iso(state):
        notes.append("ISO: automatic now; switch it off before a series")
    driven = {True: "can be driven over the cable", False: "no drive over the cable is listed", None: "not told"}
    notes.append(f"focus drive: {driven[told.focus_drive]}")
    if told.lens or told.focal_length:
        stands = f"; it stands at {shorten(told.focal_length)} mm" if told.focal_length else ""
        notes.append(f"lens: {shorten(told.lens) or 'no name told'}{stands}")
    notes.append(f"battery: {f'{state.battery} %' if state.battery is not None else 'not told'}")
    return notes
