"""``cameras`` and ``check``: what is connected, and what stands in the way."""

from __future__ import annotations

import sys
import tempfile
import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from daemon.camera.ports import port_for_people
from daemon.camera.verbs import CameraState
from daemon.commands.common import (
    camera_option,
    ends_well,
    json_option,
    place,
    plan_from,
    print_json,
    reachable_option,
    say,
)
from daemon.commands.shooting import plan_for_camera
from daemon.errors import CameraAbsent, CameraError, StopwrightError, UsageError
from daemon.streams import columns
from daemon.texts import demand_reachable, stand_in_scales
from plans.plan import Plan

if TYPE_CHECKING:
    from daemon.camera.doctor import Finding
    from daemon.rig.items import Item


@click.command()
@camera_option
@json_option
@ends_well
def cameras(camera_port: str | None, as_json: bool) -> None:
    """List what is connected and what can be set on it."""
    from daemon.camera.doctor import list_cameras
    from daemon.camera.supervisor import CameraProcess

    ports = [camera_port] if camera_port else [item["port"] for item in list_cameras()]
    if not ports:
        raise CameraAbsent(
            "No camera answers on USB. Switch it on, check the cable, set its USB mode to PTP; a camera on the network "
            "is named with --camera ptpip:IP. To practise without one, in the checkout: "
            ".venv/bin/python -m hardware_mocks"
        )
    listed: list[dict[str, Any]] = []
    for port in ports:
        with tempfile.TemporaryDirectory() as work:
            camera = CameraProcess(port, Path(work))
            try:
                listed.append(camera.state().model_dump(mode="json"))
            except CameraError as error:
                if len(ports) == 1:
                    raise
                listed.append({"port": port, "error": str(error)})
            finally:
                camera.close()
    if as_json:
        print_json({"cameras": listed})
        return
    for item in listed:
        if "error" in item:
            say(f"{item['port']}: {item['error']}")
        else:
            _show(CameraState.model_validate(item))


def _show(state: CameraState) -> None:
    say(f"{state.model} at {port_for_people(state.port)}")
    if state.battery is not None:
        say(f"  battery        {state.battery} %")
    if state.free_bytes is not None:
        say(f"  free on card   {state.free_bytes / 1e9:.1f} GB")
    for name, setting in state.settings.items():
        labels = setting.labels
        offered = f"{len(labels)} marks, {labels[0]} to {labels[-1]}" if len(labels) > 6 else ", ".join(labels)
        locked = "" if setting.writable else "  (cannot be set now)"
        say(f"  {name:<14} {setting.current:<12} {offered}{locked}"[:110])


@click.command()
@click.argument("path", metavar="[BRIEF|PLAN]", required=False, type=place)
@camera_option
@click.option("--dry", is_flag=True, help="Set and read back everything of the plan, without an exposure.")
@reachable_option
@json_option
@ends_well
def check(path: Path | None, camera_port: str | None, dry: bool, reachable: bool, as_json: bool) -> None:
    """Say what stands in the way of a run and what to do.

    A brief is compiled for the camera as shoot does it. Exit 4 when something stands in the way, 3 when goals cannot
    be reached.
    """
    from daemon.camera.doctor import check as examine
    from daemon.rig.items import rig_items

    if dry and path is None:
        raise UsageError("--dry: sets what a plan asks for; name the brief or plan: stopwright check BRIEF --dry")
    asked = _Asked(path, reachable)
    items: list[Item] = []

    def told(state: CameraState, plan: Plan | None) -> None:
        items.extend(rig_items(state, plan))

    fit = None if path is None else asked.fit
    with tempfile.TemporaryDirectory() as work:
        findings = examine(camera_port, asked.plan, dry, Path(work), fit=fit, told=told)
    stops = [finding for finding in findings if finding.level == "stops"]
    if as_json:
        tree: dict[str, Any] = {
            "ready": not stops,
            "findings": [finding.model_dump(mode="json") for finding in findings],
        }
        tree["rig"] = [item.model_dump(mode="json") for item in items]
        print_json(tree if asked.refused is None else tree | {"refused": asked.refused.as_json()})
    else:
        for finding in findings:
            _tell(finding)
        _tell_rig(items)
        say("\nReady to shoot." if not stops else f"\n{len(stops)} thing(s) stand in the way.")
    if stops:
        raise SystemExit(asked.refused.exit_code if asked.refused is not None else CameraError.exit_code)


class _Asked:
    """The plan that is checked, read as `shoot` reads it. ``refused``: why `shoot` would not begin with this camera.

    Raises
    ------
    BriefError, UsageError, PlanUnreachable
        If the file is wrong, or a goal out of reach whatever the camera.
    """

    def __init__(self, path: Path | None, reachable: bool):
        self._path, self._reachable = path, reachable
        self.plan = None if path is None else plan_from(path, stand_in_scales())
        self.refused: StopwrightError | None = None
        if self.plan is not None:
            demand_reachable(self.plan, reachable)

    def fit(self, state: CameraState) -> tuple[Plan, list[str]]:
        """The plan for the camera as it shows itself, and how its marks differ; raises what `shoot` would."""
        assert self._path is not None
        try:
            plan, differences = plan_for_camera(self._path, state)
            demand_reachable(plan, self._reachable)
        except StopwrightError as error:
            self.refused = error
            raise
        return plan, differences


def _tell_rig(items: Sequence[Item]) -> None:
    """What a run sets, and what it will ask for: nothing that stands in the way."""
    changes = [item for item in items if item.how == "set"]
    asked = [item for item in items if item.how == "asked"]
    if changes:
        say("\nA run sets, and puts back at its end:")
        for item in changes:
            say(f"  {item.item}: {item.label} (now {item.found})")
    if asked:
        say("\nNo camera, or not this one, tells the following; look yourself:")
        for item in asked:
            text = f"{item.item}: {item.todo}. {item.why}."
            say(textwrap.fill(text, columns(sys.stdout), initial_indent="  ", subsequent_indent="    "))


def _tell(finding: Finding) -> None:
    lines = [f"{finding.level.upper() if finding.allowed else finding.level:<7} {finding.what}: {finding.found}"]
    if finding.allowed:
        lines += [f"        allowed: {finding.allowed}", f"        do: {finding.todo}"]
    for line in lines:
        say(line)
