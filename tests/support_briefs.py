"""The grammar of briefs for the fuzzer: random briefs as trees of texts, lists and mappings, most of which read.

`GRAMMAR` and `GOALS` say for each word that may be written the chance that it is, and what makes a value for it. A word
or goal without a row is made from the form that reads it, with the form's own example; so what comes in later is not
left out, and a row makes it better. Module of tables and the values in them; hence its length.
"""

from __future__ import annotations

import json
import random
import re
from collections.abc import Callable, Iterable
from fractions import Fraction
from typing import Annotated, Any, Literal, get_args, get_origin

from plans.brief_forms import LimitsForm, PlaceForm, TitleForm
from plans.goal_forms import GOAL_FORMS, SINGLE_FORMS, CompareForm
from plans.kit_forms import BodyForm, FilterForm, KitForm, LensForm
from plans.scene_forms import LightForm, SceneForm, SubjectForm
from plans.stops import KINDS, Kind, Scale, scale_between, series_marks
from plans.units import UNITS, Form, Written, convert

CAMERA: dict[Kind, Scale] = {
    "aperture": scale_between("aperture", "f/1.8", "f/22", "thirds"),
    "time": scale_between("time", "1/8000", "30", "thirds"),
    "iso": scale_between("iso", "100", "25600", "thirds"),
}
STEPS = {"full": "1", "halves": "1/2", "thirds": "1/3"}
HOLDS = ("aperture", "time", "iso", "focus", "filters")
NAMES = ("spout", "heron", "hedge", "stone basin", "lily-pad", "jet_2", "7", "a", "Mossy Wall", "x" * 40)
FILTERS = {
    "ND 8": 3.0,
    "ND 64": 6.0,
    "ND 1.8": 5.98,
    "dark glass": 10.0,
    "grey": 1.0,
    "smoke": 0.5,
    "\u00e9cran": 2.3,
    "polariser": 1.5,
}


class Draw(random.Random):
    """A source of values that knows what of the brief has been made so far; distances in metres, focal length in mm."""

    def __init__(self, seed: str, small: bool = False):
        super().__init__(seed)
        self.small = small  # short scales and few goals: a brief compiles in a third of the time
        self.calm = self.random() < (
            0.75 if small else 0.6
        )  # a brief as a class would shoot it, nothing at the ends of what is allowed
        self.focal_mm = 50.0
        self.labels = {kind: [mark.label for mark in CAMERA[kind].marks] for kind in KINDS}
        self.step = {kind: Fraction(1, 3) for kind in KINDS}
        self.subjects: dict[str, float] = {}
        self.somewhere = False  # whether place and time are written
        self.mains = False
        self.moving: list[str] = []
        self.zoom: tuple[float, float] | None = None  # [mm]

    def chance(self, share: float) -> bool:
        """True in this share of the cases."""
        return self.random() < share

    def log(self, low: float, high: float) -> float:
        """A value between two above zero, each order of magnitude as likely as the next."""
        return float(low * (high / low) ** self.random())

    def subject(self) -> str:
        """The name of a subject of the scene."""
        return self.choice(list(self.subjects))

    def moving_subject(self) -> str:
        """The name of a subject that moves, in a calm brief with one."""
        return self.choice(self.moving) if self.calm and self.moving else self.subject()


Make = Callable[[Draw], Any]
Table = dict[str, tuple[float, Make]]  # word: chance that it is written, what makes its value


# Values.


def plain(value: float, digits: int = 6) -> str:
    """A number as a person writes it."""
    text = f"{float(f'{value:.{digits}g}'):.12f}"
    return text.rstrip("0").rstrip(".")[:20]


def quantity(d: Draw, value: float, unit: str) -> str:
    """A value of ``unit`` in any unit of its dimension."""
    units = next(units for units in UNITS.values() if unit in units)
    to = unit if d.chance(0.6) else d.choice(list(units))
    return plain(float(convert(Fraction(value), unit, to))) + d.choice(["", " "]) + to


def one_of(*words: str) -> Make:
    """One of a few texts."""
    return lambda d: d.choice(words)


def number(*usual: float, low: float, high: float) -> Make:
    """A plain number: a usual one, an end of the range, or any between."""

    def make(d: Draw) -> str:
        value = d.choice(usual) if d.calm else d.choice([*usual * 2, low, high, d.uniform(low, high)])
        return plain(value, d.choice([2, 4, 8]))

    return make


