"""The metering frame: what it should show, how the next one should differ, and the plan for the light as it is."""

from __future__ import annotations

import math

from daemon.metering import ASK_ABOVE, WHITE, Metered, Search, highlight_level, judge_light
from daemon.pictures.reading import Reading
from plans.exposure import HIGHLIGHT
from plans.kit import Kit
from plans.plan import ControlStep, MarkValue, Plan, Settings
from plans.stops import Kind, Scale

LONGEST_METERING = 10  # frames; moves of up to 4 stops cross every light there is


def settings_light(settings: Settings, kit: Kit) -> float:
    """Stops of image brightness that settings give, less what filters take and the focus costs. [stops] Source: APEX.

    What was measured on this kit's lens and shutter counts.
    """
    from plans.exposure import magnification_loss
    from plans.optics import magnification

    light = math.log2(settings.time.exact / settings.aperture.exact**2) + math.log2(settings.iso.exact / 100)
    light += kit.corrections.aperture.get(settings.aperture.mark, 0.0) + kit.corrections.time.get(
        settings.time.mark, 0.0
    )
    focal = settings.focal_length_mm or kit.lens.focal_length_mm
    loss = magnification_loss(magnification(focal, settings.focus.distance_m))
    return light - sum(item.stops for item in settings.filters) - loss


def expected_level(step: ControlStep, settings: Settings, kit: Kit) -> float:
    """Where a metering frame should lie against mid grey, were the light as planned. [stops]"""
    return step.predicted_ev100 + settings_light(settings, kit)


def moved(settings: Settings, stops: float, scales: dict[Kind, Scale]) -> Settings:
    """Settings that give about ``stops`` more light: by time first, then ISO, then aperture. [stops]

    At the end of every scale the settings that come nearest.
    """
    now: dict[Kind, MarkValue] = {"time": settings.time, "iso": settings.iso, "aperture": settings.aperture}
    left = stops
    for kind, value in list(now.items()):
        scale = scales[kind]
        mark = scale.nearest(value.exact)
        if mark is None or abs(left) < float(scale.step) / 2:
            continue
        goal = float(mark.light) + left
        best = min((abs(float(candidate.light) - goal), index) for index, candidate in enumerate(scale.marks))[1]
        chosen = scale.marks[best]
        left -= float(chosen.light - mark.light)
        now[kind] = MarkValue(mark=chosen.label, exact=chosen.exact)
    return settings.model_copy(update={"time": now["time"], "iso": now["iso"], "aperture": now["aperture"]})


def intent_of(plan: Plan) -> float:
    """How far above mid grey the pictures are to have what is metered; 0 in most scenes. [stops]"""
    from plans.compiler import scene_of

    return float(scene_of(plan).intent)


def lift_of(plan: Plan) -> float:
    """How much brighter than mid grey a plan has what its light lies on. [stops]"""
    from plans.compiler import situation_of

    return float(situation_of(plan).lift)


def on_brightest(intent: float) -> bool:
    """Whether an intent is for the brightest part of the picture alone, as with white water. [stops]"""
    return intent >= HIGHLIGHT


def burnt_out(reading: Reading, intent: float) -> float:
    """How far above white the lights of the brightest part come in pictures brighter than metered; 0 if below. [stops]

    What is placed by its brightest part keeps its lights.
    """
    if intent <= 0 or on_brightest(intent) or reading.bright_top_stops is None:
        return 0.0
    return max(0.0, reading.bright_top_stops - reading.level_stops + intent - WHITE)


def next_settings(
    search: Search, settings: Settings, reading: Reading, scales: dict[Kind, Scale], kit: Kit, intent: float = 0.0
) -> Settings | None:
    """Settings of the next metering frame, or None when this one can be believed or nothing further can be set.

    With an ``intent`` that is for the brightest part alone, that is metered, and must not be clipped. [stops]
    """
    level, clipped = reading.level_stops, False
    if on_brightest(intent) and reading.bright_stops is not None:
        level, clipped = reading.bright_stops, reading.bright_clipped
    stops = search.next_move(settings_light(settings, kit), level, clipped)
    if stops is None:
        return None
    target = moved(settings, stops, scales)
    return None if target == settings else target


def conclude(
    plan: Plan, step: ControlStep, settings: Settings, reading: Reading, kit: Kit, intent: float = 0.0
) -> Metered:
    """What the light is, from a metering frame that can be believed.

    With the ``intent`` of white water it is that on the brightest part, since this is what the intent places; less
    where the lights in its texture would clip. [stops]
    """
    level = reading.level_stops
    if on_brightest(intent) and reading.bright_stops is not None and reading.bright_top_stops is not None:
        level = highlight_level(reading.bright_stops, reading.bright_top_stops, intent)
    expected = expected_level(step, settings, kit)
    # Where the plan counts on the light of the whole scene, its brightest part is brighter by what is not lifted.
    brighter = float(intent) - lift_of(plan) if on_brightest(intent) else 0.0
    return judge_light(plan.inputs.light.ev100 + brighter, expected + brighter, level, ASK_ABOVE)
