"""``cameras`` and ``check``: what is connected, and what stands in the way."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

import click

from daemon.camera.ports import port_for_people
from daemon.camera.verbs import CameraState
from daemon.commands.common import camera_option, ends_well, json_option, plan_with_camera, print_json, say
from daemon.errors import CameraAbsent, CameraError


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
@click.argument("path", metavar="[BRIEF|PLAN]", required=False, type=click.Path(path_type=Path))
@camera_option
@click.option("--dry", is_flag=True, help="Set and read back everything of the plan, without an exposure.")
@json_option
@ends_well
def check(path: Path | None, camera_port: str | None, dry: bool, as_json: bool) -> None:
    """Say what stands in the way of a run and what to do; exit 4 when something does."""
    from daemon.camera.doctor import check as examine
    from daemon.errors import UsageError

    if dry and path is None:
        raise UsageError("--dry: sets what a plan asks for; name the brief or plan: stopwright check BRIEF --dry")
    plan = plan_with_camera(path, camera_port) if path is not None else None
    with tempfile.TemporaryDirectory() as work:
        findings = examine(camera_port, plan, dry, Path(work))
    stops = [finding for finding in findings if finding.level == "stops"]
    if as_json:
        print_json({"ready": not stops, "findings": [finding.model_dump(mode="json") for finding in findings]})
    else:
        words = {"stops": "STOPS", "spoils": "SPOILS", "fine": "fine"}
        for finding in findings:
            say(f"{words[finding.level]:<7} {finding.what}: {finding.found}")
            if finding.level != "fine":
                say(f"        allowed: {finding.allowed}")
                say(f"        do: {finding.todo}")
        say("\nReady to shoot." if not stops else f"\n{len(stops)} thing(s) stand in the way.")
    if stops:
        raise SystemExit(CameraError.exit_code)