def measure(*usual: float, low: float, high: float, unit: str) -> Make:
    """A quantity: a usual one, an end of the range, or any order of magnitude between; ``low`` above zero."""

    def make(d: Draw) -> str:
        if not d.calm and d.chance(0.2):
            return f"{plain(d.choice([low, high]))} {unit}"  # in another unit it may come to lie outside
        return quantity(d, d.choice(usual) if d.calm else d.log(low, high), unit)

    return make


def made(form: type[Form]) -> Make:
    """A mapping by the form's table; words without a row are written now and then, as the form's example says."""

    def make(d: Draw) -> dict[str, Any]:
        table = GRAMMAR.get(form, {})
        known = form.words()
        found = {word: value(d) for word, (share, value) in table.items() if word in known and d.chance(share)}
        for word in known:
            of = form.at(word)
            if word not in table and of and (of.is_required() or d.chance(0.3)):
                value = example(d, of.annotation, of.metadata)
                found |= {} if value is None else {word: value}
        return found

    return make


def example(d: Draw, annotation: Any, metadata: Iterable[Any] = ()) -> Any:
    """What a form itself gives as an example of a field; a mapping for a form in it; None where it gives none."""
    for one in metadata:
        if isinstance(one, Written):
            return d.subject() if one.example in NAMES else one.example
    if isinstance(annotation, type) and issubclass(annotation, Form):
        return made(annotation)(d)
    inner, *more = get_args(annotation) or (None,)
    if get_origin(annotation) is dict:
        return None  # its keys hang on what else is written
    if get_origin(annotation) is Annotated:
        return example(d, inner, more)
    if inner is None or get_origin(annotation) is Literal:
        return None
    value = example(d, inner)
    return [value] if get_origin(annotation) is list and value is not None else value


def scale(kind: Kind) -> Make:
    """A scale: camera, marks, or a range of a series."""

    def make(d: Draw) -> Any:
        if d.chance(0.05):
            return "camera"
        series = d.choice(["full", "full", "full", "halves"] if d.small else ["full", "halves", *["thirds"] * 3])
        marks = list(series_marks(kind, series))
        first, last = len(marks) // 5, len(marks) - len(marks) // 5 - 1  # about what most cameras have
        if not d.calm and d.chance(0.5):
            first, last = sorted((d.randrange(len(marks)), d.randrange(len(marks))))
        part = marks[first : last + 1]
        d.labels[kind], d.step[kind] = [mark.label for mark in part], Fraction(STEPS[series])
        if d.chance(0.2):
            if not d.calm and d.chance(0.5):
                d.labels[kind] = sorted(d.sample(d.labels[kind], d.randint(1, len(part))), key=d.labels[kind].index)
            return {"marks": d.labels[kind]}
        second = " s" if kind == "time" else ""
        written: dict[str, Any] = {"from": part[0].label + second, "to": part[-1].label + second, "step": STEPS[series]}
        if kind == "iso" and d.chance(0.3):
            ends = sorted((d.choice(part), d.choice(part)), key=part.index)
            written["native"] = {"from": ends[0].label, "to": ends[1].label}
        return written

    return make


def mark(d: Draw, kind: Kind) -> str:
    """A mark of the scale."""
    return d.choice(d.labels[kind]) + (" s" if kind == "time" else "")


def sensor(d: Draw) -> dict[str, Any]:
    width = d.choice([35.9, 23.5, 17.3, 6.2, d.uniform(3.6, 100)])
    height = width / d.choice([1.01, 1.333, 1.5, 1.78])
    pixels = d.choice([6000, 8256, d.randint(200, 22000)])
    return {
        "width": quantity(d, width, "mm"),
        "height": quantity(d, height, "mm"),
        "pixels": [str(pixels), str(round(pixels * height / width))],
    }


