"""The brief: what the photographer writes, as typed models, and the forms it is written in.

``read_brief`` (text to model, with complaints that name line and column) lives in ``plans/reading.py``.
"""

from __future__ import annotations

from datetime import datetime
from fractions import Fraction
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from plans.kit import Kit
from plans.scene import Scene
from plans.stops import Kind

Held = Literal["aperture", "time", "iso", "focus", "filters"]


class _Goal(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)


class Freeze(_Goal):
    """Moving ``subject`` shown sharp: smear at most the circle of confusion, ``smear_mm`` or ``smear_px``. [mm, px]"""

    goal: Literal["freeze"] = "freeze"
    subject: str
    smear_mm: float | None = None
    smear_px: float | None = None


SilkGrade = Literal["flowing", "silk", "veil"]
IsolateGrade = Literal["soft", "separated", "melted"]


class Silk(_Goal):
    """Moving ``subject`` drawn out: ``flowing``, ``silk`` or ``veil``.

    ``share``: the smear's own least and most share instead of the grade's, and no floor of 1/4 s. ``length_m``: the
    visible length of the moving part, in the scene; the smear is then measured against it instead of the frame's
    height, and the floor falls away too. [m]
    """

    goal: Literal["silk"] = "silk"
    subject: str
    length_m: float | None = None
    grade: SilkGrade = "silk"
    share: tuple[float, float] | None = None


class Isolate(_Goal):
    """``subject`` sharp in its whole depth before a background that is clearly not.

    ``grade``: how far a point of the background spreads; ``share``: the same as a share of the frame's width, instead.
    """

    goal: Literal["isolate"] = "isolate"
    subject: str
    grade: IsolateGrade = "soft"
    share: float | None = None


class Deep(_Goal):
    """Everything from the near side of ``from_subject`` to the far side of ``to_subject`` sharp.

    ``lesson``: apertures beyond the working limit are wanted, to show diffraction.
    """

    goal: Literal["deep"] = "deep"
    from_subject: str
    to_subject: str
    lesson: bool = False


class Ladder(_Goal):
    """One setting changed rung by rung, others balancing it, so that brightness stays.

    ``balance``: the setting that balances. ``then``: the one that takes over where the first comes to its end.

    ``first`` and ``last`` are marks as written (``from`` and ``to`` in the brief); None: longest reachable run of
    full-stop marks. ``by`` is the distance of rungs. [stops]
    """

    goal: Literal["ladder"] = "ladder"
    change: Kind
    by: Fraction
    balance: Kind
    then: Kind | None = None
    hold: tuple[Held, ...] = ()
    focus: str
    first: str | None = None
    last: str | None = None


class Noise(_Goal):
    """What ISO does: a ladder of ISO by ``by`` stops, the exposure time balancing, aperture and focus held.

    ``first`` and ``last`` as in a ladder. [stops]
    """

    goal: Literal["noise"] = "noise"
    focus: str
    by: Fraction = Fraction(1)
    first: str | None = None
    last: str | None = None


class FocusBracket(_Goal):
    """Pictures at one setting, focused one behind the other from ``from_subject`` to ``to_subject``, to be merged.

    ``overlap``: share by which neighbouring sharp ranges overlap. ``aperture``: a mark; None: chosen.
    """

    goal: Literal["focus-bracket"] = "focus-bracket"
    from_subject: str
    to_subject: str
    overlap: float = 0.1
    aperture: str | None = None


Mistake = Literal["under", "over", "shaken", "misfocused", "motion"]


class Faults(_Goal):
    """Honest mistakes beside one right picture of ``subject``, each by a stated amount.

    ``by`` names the amounts that are not the usual ones. ``under`` and ``over`` [stops]; ``shaken``: times longer than
    the hand-held limit; ``misfocused`` and ``motion``: disc or smear of the subject in circles of confusion. [unitless]
    """

    goal: Literal["faults"] = "faults"
    subject: str
    show: tuple[Mistake, ...]
    by: dict[Mistake, float] = {}


class Perspective(_Goal):
    """``subject`` equally large at several focal lengths, the tripod moved for each. [mm]"""

    goal: Literal["perspective"] = "perspective"
    subject: str
    focal_lengths_mm: tuple[float, ...]


class PolariserPair(_Goal):
    """The same picture twice through a polariser, turned to let reflections through and to take them away."""

    goal: Literal["polariser"] = "polariser"
    focus: str


