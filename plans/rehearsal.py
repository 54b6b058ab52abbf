"""What a plan costs in time, card and battery, before anybody goes out; and the plan in a few lines."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence

from plans.goals import words
from plans.hands import Action
from plans.kit import Body, Kit
from plans.plan import ControlStep, Estimate, ExposeStep, GroupNote, OperatorStep, Plan, Step, TimelapseStep
from plans.scene import Scene
from plans.step_words import group_name

WIDTH = 80
NOTHING = "There is nothing to shoot: none of the goals can be reached."

# Assumptions, to be replaced by what was measured: seconds that setting, reading out and writing to the card take for
# one frame, and how fast its file comes over the cable.
FRAME_S, COPY_MB_S = 2.0, 10.0
# Assumptions, for someone who has done it before and whose hands are not numb. [s]
HANDS_S: dict[Action, float] = {
    "compose": 300.0,
    "focus": 45.0,
    "filters": 60.0,
    "turn": 30.0,
    "move": 180.0,
    "shake": 10.0,
    "settle": 15.0,
}
_HANDS_WORDS: dict[Action, str] = {
    "compose": "setting up",
    "focus": "a focus",
    "filters": "a change of filters",
    "turn": "a turn of the polariser",
    "move": "a move to another place",
    "shake": "shaking the camera",
    "settle": "letting it come to rest",
}
# A 24-megapixel camera JPEG of 6.6 MB, as measured on a published picture; other scenes and makers differ.
JPEG_BYTES_A_PIXEL = 0.274
# CIPA DC-002, as summarised in articles (the standard itself was not read): the rating counts a picture every 30 s with
# the screen on, at 23 degrees. So a battery rated for 400 pictures lasts 400 x 30 s at that pace.
RATED_PACE_S = 30.0
COLD_FACTOR = 2.0  # common practice, no source
USABLE = 0.8


def frame_mb(body: Body) -> float:
    """Room that one picture takes on the card: the kit's figure, else that of a JPEG of so many pixels. [MB]"""
    width, height = body.sensor.pixels
    return body.frame_mb if body.frame_mb is not None else width * height * JPEG_BYTES_A_PIXEL / 1e6


def step_s(step: Step, body: Body) -> float:
    """Time that one step is assumed to take. [s]"""
    if isinstance(step, OperatorStep):
        return HANDS_S[step.action]
    if isinstance(step, TimelapseStep):
        return step.duration_s + step.parts[-1].interval_s
    return step.settings.time.exact + FRAME_S + frame_mb(body) / COPY_MB_S


# A 24-megapixel RAW of 14 bits a pixel, packed, takes 42 MB; compressed ones take less.
_RAW_BYTES_A_PIXEL = 14 / 8


def timelapse_mb(step: TimelapseStep, body: Body) -> float:
    """Room that a time-lapse takes on the card: the kit's figure a frame, else by what is recorded. [MB]"""
    each = frame_mb(body)
    if body.frame_mb is None and "RAW" in step.record:
        width, height = body.sensor.pixels
        each = width * height * _RAW_BYTES_A_PIXEL / 1e6 + (each if "JPEG" in step.record else 0.0)
    return (step.frames + len(step.bracket)) * each


def open_s(step: TimelapseStep) -> float:
    """How long the shutter of a time-lapse is open in all, by the light expected; without it by the first frame. [s]"""
    if not step.light:
        return step.frames * step.settings.time.exact
    part, total = 0, 0.0
    for point in step.light:
        while part + 1 < len(step.parts) and step.parts[part + 1].at_s <= point.at_s + 1e-6:
            part += 1
        total += step.parts[part].rungs[point.rung].time.exact
    return step.frames * total / len(step.light)


def estimate(steps: Sequence[Step], kit: Kit | None = None, scene: Scene | None = None) -> Estimate:
    """Counts of frames and operator actions, open shutter; with a kit duration, card and battery as well.

    Parameters
    ----------
    steps
        The plan's.
    kit
        None: nothing but counts and open shutter is told.
    scene
        Tells whether it is cold; None: it is not.

    Notes
    -----
    Duration and hands rest on the assumptions above. The battery's share is the larger of two: pictures over the
    rating, and duration over what the rating lasts at its own pace, because long exposures and waiting drain by time
    and not by shots.
    """
    exposing = [step for step in steps if isinstance(step, ExposeStep)]
    control = [step for step in steps if isinstance(step, ControlStep)]
    lapses = [step for step in steps if isinstance(step, TimelapseStep)]
    lapsed = sum(step.frames for step in lapses)
    shot = len(exposing) + len(control) + lapsed
    counts = Estimate(
        frames=len(exposing) + lapsed,
        control_frames=len(control),
        operator_actions=sum(isinstance(step, OperatorStep) for step in steps),
        exposure_s=sum(s.settings.time.exact for s in exposing)
        + sum(s.settings.time.exact for s in control)
        + sum(map(open_s, lapses)),
    )
    if kit is None:
        return counts
    duration = sum(step_s(step, kit.body) for step in steps)
    share = None
    if kit.body.battery_frames:
        share = max(shot, duration / RATED_PACE_S) / kit.body.battery_frames
        share *= COLD_FACTOR if scene is not None and scene.site.cold else 1.0
    card = (shot - lapsed) * frame_mb(kit.body) + sum(timelapse_mb(step, kit.body) for step in lapses)
    return counts.model_copy(update={"duration_s": duration, "card_mb": card, "battery_share": share})


