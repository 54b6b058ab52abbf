"""From a brief's text to the typed `plans.brief.Brief`, or every complaint about it at once.

The text becomes a tree that knows its places (`plans.yaml_tree`); the tree's parts are read in order by their forms
(`plans.kit`, `plans.scene`, `plans.brief`), so that later parts can be held against earlier ones; what pydantic or a
form refuses becomes a complaint with file, line, column, field, found, allowed and advice, in the user's own words.
"""

from __future__ import annotations

import importlib.resources
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any, NamedTuple, TypeVar, get_args, get_origin
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from pydantic import ValidationError
from pydantic.fields import FieldInfo

from plans.brief import Brief, Compare, Goal, Limits, Place
from plans.brief_forms import LimitsForm, PlaceForm, TitleForm
from plans.errors import BriefError, Complaint
from plans.goal_forms import GOAL_FORMS, SINGLE_FORMS, CompareForm, SubjectName
from plans.kit import Kit, Known
from plans.kit_forms import FilterForm, KitForm
from plans.scene import Scene
from plans.scene_forms import SceneForm
from plans.stops import Kind, Scale
from plans.units import Form, Written, did_you_mean, nearest
from plans.yaml_tree import DEEPEST, Path, Spot, Tree, describe, field_words, is_hidden, read_tree, shorten, unspaced

MOST_COMPLAINTS = 100
KIT_VERSION_KEY = "stopwright-kit"
# ND and a number, not followed by what makes it something else: a range, a thread, a count of stops.
_ND = re.compile(
    r"(?<![A-Za-z])ND[ -]?([0-9]{1,9}(?:\.[0-9]{1,3})?)x?(?![\w.,/]|\s*[-\u2013]\s*(?:ND)?\s*[0-9]|[\s-]*(?:stop|mm))",
    re.I,
)
_WHEN = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2} [0-9]{2}:[0-9]{2}")

_F = TypeVar("_F", bound=Form)


def read_brief(
    text: str,
    name: str,
    load_kit: Callable[[str], str] | None = None,
    camera_scales: Mapping[Kind, Scale] | None = None,
) -> Brief:
    """The brief in ``text``.

    Parameters
    ----------
    text, name
        The file's text, and its name for complaints.
    load_kit
        Gives the text of the kit file that a brief names; may raise OSError, LookupError, ValueError or BriefError.
        None: briefs must hold their kit.
    camera_scales
        Scales of the connected camera, for a kit that says ``camera``; None: there is no camera.

    Raises
    ------
    BriefError
        With all complaints at once (the first hundred), in the order of the file.
    """
    tree = read_tree(text, name)
    kit = tree.value.get("kit")
    if isinstance(kit, str):
        _splice_kit(tree, kit, load_kit)
    return _Reader(tree, name, camera_scales).brief()


def brief_from_tree(
    tree: dict[str, Any], name: str = "plan", camera_scales: Mapping[Kind, Scale] | None = None
) -> Brief:
    """The brief in its own ``source`` again, as it stands in a plan; the same brief comes out.

    Raises
    ------
    BriefError
        If the tree is no such source; places are unknown (line 0).
    """
    return _Reader(_checked(tree, name), name, camera_scales).brief()


def demo_brief_text() -> str:
    """The text of the demo brief that ships with Stopwright: fountain, heron and hedge."""
    return importlib.resources.files("plans").joinpath("data/demo_brief.yaml").read_text(encoding="utf-8")


def _checked(value: Any, name: str) -> Tree:
    """A tree without places, after a look that it holds nothing but mappings, lists and plain texts."""
    complaints = []
    waiting: list[tuple[Path, Any]] = [((), value)]
    while waiting:
        path, item = waiting.pop()
        allowed = ""
        if isinstance(item, dict) and all(isinstance(key, str) for key in item):
            waiting += [((*path, key), below) for key, below in item.items()]
        elif isinstance(item, list):
            waiting += [((*path, index), below) for index, below in enumerate(item)]
        elif not isinstance(item, str):
            allowed = "text, or a list or mapping of texts"
        if isinstance(item, str) and is_hidden(item):
            allowed = "text without hidden characters"
        if not path and not isinstance(item, dict):
            allowed = "a mapping"
        if len(path) > DEEPEST:
            allowed, waiting = f"at most {DEEPEST} levels", []
        if allowed:
            advice = "This is no brief as a plan holds it: compile the brief again"
            complaints.append(Complaint(name, 0, 0, field_words(path), describe(item), allowed, advice))
    if complaints:
        raise BriefError(complaints[:MOST_COMPLAINTS])
    return Tree(value, values={(): Spot(name)})