class Bracket(_Goal):
    """``count`` frames around the right brightness, ``by`` stops apart, made by changing one setting only."""

    goal: Literal["bracket"] = "bracket"
    change: Kind
    by: Fraction
    count: int
    focus: str


SkyEvent = Literal[
    "sunset",
    "sunrise",
    "solar noon",
    "civil twilight begins",
    "civil twilight ends",
    "nautical twilight begins",
    "nautical twilight ends",
    "astronomical twilight begins",
    "astronomical twilight ends",
    "moonrise",
    "moonset",
]
WhiteBalance = Literal["daylight", "cloudy", "tungsten", "as found", "auto"]
Record = Literal["JPEG", "RAW", "RAW and JPEG"]


class Moment(_Goal):
    """A time as a brief names it: an ``event`` of the sky and so many seconds after it, or a time of the ``clock``.

    ``clock``: hours and minutes of the local day, ``17:40``; ``date``: its day, None: the next such time. [s]
    """

    event: SkyEvent | None = None
    offset_s: float = 0.0
    clock: str | None = None
    date: str | None = None


class IntervalChange(_Goal):
    """From the first frame at or after ``at`` on, frames are ``interval_s`` apart. [s]"""

    at: Moment
    interval_s: float


class Timelapse(_Goal):
    """Frames at a steady interval while the light changes, for a film.

    ``start`` None: on command. Exactly one of ``end``, ``lasts_s``, ``frames`` and ``film_s`` (the film's length at
    ``rate`` frames a second) is told. ``aperture``: a mark, None: the widest; ``ring``: set by a ring, or held stopped
    down. ``longest_s``, ``stars`` (``500 rule``, or the pixels that a star may trail) and ``still`` (subjects that may
    not smear) limit the exposure time. ``darker``, ``darker_from`` and ``darker_over`` are the look of the night: how
    many stops, from which EV100 down, over how many stops of falling light. ``through``: filters worn all the time.
    [s], [stops]
    """

    goal: Literal["timelapse"] = "timelapse"
    focus: str
    interval_s: float
    changes: tuple[IntervalChange, ...] = ()
    start: Moment | None = None
    end: Moment | None = None
    lasts_s: float | None = None
    frames: int | None = None
    film_s: float | None = None
    rate: int = 25
    aperture: str | None = None
    ring: bool = False
    through: tuple[str, ...] = ()
    longest_s: float | None = None
    stars: Literal["500 rule"] | float | None = None
    still: tuple[str, ...] = ()
    iso_at_most: str | None = None
    darker: float = 2.0
    darker_from: float = 6.0
    darker_over: float = 12.0
    white_balance: WhiteBalance = "daylight"
    record: Record = "JPEG"


SingleGoal = Annotated[Freeze | Silk | Isolate | Deep, Field(discriminator="goal")]


class Compare(_Goal):
    """Single goals tied into one group; ``hold`` names what must be the same in all of them."""

    goal: Literal["compare"] = "compare"
    goals: tuple[SingleGoal, ...]
    hold: tuple[Held, ...] = ()


Goal = Annotated[
    Freeze
    | Silk
    | Isolate
    | Deep
    | Ladder
    | Noise
    | Bracket
    | FocusBracket
    | Faults
    | Perspective
    | PolariserPair
    | Compare
    | Timelapse,
    Field(discriminator="goal"),
]
ShownOn = Literal["full size", "projector", "A4 print"]


class Place(BaseModel):
    """Where the pictures are taken; latitude and longitude in degrees, north and east positive."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    latitude: float
    longitude: float
    timezone: str


class Limits(BaseModel):
    """Limits the photographer sets. ``iso_at_most`` is a mark, compared on the scale. ``spread`` in stops.

    ``flicker``: times that lamps on the mains make uneven are only named, or left out.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)

    iso_at_most: str | None = None
    spread: Fraction = Fraction(1, 6)
    flicker: Literal["name", "avoid"] = "name"


class Brief(BaseModel):
    """A whole brief, checked. ``source`` is the tree as written (strings, lists, mappings), kit file spliced in.

    ``shown_on``: where the pictures will be looked at, which sets the circle of confusion; None: the usual one.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    title: str
    place: Place | None = None
    when: datetime | None = None
    kit: Kit
    scene: Scene
    goals: tuple[Goal, ...]
    limits: Limits = Limits()
    shown_on: ShownOn | None = None
    source: dict[str, Any]