def estimate_notes(steps: Sequence[Step], cost: Estimate, kit: Kit, scene: Scene) -> tuple[str, ...]:
    """What the estimate warns of, in sentences: a card too small, batteries to bring, exposures that run long."""
    notes: list[str] = []
    if not cost.frames:
        return ()
    if cost.card_mb is not None and kit.body.card_mb is not None and cost.card_mb > kit.body.card_mb:
        notes.append(
            f"The pictures take {megabytes(cost.card_mb)} and the card holds {megabytes(kit.body.card_mb)}: take a "
            "larger or a second card."
        )
    if cost.battery_share is not None and (more := spare_batteries(cost.battery_share)):
        cold = ", counted double in the cold (common practice, no source)" if scene.site.cold else ""
        spare = f"{more} spare batter{'y' if more == 1 else 'ies'}"
        notes.append(f"The plan takes {words.percent(cost.battery_share)} of a full battery{cold}: take {spare}.")
    elif cost.battery_share is not None and scene.site.cold:
        notes.append("The battery is counted double in the cold (common practice, no source).")
    times = [step.settings.time.exact for step in steps if not isinstance(step, OperatorStep)]
    if max(times, default=0.0) >= RATED_PACE_S:
        notes.append("Exposures this long drain the battery by time and not by the number of pictures.")
    if max(times, default=0.0) >= 1.0:
        long = sum(time for time in times if time >= 1.0)
        notes.append(
            f"If the camera reduces noise of long exposures with a second, dark frame, {minutes(long)} of waiting come "
            "on top (common practice, no source)."
        )
    return tuple(notes)


def spare_batteries(share: float) -> int:
    """Full batteries needed beside the first when a fifth of each is kept back; common practice, no source."""
    return max(math.ceil(share / USABLE - 1e-9) - 1, 0)


def minutes(value_s: float) -> str:
    """A duration for people: ``40 s``, ``11 min``, ``1 h 20 min``. [s]"""
    if value_s < 90:
        return f"{max(round(value_s), 1)} s"
    whole = round(value_s / 60)
    return f"{whole} min" if whole < 60 else f"{whole // 60} h {whole % 60} min".removesuffix(" 0 min")


def megabytes(value: float) -> str:
    """Room on a card for people: ``165 MB``, ``1.2 GB``. [MB]"""
    return f"{words.figures(value / 1000, 2)} GB" if value >= 1000 else f"{max(round(value), 1)} MB"


def to_bring(plan: Plan) -> tuple[str, ...]:
    """Names of the filters that the plan uses, in the order of use."""
    steps = (step for step in plan.steps if isinstance(step, ExposeStep | TimelapseStep))
    names = [item.name for step in steps for item in step.settings.filters]
    return tuple(dict.fromkeys(names))


def wrapped(text: str, indent: int = 0, width: int = WIDTH) -> list[str]:
    """Text in lines of at most ``width`` columns; what follows the first line is indented two further."""
    blank = " " * indent
    return textwrap.wrap(text, width, initial_indent=blank, subsequent_indent=blank + "  ", break_long_words=True)


def light_words(plan: Plan) -> str:
    """The light the plan counts on: ``EV 13, as the brief says``."""
    light = plan.inputs.light
    ev = words.ev(light.ev100, guessed=light.origin == "guess")
    if light.origin == "forecast":
        between = "" if light.low is None or light.high is None else f", from {light.low:.1f} to {light.high:.1f}"
        return f"{ev}, a forecast{between}"
    if light.origin == "guess":
        return f"{ev}, a guess until the metering frame tells"
    return f"{ev}, {'as metered' if light.origin == 'metered' else 'as the brief says'}"


def _count(group: GroupNote, frames: Sequence[ExposeStep]) -> str:
    """How many pictures a group has, and how their brightness lies."""
    if len(frames) == 1:
        return "1 picture"
    # What all pictures of a plan are meant to be brighter or darker is told once, of the plan.
    right = next((step for step in frames if step.id == step.reference), frames[0]).intended_offset
    intended = [step.intended_offset - right for step in frames]
    if max(intended) - min(intended) > 0.005:
        apart = f"from {_intended(min(intended))} to {_intended(max(intended))}"
    elif group.spread >= 0.005:
        apart = f"within {words.stops(group.spread)}"
    else:
        apart = "equally bright"
    return f"{len(frames)} pictures, {apart}"


