"""The plan: a versioned, deterministic sequence of steps, as data.

Shapes here are a contract with the daemon, the pages and other programs: add fields, never change the meaning of one.
Numbers are written with nine significant digits, so that the same plan is the same bytes everywhere.
"""

from __future__ import annotations

import json
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, PlainSerializer, TypeAdapter, ValidationError

from plans.errors import BriefError, Complaint
from plans.stops import Kind, Mark, Series

PLAN_VERSION: Literal[1] = 1
_AGAIN = "Compile the brief again with this version of stopwright"


def nine_digits(value: float) -> float:
    """``value`` rounded to nine significant digits; minus zero becomes zero."""
    return float(f"{value:.9g}") + 0.0


Number = Annotated[float, PlainSerializer(nine_digits, return_type=float)]


def _is_none(value: Any) -> bool:
    return value is None


def _unset() -> Any:
    """A field that is left out of the JSON while it is None."""
    return Field(None, exclude_if=_is_none)


class _Shape(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class MarkValue(_Shape):
    """A mark with its exact value."""

    mark: str
    exact: Number


class FilterValue(_Shape):
    """A filter on the lens; ``stops`` of light it takes. ``turned``: how a polariser is turned, else None.

    ``least`` lets reflections through, ``most`` takes as many of them away as it can.
    """

    name: str
    stops: Number
    turned: Literal["least", "most"] | None = _unset()


class Focus(_Shape):
    """Where the lens is focused; ``subject`` is None when no subject stands there. [m]"""

    subject: str | None
    distance_m: Number


class Settings(_Shape):
    """One aperture, one time, one ISO, the filters, a focus.

    ``focal_length_mm`` is there only in a plan that changes it. [mm]
    """

    aperture: MarkValue
    time: MarkValue
    iso: MarkValue
    filters: tuple[FilterValue, ...] = ()
    focus: Focus
    focal_length_mm: Number | None = _unset()


class Predicted(_Shape):
    """What optics says of a frame. ``far_m`` is None for infinity; ``background_*`` is None without a background.

    ``background_disc_share`` counts against the frame's width, ``smear_share`` against its height. ``coc_mm`` is the
    circle of confusion that near and far were reckoned with, ``iso_above_base`` the ISO in stops above the lowest
    native one.
    """

    near_m: Number
    far_m: Number | None
    smear_mm: dict[str, Number] = {}
    smear_px: dict[str, Number] = {}
    background_disc_mm: Number | None = None
    background_disc_share: Number | None = None
    airy_mm: Number
    magnification: Number
    magnification_loss: Number
    smear_share: dict[str, Number] = {}
    coc_mm: Number | None = None
    iso_above_base: Number | None = None


class ExposeStep(_Shape):
    """One picture to take.

    ``intended_offset`` is how far from the metered brightness the picture is meant to lie (0 but in brackets, in
    mistakes made on purpose, and where the scene's intent says otherwise),
    ``offset`` how far its settings miss that: the picture comes out at ``intended_offset + offset`` against the
    metered one. Both in stops, positive when brighter.

    ``reference`` is the id of the step this one is compared with; it is its own reference when it is the one that
    others are compared with. ``held`` and ``changed`` name what truly is the same and what differs from the reference
    (aperture, time, iso, focus, filters); at the reference itself ``held`` is what the whole group shares.

    ``shaken``: a hand shakes the tripod while it is taken; None: nobody does.
    """

    id: str
    kind: Literal["expose"] = "expose"
    goal: str
    group: str
    reference: str
    held: tuple[str, ...]
    changed: tuple[str, ...]
    settings: Settings
    intended_offset: Number
    offset: Number
    predicted: Predicted
    criteria: tuple[str, ...] = ()
    caption: str
    cautions: tuple[str, ...] = ()
    shaken: Literal[True] | None = _unset()


class ControlStep(_Shape):
    """A control reading at fixed settings.

    ``purpose`` ``meter``: the first frame, which tells the light. ``check``: a frame after hands touched the rig, to be
    held against the frames before it in brightness, focus and framing.
    """

    id: str
    kind: Literal["control"] = "control"
    purpose: Literal["meter", "check"]
    settings: Settings
    predicted_ev100: Number
    text: str
    cautions: tuple[str, ...] = ()


class OperatorStep(_Shape):
    """Something that hands must do. ``focus`` and ``filters`` are the rig's state when it is done.

    ``compose``: set up and frame; ``focus``: turn the focus ring; ``filters``: put on or take off; ``turn``: turn the
    polariser; ``move``: another place and focal length, framed anew; ``shake``: shake the tripod in the next exposure;
    ``settle``: leave it alone again.
    """

    id: str
    kind: Literal["operator"] = "operator"
    action: Literal["compose", "focus", "filters", "turn", "move", "shake", "settle"]
    text: str
    why: str
    focus: Focus
    filters: tuple[FilterValue, ...] = ()
    focal_length_mm: Number | None = _unset()
    cautions: tuple[str, ...] = ()


class Rung(_Shape):
    """One place on a time-lapse's ladder of settings, with the ``light`` that all settings give together. [stops]

    Aperture, filters, magnification and measured corrections are in it: a frame's brightness is the light's EV100 plus
    ``light``.
    """

    time: MarkValue
    iso: MarkValue
    light: Number


class IntervalPart(_Shape):
    """Frames of one interval, from frame ``first`` (counted from 0), which is due ``at_s`` after the start. [s]

    ``rungs``: its ladder, from the fastest time at base ISO to the longest time at the highest ISO, each brighter than
    the one before; time rises first. ``longest_s``: what limited the time, before the scale did.
    """

    first: int
    at_s: Number
    interval_s: Number
    longest_s: Number
    rungs: tuple[Rung, ...]


class NightLook(_Shape):
    """How dark the night is wanted, as `plans.light_control.Look` has it. ``by_day``: the scene's intent. [stops]"""

    depth: Number
    begins_ev: Number
    span: Number
    by_day: Number


class LightPoint(_Shape):
    """The light expected ``at_s`` after the start, its range, and the rung for it. [s], [stops]

    ``sun_deg``, ``moon_deg``: altitudes. [degrees]
    """

    at_s: Number
    ev100: Number
    low: Number
    high: Number
    rung: int
    sun_deg: Number
    moon_deg: Number


class TimelapseStep(_Shape):
    """A time-lapse to run: all that running it needs, whatever the light does.

    ``start``: when frame 0 is due, in UTC (ISO 8601); None: on command. ``settings``: those of frame 0 as expected,
    the aperture, focus and filters for all frames. Frame k of a part is due at ``at_s + (k - first) * interval_s``.
    ``tuning``: the controller's figures (`plans.light_control.Tuning`). ``bracket``: offsets of the frames that tell
    the camera's tone curve, taken before the start in this order, each with the nearest rung [stops]. ``light``: what
    is expected, empty where nothing is known. ``sure_s``: gap kept between frames for reading out and settling. [s]
    """

    id: str
    kind: Literal["timelapse"] = "timelapse"
    goal: str
    start: str | None
    frames: int
    duration_s: Number
    parts: tuple[IntervalPart, ...]
    settings: Settings
    look: NightLook
    tuning: dict[str, Number]
    bracket: tuple[Number, ...]
    sure_s: Number
    white_balance: str
    record: str
    film_rate: int
    light: tuple[LightPoint, ...] = ()
    expects: tuple[str, ...] = ()
    criteria: tuple[str, ...] = ()
    caption: str
    cautions: tuple[str, ...] = ()


Step = Annotated[ExposeStep | ControlStep | OperatorStep | TimelapseStep, Field(discriminator="kind")]


class Unreachable(_Shape):
    """A goal that cannot be reached: why, in numbers, and what would help, best first."""

    goal: str
    reasons: tuple[str, ...]
    remedies: tuple[str, ...]


class GroupNote(_Shape):
    """What a group of frames compares.

    ``held`` is the same in all frames, ``changed`` is not. ``spread`` is the largest less the smallest ``offset`` by
    exact values [stops]; ``left_out`` names rungs not taken and why.
    """

    id: str
    title: str
    steps: tuple[str, ...]
    held: tuple[str, ...]
    changed: tuple[str, ...]
    spread: Number
    left_out: tuple[str, ...] = ()
    criteria: tuple[str, ...] = ()


class LightBasis(_Shape):
    """The light the plan counts on. ``origin``: the brief's own word, a metering frame, or a forecast from the sky.

    ``guess``: nothing is known, the metering frame decides. ``low`` and ``high`` bound a forecast. [stops]
    """

    ev100: Number
    origin: Literal["brief", "metered", "forecast", "guess"] = "brief"
    low: Number | None = _unset()
    high: Number | None = _unset()


class Rig(_Shape):
    """What hands have already done before the plan begins; None: nothing is known."""

    focus: Focus | None = None
    filters: tuple[FilterValue, ...] = ()
    metered: bool = False


class Inputs(_Shape):
    """All that the plan was made from, so that it can be made again. ``scales`` before the brief's limits."""

    brief: dict[str, Any]
    light: LightBasis
    rig: Rig = Rig()
    scales: dict[Kind, tuple[MarkValue, ...]]
    series: dict[Kind, Series] = {}


class Estimate(_Shape):
    """What the plan costs; ``exposure_s`` counts open shutter only, ``duration_s`` hands and readout too. [s]

    ``card_mb`` is the room its pictures take, ``battery_share`` the share of a full battery; None: the kit does not say
    enough. [MB], [unitless]
    """

    frames: int
    control_frames: int
    operator_actions: int
    exposure_s: Number
    duration_s: Number | None = _unset()
    card_mb: Number | None = _unset()
    battery_share: Number | None = _unset()


class Plan(_Shape):
    """The compiled plan. ``notes``: what is worth knowing and stands in nobody's way."""

    version: Literal[1] = PLAN_VERSION
    title: str
    inputs: Inputs
    groups: tuple[GroupNote, ...]
    steps: tuple[Step, ...]
    unreachable: tuple[Unreachable, ...] = ()
    estimate: Estimate
    cautions: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def exposing(self) -> tuple[ExposeStep, ...]:
        """The steps that take a picture, in order."""
        return tuple(step for step in self.steps if isinstance(step, ExposeStep))


def mark_value(mark: Mark) -> MarkValue:
    """A mark as plan data."""
    return MarkValue(mark=mark.label, exact=mark.exact)


def plan_json(plan: Plan) -> str:
    """The plan as JSON text: two-space indent, fields in the order of the models, a final newline."""
    return json.dumps(plan.model_dump(mode="json"), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def read_plan(text: str, name: str) -> Plan:
    """The plan in ``text``, as the logbook keeps it; ``name`` is where it is from, for complaints.

    A file that somebody hands in is read by `plans.plan_reading.read_given_plan`, which trusts it less.

    Raises
    ------
    BriefError
        If the text is no JSON, no plan, or a plan of another version.
    """

    def refused(field: str, found: str, allowed: str, line: int = 0, column: int = 0, before: str = "") -> BriefError:
        return BriefError([Complaint(name, line, column, field, found, allowed, before + _AGAIN)])

    try:
        tree = json.loads(text)
    except (json.JSONDecodeError, RecursionError) as error:
        line, column = getattr(error, "lineno", 0), getattr(error, "colno", 0)
        raise refused("plan", "text that is no JSON", "a plan as compile --json writes it", line, column) from None
    except ValueError:
        raise refused("plan", "a number of thousands of digits", "a plan as compile --json writes it") from None
    if not isinstance(tree, dict) or "version" not in tree:
        raise refused("version", "none", str(PLAN_VERSION), before="This is no plan. ")
    if tree["version"] != PLAN_VERSION:
        raise refused("version", repr(tree["version"])[:60], str(PLAN_VERSION))
    try:
        return TypeAdapter(Plan).validate_json(text)
    except ValidationError as error:
        raise BriefError(_complaints(error, name)) from None


def _complaints(error: ValidationError, name: str) -> list[Complaint]:
    from plans.yaml_tree import field_words, shorten  # late: a plan that is none is rare

    return [
        Complaint(name, 0, 0, field_words(one["loc"]), shorten(repr(one["input"])), shorten(one["msg"], 200), _AGAIN)
        for one in error.errors(include_url=False)[:100]
    ]