def _splice_kit(tree: Tree, kit_name: str, load_kit: Callable[[str], str] | None) -> None:
    """Put the kit file's tree in place of its name; places below ``kit`` then name the kit file."""
    spot = tree.spot(("kit",))

    def complain(spot: Spot, field: str, found: str, allowed: str, advice: str) -> None:
        tree.complaints.append(Complaint(spot.file, spot.line, spot.column, field, found, allowed, advice))

    tree.value["kit"] = None
    tree.spoiled.add(("kit",))
    if load_kit is None or kit_name == "camera":
        advice = "Write the kit out here"
        if kit_name == "camera":
            advice += "; inside it, iso, time and aperture may each be camera"
        complain(spot, "kit", describe(kit_name), "a mapping: body, lens, filters, support, corrections", advice)
        return
    try:
        kit = read_tree(load_kit(kit_name), kit_name)
    except BriefError as error:
        tree.complaints += error.complaints
        return
    except (OSError, LookupError, ValueError) as error:
        reason = getattr(error, "strerror", None) or type(error).__name__
        complain(
            spot,
            "kit",
            f"{describe(kit_name)}, which cannot be read ({reason})",
            "a mapping, or the name of a kit file that is there",
            "Check the name and where the kit file lies",
        )
        return
    for one in kit.complaints:
        field = one.field if one.field == field_words(()) else f"kit.{one.field}"
        tree.complaints.append(replace(one, field=field))
    if kit.spoils((KIT_VERSION_KEY,)):
        return
    keys = list(kit.value)
    version = kit.value.pop(KIT_VERSION_KEY, None)
    if version != "1" or keys[0] != KIT_VERSION_KEY:
        place = kit.spot((KIT_VERSION_KEY,))
        found = describe(version) if version != "1" else "the key after others"
        complain(
            place, KIT_VERSION_KEY, found, "1, as the first key", f"Start the kit file with `{KIT_VERSION_KEY}: 1`"
        )
        return
    tree.value["kit"] = kit.value
    tree.spoiled.discard(("kit",))
    tree.keys.update({("kit", *path): place for path, place in kit.keys.items()})
    tree.values.update({("kit", *path): place for path, place in kit.values.items()})
    tree.keys[("kit",)] = kit.spot(())
    tree.spoiled |= {("kit", *path) for path in kit.spoiled}