def lens(d: Draw) -> dict[str, Any]:
    """A lens, now and then a zoom with the largest aperture at both ends."""
    d.focal_mm = d.choice([24, 50, 85] if d.calm else [50, 200, d.log(1, 2000), d.log(1, 2000)])
    found = {"focal_length": quantity(d, d.focal_mm, "mm")} | made(LensForm)(d)
    if "widest" in LensForm.words() and d.chance(0.3):
        ends = [max(d.focal_mm / 2, 1), d.focal_mm, min(d.focal_mm * 2, 2000)]
        short, now, long = (f"{plain(length)} mm" for length in ends)
        found["focal_length"] = {"from": short, "to": long, "set": now}
        d.zoom = ends[0], ends[2]
        if d.chance(0.7) and found["aperture"] != "camera":
            d.labels["aperture"] = d.labels["aperture"][d.randrange(len(d.labels["aperture"])) // 4 :]
            found["widest"] = {short: d.labels["aperture"][0], long: d.labels["aperture"][0]}
    return found


def nearest_focus(d: Draw) -> str:
    return quantity(
        d, min(max(d.focal_mm / 1000 * d.choice([4, 9] if d.calm else [1.001, d.log(1.01, 100)]), 0.01), 100), "m"
    )


def filters(d: Draw) -> list[Any]:
    """Filters of different names and strengths; the names that tell a factor have its strength."""
    found = []
    names = d.sample(list(FILTERS), d.choice([0, 1, 2, 2, 3] if d.calm or d.small else [0, 1, 2, 3, 6]))
    for name in dict.fromkeys([*names, "polariser"] if d.calm and d.chance(0.5) else names):
        stops = FILTERS[name] if "ND" in name or d.chance(0.5) else d.log(0.001, 30)
        one = {"name": name} | (
            {"stops": plain(stops)} if d.chance(0.6) else {"density": plain(min(stops * 0.30103, 9))}
        )
        if "kind" in FilterForm.words() and "stops" in one and d.chance(0.3):
            one |= {"measured": f"{plain(stops * 1.02)} stops"} if d.chance(0.5) else {}
        if "kind" in FilterForm.words() and "stops" in one and name == "polariser" and stops < 3:
            one |= {"kind": "polariser", "most": f"{plain(stops * 1.5)} stops"}
        found.append({"name": name} | one | made(FilterForm)(d))
    return found


def support(d: Draw) -> Any:
    by = d.choice(["tripod", "tripod", "tripod" if d.calm else "monopod", "hand"])
    return {"by": by, "rule": d.choice(["1/f", "1/(2f)"])} if by != "tripod" and d.chance(0.4) else by


def corrections(d: Draw) -> dict[str, Any]:
    """A few marks off by a little; on a scale in thirds more than a third would change their order."""
    kinds: list[Kind] = ["aperture", "time"]
    return {
        kind: {mark(d, kind): f"{plain(d.uniform(-0.15, 0.15), 2)} stops" for _ in range(d.randint(1, 2))}
        for kind in kinds
        if d.chance(0.6)
    }


def light(d: Draw) -> dict[str, Any]:
    """The light in one of the ways; a sky wants place and time."""
    ways: Table = {
        "ev100": (1, number(8, 11, 13, 15, low=-10, high=22)),
        "illuminance": (0.2, measure(500, 20_000, low=0.001, high=10**6, unit="lx")),
        "meter": (0.2, lambda d: {kind: mark(d, kind) for kind in KINDS}),
        "sky": (0.4 if d.somewhere else 0, one_of("clear", "hazy", "cloudy bright", "overcast")),
        "ask": (0.2, one_of("camera")),
    }
    able = [word for word, (share, _) in ways.items() if word in LightForm.words() and d.chance(share)]
    way = able[-1] if able else "ev100"
    return {way: ways[way][1](d)}


def mains(d: Draw) -> str:
    d.mains = True
    return d.choice(["50 Hz", "60 Hz"])


def site(d: Draw) -> dict[str, Any]:
    """What is near; by the water a time to leave."""
    near = d.sample(["water", "mains", "people", "road"], d.randint(1, 3))
    if d.somewhere or d.chance(0.7):
        return {"near": near, "cold": d.choice(["yes", "no"])}
    return {"near": [*near, "coast"], "high_water": "16:40", "leave_by": d.choice(["15:50", "16:39", "04:40"])}


def subjects(d: Draw) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name in d.sample(NAMES, d.choice([1, 2, 3, 3, 4, 8])):
        times = d.log(20, 300) if d.calm else d.choice([d.log(1.001, 1000), d.log(1.001, 1e8)])
        d.subjects[name] = min(d.focal_mm / 1000 * times, 1e9)
        found[name] = {"distance": quantity(d, d.subjects[name], "m")} | made(SubjectForm)(d)
        if d.chance(0.4):
            depth = d.subjects[name] * d.choice([0, 0.01, 0.05] if d.calm else [0.1, 0.5, 1.99, d.random()])
            found[name]["depth"] = quantity(d, depth, "m")
        if d.calm and "speed" not in found[name] and d.chance(0.5):
            found[name]["speed"] = d.choice(["0.5 m/s", "1.5 m/s", "3 m/s"])
        if "direction" in SubjectForm.words() and d.chance(0.2):
            found[name] |= {
                "speed": "3 m/s",
                "direction": d.choice(["across", "diagonal", "towards", "0 deg", "30 deg"]),
            }
        d.moving += [] if re.match(r"0 ?[a-z]", found[name].get("speed", "0 m/s")) else [name]
    return found


def about(word: str, goal: str, moving: bool = False) -> Make:
    """A goal that is mainly a subject, by its name alone or as a mapping with it under ``word``."""

    def make(d: Draw) -> Any:
        name = d.moving_subject() if moving else d.subject()
        return name if d.chance(0.5) else {word: name} | made(GOAL_FORMS[goal])(d)

    return make


def span(goal: str) -> Make:
    """A goal from a nearer to a farther subject."""

    def make(d: Draw) -> dict[str, Any]:
        several = list(d.subjects)
        near, far = sorted(d.sample(several, 2) if len(several) > 1 else several * 2, key=lambda name: d.subjects[name])
        return {"from": near, "to": far} | made(GOAL_FORMS[goal])(d)

    return make


def by(d: Draw, kind: Kind) -> str:
    """A step that the scale has."""
    return str(d.step[kind] * d.choice([1, 2, 3] if d.calm else [1, 2, 3, 4, 6, 16]))


def ends(d: Draw, kind: Kind) -> dict[str, str]:
    """The ends of a run, one, both or none."""
    return {word: mark(d, kind) for word in ("from", "to") if d.chance(0.1 if d.calm else 0.4)}


def ladder(d: Draw) -> dict[str, Any]:
    change, *balance = d.sample(KINDS, d.choice([2, 2, 2, 3]))
    found: dict[str, Any] = {"change": change, "by": by(d, change), "balance": balance, "focus": d.subject()}
    if len(balance) == 1:
        found["balance"] = balance[0]
    if d.chance(0.4):
        found["hold"] = d.sample([word for word in HOLDS if word not in (change, *balance)], d.randint(1, 2))
    return found | ends(d, change)


def bracket(d: Draw) -> dict[str, Any]:
    change = d.choice(KINDS)
    shown = "exposure" if change == "time" and d.chance(0.3) else change
    count = d.choice(["3", "5"] if d.calm else ["3", "7", "15"])
    return {"change": shown, "by": by(d, change), "count": count, "focus": d.subject()}


def noise(d: Draw) -> Any:
    return d.subject() if d.chance(0.5) else {"focus": d.subject(), "by": by(d, "iso")} | ends(d, "iso")


def faults(d: Draw) -> Any:
    """Mistakes with amounts; an amount stands only beside a mistake that is shown."""
    amounts: dict[str, Make] = {
        "under": number(2, low=0.01, high=10),
        "over": number(2, low=0.01, high=10),
        "shaken": number(4, low=1, high=1000),
        "misfocused": number(5, low=1.01, high=1000),
        "motion": number(5, low=1.01, high=1000),
    }
    show = d.sample(list(amounts), d.randint(1, 5))
    given = {word: amounts[word](d) for word in show if d.chance(0.4)}
    name = d.moving_subject()
    return name if d.chance(0.4) else {"subject": name, "show": show} | given


def perspective(d: Draw) -> dict[str, Any]:
    """Focal lengths, of a zoom those that it has when the brief is calm."""
    lengths = d.sample(
        [24, 35, 50, 85] if d.calm else [1, 14, 50, 200, 1999, round(d.log(1, 2000), 1)], d.randint(2, 4)
    )
    if d.calm and d.zoom:
        lengths = sorted({round(d.uniform(*d.zoom)) for _ in range(3)} | {round(d.focal_mm)})
    return {"subject": d.subject(), "focal_lengths": [quantity(d, length, "mm") for length in lengths]}


def hold(d: Draw) -> list[str]:
    return d.sample(HOLDS, d.randint(1, 2))


def limits(d: Draw) -> dict[str, Any]:
    return made(LimitsForm)(d) | ({"flicker": d.choice(["name", "avoid"])} if d.mains and d.chance(0.5) else {})


# The grammar. A row that is made elsewhere, beside others that it hangs on, has the chance 0.

ELSEWHERE = (0.0, one_of())
GRAMMAR: dict[type[Form], Table] = {
    PlaceForm: {
        "latitude": (1, number(52.0, low=-90, high=90)),
        "longitude": (1, number(0.0, low=-180, high=180)),
        "timezone": (1, one_of("Europe/London", "UTC", "America/St_Johns", "Asia/Kathmandu", "Pacific/Kiritimati")),
    },
    BodyForm: {
        "name": (1, one_of("demo body", "b", "Geh\u00e4use 3", "n" * 80)),
        "sensor": (1, sensor),
        "iso": (1, scale("iso")),
        "time": (1, scale("time")),
        "bulb": (0.15, lambda d: d.choice(["8 min", "1 h", {"to": "4 min"}])),
        "flash_sync": (0.2, one_of("1/200 s", "1/250 s", "30 s")),
        "shutter": (0.2, lambda d: d.sample(["mechanical", "first curtain", "electronic"], d.randint(1, 3))),
        "card": (0.2, one_of("64 GB", "256 MB", "10000 GB")),
        "frame": (0.2, one_of("12 MB", "0.01 MB", "60 MB")),
        "battery": (0.2, one_of("400 frames", "1", "100000")),
    },
    LensForm: {
        "focal_length": ELSEWHERE,
        "widest": ELSEWHERE,
        "aperture": (1, scale("aperture")),
        "nearest_focus": (1, nearest_focus),
        "focus_by": (0.6, one_of("hand", "drive", "distance")),
    },
    FilterForm: {
        **dict.fromkeys(("name", "stops", "density", "measured", "kind", "most"), ELSEWHERE),
        "stacks": (0.2, one_of("yes", "no")),
        "cast": (0.1, one_of("slightly warm", "c" * 60)),
    },
    KitForm: {
        "body": (1, made(BodyForm)),
        "lens": (1, lens),
        "filters": (0.7, filters),
        "support": (0.7, support),
        "corrections": (0.2, corrections),
    },
    SubjectForm: {
        "distance": ELSEWHERE,
        "depth": ELSEWHERE,
        "direction": ELSEWHERE,
        "height": (0.4, measure(1.6, 0.4, low=1e-3, high=10**4, unit="m")),
        "foliage": (0.1, one_of("yes", "no")),
        "region": (0.1, lambda d: [f"{d.uniform(0.1, 0.45):.2f}" for _ in range(4)]),
        "speed": (0.5, measure(0.0, 0.5, 1.5, 3.0, low=1e-6, high=400, unit="m/s")),
    },
    SceneForm: {
        "light": (1, light),
        "facing": (0.2, one_of("north", "SW", "135 deg", "0 deg", "360 deg")),
        "wind": (0.2, measure(3.0, low=1e-3, high=60, unit="m/s")),
        "mains": (0.2, mains),
        "intent": (0.2, one_of("snow", "night", "white water", "0", "1/3", "-5", "5", "2 1/3")),
        "site": (0.2, site),
        "subjects": (1, subjects),
    },
    LimitsForm: {
        "iso_at_most": (0.5, lambda d: mark(d, "iso")),
        "spread": (0.6, one_of("1/6", "1/6", "1/2", "1/3", "1/1000")),
        "flicker": ELSEWHERE,
    },
    CompareForm: {"hold": (0.7, hold), "compare": ELSEWHERE},
    TitleForm: {
        "stopwright": (1, one_of("1")),
        "title": (
            1,
            one_of("Fountain, evening class", "t", "T" * 200, "a: b # c", "\u00fcbung \U0001f409", "{x}", "%s"),
        ),
        "place": ELSEWHERE,
        "when": ELSEWHERE,
        "shown_on": (0.3, one_of("full size", "projector", "A4 print")),
        "kit": (1, made(KitForm)),
        "scene": (1, made(SceneForm)),
        "goals": (1, lambda d: [goal(d) for _ in range(d.choice([1, 1, 1, 1, 2] if d.small else [1, 1, 1, 2, 3]))]),
        "limits": (0.6, limits),
    },
}
GOALS: dict[str, Make] = {
    "freeze": about("subject", "freeze", moving=True),
    "silk": about("subject", "silk", moving=True),
    "isolate": about("subject", "isolate"),
    "deep": span("deep"),
    "ladder": ladder,
    "noise": noise,
    "bracket": bracket,
    "focus-bracket": span("focus-bracket"),
    "faults": faults,
    "perspective": perspective,
    "polariser": about("focus", "polariser"),
}
GOAL_WORDS: dict[str, Table] = {
    "freeze": {"subject": ELSEWHERE, "within": (0.4, one_of("0.02 mm", "2 px", "10 mm", "1000 px", "0.001 px"))},
    "silk": {
        "subject": ELSEWHERE,
        "length": (0.4, measure(0.5, 1.2, low=1e-3, high=1000, unit="m")),
        "grade": (0.4, one_of("flowing", "silk", "veil")),
        "share": (0.2, lambda d: d.choice(["30 %", ["20 %", "80 %"], ["0.01 %", "100000 %"]])),
    },
    "isolate": {
        "subject": ELSEWHERE,
        "grade": (0.4, one_of("soft", "separated", "melted")),
        "share": (0.2, one_of("3 %", "0.001 %", "100 %")),
    },
    "deep": {"from": ELSEWHERE, "to": ELSEWHERE, "lesson": (0.3, one_of("yes", "no"))},
    "focus-bracket": {
        "from": ELSEWHERE,
        "to": ELSEWHERE,
        "overlap": (0.5, one_of("0 %", "10 %", "20 %", "90 %")),
        "aperture": (0.4, lambda d: mark(d, "aperture")),
    },
    "polariser": {"focus": ELSEWHERE},
}
GRAMMAR |= {GOAL_FORMS[word]: table for word, table in GOAL_WORDS.items() if word in GOAL_FORMS}


def goal(d: Draw) -> dict[str, Any]:
    """Any goal; one without a row in `GOALS` by its form alone."""

    def single(words: list[str]) -> dict[str, Any]:
        word = d.choice(words)
        return {word: GOALS.get(word, made(GOAL_FORMS[word]))(d)}

    if d.chance(0.25):
        parts = [single(list(SINGLE_FORMS)) for _ in range(d.choice([2, 2, 2, 3] if d.calm else [2, 3, 4]))]
        return {"compare": parts} | made(CompareForm)(d)
    return single(list(GOAL_FORMS))


def brief(d: Draw) -> dict[str, Any]:
    """A brief as a tree of texts, lists and mappings; most of them read."""
    d.somewhere = d.chance(0.5)
    tree: dict[str, Any] = made(TitleForm)(d)
    if d.somewhere:
        tree["place"] = made(PlaceForm)(d)
        tree["when"] = f"{d.randint(1970, 2199)}-{d.randint(1, 12):02}-{d.randint(1, 28):02} {d.randint(4, 23):02}:30"
    return tree


def written(value: Any, d: Draw, depth: int = 0) -> str:
    """A tree as YAML, in lines or in brackets."""
    if isinstance(value, str) or value is None:
        simple = value and re.fullmatch(r"[A-Za-z0-9]([A-Za-z0-9 ./%_-]*[A-Za-z0-9/%_-])?", value)
        return str(value) if simple else json.dumps(value or "", ensure_ascii=False)
    if depth and d.chance(0.4 if depth < 4 else 1):
        items = [written(one, d, 9) for one in (value.values() if isinstance(value, dict) else value)]
        if isinstance(value, dict):
            return f"{{{', '.join(f'{written(k, d, 9)}: {v}' for k, v in zip(value, items, strict=True))}}}"
        return f"[{', '.join(items)}]"
    if not value:
        return "{}" if isinstance(value, dict) else "[]"
    lines = []
    for key, one in value.items() if isinstance(value, dict) else enumerate(value):
        text = written(one, d, depth + 1)
        nested = bool(one) and isinstance(one, dict | list) and text[0] not in "{["
        below = "\n" + re.sub(r"(?m)^", "  ", text) if nested else " " + text
        lines.append((f"{written(key, d, 9)}:" if isinstance(value, dict) else "-") + below)
    return "\n".join(lines)
