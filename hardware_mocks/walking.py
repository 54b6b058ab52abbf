"""A dry walk: every step of a plan done on the simulated camera but for opening the shutter.

The camera is set up with the kit's own scales. Each picture's settings are bound to its labels, told to it and read
back; focus and filters are held against what the hands of the steps before left on the rig.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from daemon.camera.binding import bind
from daemon.errors import CameraError
from daemon.rehearsing import HandsAt, Walked
from hardware_mocks.camera import GardenCamera
from hardware_mocks.card import Card
from hardware_mocks.flat import FlatRenderer
from hardware_mocks.inprocess import InProcessCamera
from hardware_mocks.marks import DialMark
from hardware_mocks.scales import Scales
from hardware_mocks.shot import Optics
from plans.brief import Brief
from plans.plan import ControlStep, ExposeStep, FilterValue, MarkValue, OperatorStep, Plan, Rig, Settings
from plans.rehearsal import step_s

_SAME_PLACE = 1e-6  # [m]


def dial_mark(value: MarkValue, raw: int) -> DialMark:
    """A mark of a plan as one on the camera's dial."""
    return DialMark(value.mark, raw, value.exact, (round(value.exact * 1_000_000), 1_000_000))


def kit_scales(plan: Plan) -> Scales:
    """The scales that a plan was made with, as dials of the simulated camera."""
    return Scales(
        marks={
            kind: tuple(dial_mark(value, raw) for raw, value in enumerate(plan.inputs.scales[kind], 1))
            for kind in ("aperture", "time", "iso")
        }
    )


def walk(plan: Plan, brief: Brief) -> Walked:
    """Walk a plan on a camera with its kit's scales. What does not fit is told in ``wrong``, never raised."""
    with tempfile.TemporaryDirectory(prefix="garden-card-", ignore_cleanup_errors=True) as folder:
        core = GardenCamera(Card(Path(folder)), FlatRenderer(), optics=Optics(size=(96, 64)), scales=kit_scales(plan))
        camera = InProcessCamera(core)
        try:
            return _walked(plan, brief, camera)
        finally:
            camera.close()


def _walked(plan: Plan, brief: Brief, camera: InProcessCamera) -> Walked:
    try:
        binding = bind(plan, camera.state())
    except CameraError as error:
        return Walked(0, 0, (), 0.0, wrong=(str(error),))
    rig, by_hand = plan.inputs.rig, brief.kit.lens.focus_by == "hand"
    now, settings, held = 0.0, 0, 0
    hands: list[HandsAt] = []
    wrong: list[str] = []
    longest = brief.kit.body.bulb_above_s
    for step in plan.steps:
        if isinstance(step, OperatorStep):
            hands.append(HandsAt(step.id, now, step.text))
            rig = Rig(focus=step.focus, filters=step.filters)
        elif isinstance(step, ExposeStep | ControlStep):
            try:
                settings += len(
                    camera.apply({str(name): label for name, label in binding.labels(step.settings).items()})
                )
            except CameraError as error:
                wrong.append(f"{step.id}: {error}")
            wrong += [f"{step.id}: {text}" for text in _unlike(step.settings, rig, by_hand)]
            held += longest is not None and step.settings.time.exact > longest * 1.01
        now += step_s(step, brief.kit.body)
    return Walked(len(plan.steps), settings, tuple(hands), now, held, tuple(wrong))


def _unlike(settings: Settings, rig: Rig, by_hand: bool) -> list[str]:
    """Where settings want another rig than hands left."""
    found = []
    if _filters(settings.filters) != _filters(rig.filters):
        found.append(f"wants {_filters(settings.filters)}, but hands left {_filters(rig.filters)} on the lens")
    if by_hand and rig.focus is not None and abs(settings.focus.distance_m - rig.focus.distance_m) > _SAME_PLACE:
        found.append(
            f"wants the focus at {settings.focus.distance_m:g} m, but hands left it at {rig.focus.distance_m:g} m"
        )
    return found


def _filters(filters: tuple[FilterValue, ...]) -> str:
    return " + ".join(sorted(item.name for item in filters)) or "no filter"