class _Reader:
    """Reads one tree, part by part, and gathers the complaints."""

    def __init__(self, tree: Tree, name: str, camera_scales: Mapping[Kind, Scale] | None):
        self.tree, self.name = tree, name
        self.complaints = list(tree.complaints)
        self.uncounted = 0
        self.known = Known(camera=camera_scales)

    def brief(self) -> Brief:
        version = self.tree.at(("stopwright",))
        if version is not None and version != "1":
            self.complaints.clear()  # of a file in another version's words
            self.complain(("stopwright",), "1", "Write `stopwright: 1`, or use the version this brief is written for")
            raise BriefError(self.complaints)
        top = self.form(TitleForm, ())
        place = self.place()
        when = self.when(place)
        self.known.place, self.known.when = place, when
        for word, read in (("place", place), ("when", when)):
            if read is None and (self.tree.at((word,)) is not None or self.tree.spoils((word,))):
                self.known.unsure.add(word)
        kit = self.kit()
        scene = self.scene()
        limits = self.limits()
        goals = self.goals()
        if self.complaints or top is None or kit is None or scene is None:
            raise BriefError(self.in_order())
        return Brief(
            title=top.title,
            place=place,
            when=when,
            kit=kit,
            scene=scene,
            goals=tuple(goals),
            limits=limits,
            shown_on=top.shown_on,
            source=self.tree.value,
        )

    def in_order(self) -> list[Complaint]:
        ordered = sorted(
            dict.fromkeys(self.complaints), key=lambda one: (one.file != self.name, one.file, one.line, one.column)
        )
        rest = len(ordered) - MOST_COMPLAINTS + self.uncounted
        if rest > 0:
            more = Complaint(self.name, 0, 0, "the file", f"{rest} more errors", "none", "Mend these first")
            ordered = [*ordered[:MOST_COMPLAINTS], more]
        return ordered

    # The parts, in order.

    def place(self) -> Place | None:
        form = self.form(PlaceForm, ("place",))
        if form is None:
            return None
        if _zone(form.timezone) is None:
            names = sorted(available_timezones())
            ends = [name for name in names if name.lower().endswith("/" + form.timezone.lower())]
            advice = f"Did you mean {ends[0]}?" if ends else did_you_mean(form.timezone, names, "Write region/city")
            if any(name.startswith(form.timezone + "/") for name in names):
                advice = f"Add the city: {form.timezone}/..."
            if not names:
                advice = "This machine has no time zone data: install the package tzdata"
            self.complain(("place", "timezone"), "the name of a time zone, such as Europe/London", advice)
            return None
        return form.build()

    def when(self, place: Place | None) -> datetime | None:
        """The local time in the place's zone. An hour that comes twice when clocks go back means its first time."""
        path = ("when",)
        text = self.tree.at(path)
        if text is None:
            return None
        allowed = "a local date and time, such as 2026-10-20 15:30"
        try:
            if not isinstance(text, str) or not _WHEN.fullmatch(text.strip()):
                raise ValueError
            naive = datetime.fromisoformat(text.strip())
        except ValueError:
            self.complain(path, allowed, "Write year-month-day hour:minute, with 24 hours and a day that exists")
            return None
        if not 1970 <= naive.year <= 2199:
            self.complain(path, allowed, "Write a year from 1970 to 2199")
            return None
        if place is None:
            if self.tree.at(("place",)) is None and not self.tree.spoils(("place",)):
                advice = "Add place: {latitude: ..., longitude: ..., timezone: ...}, or delete when"
                self.complain(path, "a local time, together with a place that gives its time zone", advice)
            return None
        zone = ZoneInfo(place.timezone)
        when = naive.replace(tzinfo=zone)
        there = when.astimezone(UTC).astimezone(zone).replace(tzinfo=None)
        if there != naive:
            advice = f"Clocks go forward over it: write {there:%Y-%m-%d %H:%M}, or a time before the change"
            self.complain(path, f"a time that exists in {place.timezone}", advice)
            return None
        return when

    def kit(self) -> Kit | None:
        path = ("kit",)
        form = self.form(KitForm, path)
        self.filter_names()
        return form.build() if form else None

    def filter_names(self) -> None:
        """Complain of filters whose name says another strength than they are given."""
        items = self.tree.at(("kit", "filters"))
        names: set[str] = set()
        for index, item in enumerate(items[:6] if isinstance(items, list) else []):
            try:
                one = FilterForm.model_validate(item)
            except ValidationError:
                continue
            if (one.stops is None) == (one.density is None) or self.tree.spoils(("kit", "filters", index)):
                continue
            named = _named_stops(one.name) if one.name not in names else None
            names.add(one.name)
            if named and abs(one.nominal - named[1]) > 0.5:
                word = "stops" if one.density is None else "density"
                takes = _strength(named[1])
                self.complain(
                    ("kit", "filters", index, word),
                    f"{_count(takes[0])} (density {takes[1]}), which {named[0]} takes",
                    f"Write `{word}: {takes[word == 'density']}`, or name it otherwise if {item[word]} is meant",
                )

    def scene(self) -> Scene | None:
        subjects = self.tree.at(("scene", "subjects"))
        if isinstance(subjects, dict) and subjects:
            self.known.subjects = tuple(subjects)
        form = self.form(SceneForm, ("scene",))
        if form is None:
            self.known.unsure.add("scene")
            return None
        scene = form.build(self.known)
        self.known.distances_m = {name: subject.distance_m for name, subject in scene.subjects.items()}
        return scene

    def limits(self) -> Limits:
        form = self.form(LimitsForm, ("limits",))
        return form.build() if form else Limits()

    def goals(self) -> list[Goal]:
        items = self.tree.at(("goals",))
        if not isinstance(items, list) or len(items) > 100:
            return []
        goals = [self.goal(("goals", index), tuple(GOAL_FORMS)) for index in range(len(items))]
        return [goal for goal in goals if goal is not None]

    def goal(self, path: Path, words: tuple[str, ...]) -> Any:
        """One goal: an entry with exactly one of ``words`` (and, beside ``compare``, ``hold``)."""
        item = self.tree.at(path)
        if self.tree.spoils(path):
            return None
        top = words == tuple(GOAL_FORMS)
        allowed = f"a goal: one of {', '.join((*words, 'compare') if top else words)}"
        if not isinstance(item, dict):
            key, value = unspaced(item) or ("", "")
            known = key in words or key == "compare"
            advice = f"Put a space after the colon: {key}: {shorten(value)}" if known else ""
            self.complain(path, allowed, advice or "Write it as `- freeze: subject`")
            return None
        if top and "compare" in item:
            return self.compare(path)
        found = [key for key in item if key in words]
        for key in item:
            if key not in words and not self.tree.spoils((*path, key)):
                advice = did_you_mean("" if self.full else key, words, "Write one goal an entry")
                if key == "hold" and top:
                    advice = "hold stands inside a ladder, or beside compare"
                elif not top and key in (*GOAL_FORMS, "compare"):
                    advice = "Only single goals can be compared: write this one as an entry of goals"
                self.complain((*path, key), allowed, advice, found=describe(key), of_key=True)
        for key in found[1:]:
            self.complain((*path, key), "one goal an entry", f"Start a new entry: `- {key}: ...`", describe(key), True)
        if not found:
            if not item:
                self.complain(path, allowed, "Write it as `- freeze: subject`")
            return None
        form: Any = self.form(GOAL_FORMS[found[0]], (*path, found[0]))
        return form.build() if form else None

    def compare(self, path: Path) -> Compare | None:
        form = self.form(CompareForm, path)
        items = self.tree.at((*path, "compare"))
        if not isinstance(items, list) or len(items) > 10:
            return None
        goals = [self.goal((*path, "compare", index), tuple(SINGLE_FORMS)) for index in range(len(items))]
        if form is None or any(goal is None for goal in goals):
            return None
        return Compare(goals=tuple(goals), hold=tuple(form.hold))

    # From refusals to complaints.

    def form(self, form: type[_F], path: Path) -> _F | None:
        """The value at ``path`` read by ``form``; None if it is absent or wrong (then complained of)."""
        value = self.tree.at(path)
        if value is None:
            return None
        try:
            return form.model_validate(value, context=self.known)
        except ValidationError as error:
            errors = error.errors(include_url=False)
            misspelt = set()
            for one in errors[:MOST_COMPLAINTS]:
                if one["type"] == "extra_forbidden":
                    siblings = _expected(form, one["loc"]).siblings
                    misspelt.add((*one["loc"][:-1], nearest(str(one["loc"][-1]), siblings)))
            for one in errors:
                if one["type"] != "missing" or one["loc"] not in misspelt:
                    self.refused(form, path, one)
            return None

    @property
    def full(self) -> bool:
        """Whether there are so many complaints that working out more advice would only cost time."""
        return len(self.complaints) > 5 * MOST_COMPLAINTS

    def refused(self, form: type[Form], path: Path, error: Any) -> None:
        """Complain of one error of pydantic's."""
        if self.full:
            self.uncounted += 1
            return
        loc = tuple(part for part in error["loc"] if part != "[key]")
        whole = (*path, *loc)
        if self.tree.spoils(whole):
            return
        kind, context = error["type"], error.get("ctx", {})
        of_key = "[key]" in error["loc"]
        siblings, allowed, example, otherwise = _expected(form, loc)
        last = str(loc[-1]) if loc else ""
        if kind == "missing":
            if allowed == SubjectName.allowed and self.known.subjects:
                example = example if example in self.known.subjects else self.known.subjects[0]
            self.complain(whole, allowed, f"Add `{last}: {example}`" if example else f"Add {last}", "nothing")
        elif kind == "extra_forbidden" and form is KitForm and loc[0] == "filters" and last == "factor":
            beside = self.tree.at(whole[:-1])
            self.complain(whole, "a filter's stops or density", _factor_advice(beside), describe(last), of_key=True)
        elif kind == "extra_forbidden":
            known = f"one of {', '.join(siblings)}"
            self.complain(whole, known, did_you_mean(last, siblings, otherwise), describe(last), of_key=True)
        elif kind == "written":
            found = context["found"] or (describe(last) if of_key else "")
            self.complain(whole, context["allowed"], context["advice"], found, of_key)
        else:
            # A wrong shape: a text for a mapping, too few entries. What is allowed says enough.
            value = self.tree.at(whole)
            found = ""
            if isinstance(value, list | dict) and kind.startswith("too_"):
                found = f"{len(value)} {'entry' if len(value) == 1 else 'entries'}"
            self.complain(whole, allowed, f"Write it like {example}" if example else "", found)

    def complain(self, path: Path, allowed: str, advice: str, found: str = "", of_key: bool = False) -> None:
        while path and not found and self.tree.at(path) is None:
            path = path[:-1]  # a short form stands for the field below it
        spot = self.tree.spot(path, of_key)
        text = found or describe(self.tree.at(path))
        self.complaints.append(
            Complaint(spot.file or self.name, spot.line, spot.column, field_words(path), text, allowed, advice)
        )


