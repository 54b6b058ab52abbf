"""What to mind while a time-lapse runs: the dark, thunder, dew, the sun in the frame, the tide."""

from __future__ import annotations

from plans import light, light_frame
from plans.ephemeris import Body
from plans.goals.timelapse_words import Seen, duration
from plans.sky import is_up

# Usual cautions; local rules, signs and wardens prevail. Thunder: NOAA. The others are common practice, no source.
ALONE = (
    "The run goes on into the dark: tell someone where you are and when you are back, keep a torch on you, stay warm "
    "and dry, and go home when you feel unwell or unsafe. The camera can be left; you cannot be replaced."
)
AT_NIGHT = (
    "The run goes on in the dark: stay warm and dry yourself, and go home when you feel unwell or unsafe. The camera "
    "can be left; you cannot be replaced."
)
THUNDER = (
    "No place outdoors is safe in a thunderstorm, and a tripod is tall metal: at the first thunder leave it, go into a "
    "house or a closed car, and come back half an hour after the last."
)
DEW = (
    "On a clear, still night the lens cools below the air and dew settles on it: put a hood and a lens warmer on "
    "before dusk, and look at its front now and then. Pictures that lose detail are told of during the run."
)
UNATTENDED = (
    "Weight the tripod, tape the focus ring and lay the leads where nobody trips; stay beside what can be taken away. "
    "Ask for permission where the place wants it."
)


def cautions(seen: Seen) -> tuple[str, ...]:
    """Cautions of this run; those of the place are put beside them elsewhere."""
    found = [UNATTENDED]
    found += _sun(seen)
    night = [point for point in seen.points if point.sun_deg < -6]
    if night or seen.situation.ev100 < 0:
        dark = seen.situation.ev100 < 0 or seen.points[0].sun_deg < -6  # then setting up has told the rest
        found.append(AT_NIGHT if dark else ALONE)
        found.append(DEW)
    if seen.when.duration_s >= 1800:
        found.append(THUNDER)
    found += _tide(seen)
    return tuple(found)


def _sun(seen: Seen) -> list[str]:
    """The sun in the frame, or near it, at any time of the run."""
    place, start, facing = seen.situation.place, seen.when.start, seen.situation.scene.facing_deg
    if place is None or start is None:
        return []
    up = [point for point in seen.points if is_up(Body(point.sun_deg, 0.0))]
    if not up:
        return []
    if facing is None:
        return [
            "The sun is up for a part of the run, and the brief does not say whither the camera looks. "
            f"{light_frame.CAUTION}"
        ]
    from plans import ephemeris

    sensor, focal = seen.situation.kit.body.sensor, seen.situation.focal_mm
    wide, high = (light_frame.field_deg(size, focal) for size in (sensor.width_mm, sensor.height_mm))
    near = [
        (light_frame.sun_in_frame(
            ephemeris.sun(place.latitude, place.longitude, light.later(start, point.at_s)), facing, wide, high
        ).from_frame_deg, point)
        for point in up
    ]  # fmt: skip
    close = [(deg, point) for deg, point in near if deg <= light_frame.NEAR_DEG]
    if not close:
        return []
    least = min(deg for deg, _ in close)
    times = f"from {seen.clock(close[0][1].at_s)} to {seen.clock(close[-1][1].at_s)}"
    where = "stands in the frame" if least == 0 else f"comes within {least:.0f} degrees of the frame"
    return [f"The sun {where} ({times}). {light_frame.CAUTION}"]


def _tide(seen: Seen) -> list[str]:
    site, start, end = seen.situation.scene.site, seen.when.start, seen.when.end
    if "coast" not in site.near:
        return []
    high = f"High water is at {site.high_water}. " if site.high_water else ""
    leave = f"Leave by {site.leave_by}, with the camera, whatever is not yet shot. " if site.leave_by else ""
    if site.leave_by and start is not None and end is not None:
        hour, minute = (int(part) for part in site.leave_by.split(":"))
        by = start.replace(hour=hour, minute=minute, second=0, microsecond=0)
        by = by if light.elapsed_s(start, by) >= 0 else light.later(by, 86400)
        if light.elapsed_s(by, end) > 0:
            leave += f"The run would end at {end:%H:%M}, after that: end it earlier. "
    return [
        f"The run lasts {duration(seen.when.duration_s)}, and the tide turns in about six hours: the place where the "
        f"tripod stands may be under water before it ends. {high}{leave}".rstrip()
    ]