def _intended(offset: float) -> str:
    """How far a picture is meant to lie from the right one of its group, in words."""
    if abs(offset) < 0.005:
        return "the right one"
    return f"{words.mixed(offset)} {'over' if offset > 0 else 'under'}"


def _settings(step: ExposeStep) -> str:
    """One picture's settings on one line."""
    s = step.settings
    marks = f"{s.aperture.mark:<7} {s.time.mark + ' s':<9} ISO {s.iso.mark:<6}"
    more = [item.name + (f" ({words.turned(item.turned)})" if item.turned else "") for item in s.filters]
    if s.focal_length_mm is not None:
        more.insert(0, f"{words.figures(s.focal_length_mm)} mm")
    return f"{marks} {' + '.join(more)}".rstrip()


def _row(step: ExposeStep) -> list[str]:
    """The same in the summary: what has no room beside the marks goes below them."""
    line = f"        {_settings(step)}"
    if len(line) <= WIDTH:
        return [line]
    space = "\N{NO-BREAK SPACE}"
    first, *more = line.strip().split(" + ")
    text = f" +{space}".join([first, *(item.replace(" ", space) if len(item) < WIDTH // 2 else item for item in more)])
    lines = textwrap.wrap(text, WIDTH, initial_indent=" " * 8, subsequent_indent=" " * 35, break_on_hyphens=False)
    return [part.replace(space, " ") for part in lines]


def _cost(plan: Plan) -> list[str]:
    """What the plan costs, as far as it is known."""
    cost = plan.estimate
    frames = f"{cost.frames} picture{'' if cost.frames == 1 else 's'}"
    purposes = [step.purpose for step in plan.steps if isinstance(step, ControlStep)]
    for purpose, name in (("meter", "metering"), ("check", "check")):
        if count := sum(found == purpose for found in purposes):
            frames += f", {count} {name} frame{'' if count == 1 else 's'}"
    hands = f"hands are needed {cost.operator_actions} time{'' if cost.operator_actions == 1 else 's'}"
    lines = wrapped(f"Cost: {frames}; {hands}; the shutter is open for {words.figures(cost.exposure_s, 2)} s in all.")
    if cost.duration_s is not None:
        actions = dict.fromkeys(step.action for step in plan.steps if isinstance(step, OperatorStep))
        parts = [f"{minutes(HANDS_S[action])} for {_HANDS_WORDS[action]}" for action in actions]
        assumed = f" This assumes {words.listed(parts)}." if parts else ""
        lines += wrapped(f"Time: about {minutes(cost.duration_s)}.{assumed}")
    if cost.card_mb is not None:
        lines += wrapped(f"Card: about {megabytes(cost.card_mb)}.")
    if cost.battery_share is not None:
        lines += wrapped(
            f"Battery: about {words.percent(cost.battery_share)} of a full one. This assumes that it is full, and "
            f"lasts for as many frames as the kit names, one every {RATED_PACE_S:g} s, as makers rate it: whichever of "
            "frames and time runs out first."
        )
    return lines


def summary(plan: Plan) -> str:
    """The plan in a few lines: light, cost, bag, groups, what cannot be reached. At most 80 columns."""
    lines = wrapped(plan.title)
    lines += wrapped(f"Light: {light_words(plan)}.")
    if plan.exposing:
        lines += _cost(plan)
        lines += wrapped(f"In the bag: {words.listed(to_bring(plan)) or 'no filter is needed'}.")
    else:
        lines += wrapped(NOTHING)
    steps = {step.id: step for step in plan.exposing}
    for group in plan.groups:
        frames_of = [steps[name] for name in group.steps]
        lines += wrapped(f"{group_name(group)}: {_count(group, frames_of)}", 2)
        lines += [line for step in frames_of for line in _row(step)]
        for note in group.left_out:
            lines += wrapped(note, 6)
    for lapse in plan.steps:
        if isinstance(lapse, TimelapseStep):
            lines += wrapped(f"{lapse.id}  {lapse.goal}, {lapse.settings.aperture.mark}", 2)
            for text in lapse.expects:
                lines += wrapped(text, 6)
    for item in plan.unreachable:
        lines += wrapped(f"NOT REACHABLE  {item.goal}", 2)
        for reason in item.reasons:
            lines += wrapped(f"because {reason}", 6)
        for remedy in item.remedies:
            lines += wrapped(f"what would help: {remedy}", 6)
    for note in plan.notes:
        lines += wrapped(f"Note: {note}")
    for caution in plan.cautions:
        lines += wrapped(f"CAUTION  {caution}")
    return "\n".join(lines) + "\n"