def _named_stops(name: str) -> tuple[str, float] | None:
    """What a filter's name says: ``ND 8`` with its stops; None when it says nothing, or nothing certain.

    A number is a factor, of light divided, or a density if it is below 5 and has decimals. [common practice, no source]
    """
    match = _ND.search(name)
    if not match or len(re.findall("nd", name, re.I)) > 1:
        return None  # a range, a stack, a thread
    number = float(match[1])
    if "." in match[1] and 0 < number < 5:
        return f"ND {match[1]}", number / math.log10(2)
    return (f"ND {match[1]}", math.log2(number)) if 1 < number < 2**30 else None


def _strength(stops: float) -> tuple[str, str]:
    """Stops and density as people write them: tenths, or a whole stop that is as near as filters are made."""
    whole = abs(stops - round(stops)) < 0.05
    return f"{round(stops) if whole else round(stops, 1):g}", f"{stops * math.log10(2):.1f}"


def _count(stops: str) -> str:
    return f"{stops} stop" if stops == "1" else f"{stops} stops"


def _factor_advice(item: Any) -> str:
    """What to write for a filter's ``factor``, which divides the light: stops are its logarithm to base 2."""
    if "stops" in item or "density" in item:
        return "Delete it: stops or density is enough"
    text = item["factor"]
    match = re.fullmatch(r"x?\s*([0-9]{1,9}(?:\.[0-9]{1,3})?)\s*x?", text) if isinstance(text, str) else None
    if not match or float(match[1]) < 1.1:
        return "Write its strength as stops or density: ND 8 takes 3 stops, density 0.9"
    stops, density = _strength(math.log2(float(match[1])))
    count = _count(stops)
    return f"ND {match[1]} takes {count}, density {density}: write `stops: {stops}` or `density: {density}`"


def _zone(name: str) -> ZoneInfo | None:
    if re.match(r"(localtime|posixrules|Factory)$|(posix|right)/", name):
        return None  # means another time on another machine, or counts leap seconds
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return None


def _forms_in(annotation: Any) -> list[type[Form]]:
    if isinstance(annotation, type) and issubclass(annotation, Form):
        return [annotation]
    return [form for inner in get_args(annotation) for form in _forms_in(inner)]


class _Expected(NamedTuple):
    """What stands at a place: the keys known beside it, what is allowed, an example, advice for a strange key."""

    siblings: list[str]
    allowed: str
    example: str
    otherwise: str


def _expected(form: type[Form], loc: Path) -> _Expected:
    """What stands at ``loc`` below ``form``."""
    here: type[Form] | None = form
    siblings: list[str] = []
    allowed, example, otherwise = form.allowed(), "", form.otherwise
    parts = list(loc)
    while parts:
        part = parts.pop(0)
        siblings, otherwise = (here.words(), here.otherwise) if here else ([], form.otherwise)
        field = here.at(part) if here else None
        if field is None:
            return _Expected(siblings, "", "", otherwise)
        allowed, example = _allowed(field)
        inner = [meta.form for meta in field.metadata if hasattr(meta, "form")] or _forms_in(field.annotation)
        here = inner[0] if inner else None
        if parts and here and (isinstance(parts[0], int) or get_origin(field.annotation) is dict):
            parts.pop(0)  # an entry of a list, a name in a mapping
            allowed, example = here.allowed(), ""
    return _Expected(siblings, allowed, example, otherwise)


def _allowed(field: FieldInfo) -> tuple[str, str]:
    """What a field allows, in words, and an example of it if one fits on a line."""
    for meta in field.metadata:
        if isinstance(meta, Written):
            return meta.allowed, meta.example
    forms = _forms_in(field.annotation)
    return field.description or (forms[0].allowed() if forms else "a value"), ""
