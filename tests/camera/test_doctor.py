"""What stands in the way of a run: told from trees that look like /proc and /sys, and from the simulated camera."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from support_camera import mark, plan_of, setting, simulator, state, vusb_environment

from daemon.camera import doctor
from daemon.camera.devices import Machine
from daemon.camera.doctor import Finding, check, list_cameras, look_at_state
from daemon.camera.supervisor import CameraProcess
from daemon.camera.verbs import CameraState, SettingState
from daemon.errors import CameraHeld, UsageError
from hardware_mocks.server import Simulator
from plans.plan import ControlStep, ExposeStep, Plan, read_plan

GOLDEN = Path(__file__).parents[1] / "golden" / "demo_plan.json"
PORT = "usb:001,004"


# -- the machine ------------------------------------------------------------------------------------------------------


class Tree:
    """A machine with one camera at usb:001,004 that nobody holds."""

    def __init__(self, root: Path):
        self.machine = Machine(root / "proc", root / "sys", root / "dev")
        self.node = root / "dev" / "bus" / "usb" / "001" / "004"
        self.node.parent.mkdir(parents=True)
        self.node.touch()
        self.device = root / "sys" / "bus" / "usb" / "devices" / "1-2"
        (self.device / "1-2:1.0").mkdir(parents=True)
        (self.device / "1-2:1.0" / "bInterfaceClass").write_text("06\n")
        told = {"busnum": "1", "devnum": "4", "idVendor": "1234", "idProduct": "abcd", "product": "Body A"}
        for name, text in told.items():
            (self.device / name).write_text(text + "\n")
        self.process(200, "shell", "/dev/tty1")

    def process(self, pid: int, name: str, *opened: str) -> None:
        folder = self.machine.proc / str(pid)
        (folder / "fd").mkdir(parents=True)
        (folder / "comm").write_text(name + "\n")
        for number, path in enumerate(opened):
            (folder / "fd" / str(number)).symlink_to(path)


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    return Tree(tmp_path)


def test_a_camera_that_nobody_holds_has_nothing_in_its_way(tree: Tree) -> None:
    assert tree.machine.obstacle(PORT) is None
    [device] = tree.machine.cameras()
    assert (device.port, device.name, device.vendor, device.product) == (PORT, "Body A", "1234", "abcd")


def test_a_device_of_another_class_is_no_camera(tree: Tree) -> None:
    (tree.device / "1-2:1.0" / "bInterfaceClass").write_text("08\n")
    assert tree.machine.cameras() == []


def test_the_program_that_holds_the_camera_is_named_with_how_to_release_it(tree: Tree) -> None:
    tree.process(4242, "picture-shop", "/dev/null", str(tree.node))
    obstacle = tree.machine.obstacle(PORT)
    assert obstacle is not None
    assert "picture-shop (process 4242)" in obstacle
    assert "kill 4242" in obstacle
    assert tree.machine.obstacle("usb:001,005") is None, "it holds another camera"
    assert tree.machine.obstacle(PORT, ours=frozenset({4242})) is None


def test_the_desktops_volume_monitor_is_stopped_by_its_service(tree: Tree) -> None:
    tree.process(77, "gvfs-gphoto2-vo", str(tree.node))
    assert "systemctl --user stop gvfs-gphoto2-volume-monitor" in (tree.machine.obstacle(PORT) or "")


def test_processes_of_others_that_may_not_be_looked_at_are_passed_over(tree: Tree) -> None:
    (tree.machine.proc / "300").mkdir()
    (tree.machine.proc / "self").symlink_to("200")
    assert tree.machine.holders(PORT) == []


def test_a_missing_right_comes_with_the_rule_that_gives_it(tree: Tree, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "access", lambda path, mode: str(path) != str(tree.node))
    obstacle = tree.machine.obstacle(PORT)
    assert obstacle is not None
    rule = (
        'SUBSYSTEM=="usb", ENV{DEVTYPE}=="usb_device", ATTR{idVendor}=="1234", ATTR{idProduct}=="abcd", TAG+="uaccess"'
    )
    assert rule in obstacle
    assert "/etc/udev/rules.d/70-" in obstacle, "uaccess works only before 73-seat-late.rules"


def test_a_camera_that_cannot_be_opened_is_held_when_the_machine_knows_by_whom(tree: Tree, tmp_path: Path) -> None:
    tree.process(4242, "picture-shop", str(tree.node))
    camera = CameraProcess(PORT, tmp_path / "work", environment={"IOLIBS": str(tmp_path)}, machine=tree.machine)
    with camera, pytest.raises(CameraHeld, match="picture-shop"):
        camera.open()
    nobody_named = CameraProcess(None, tmp_path / "work", environment={"IOLIBS": str(tmp_path)}, machine=tree.machine)
    with nobody_named, pytest.raises(CameraHeld, match="picture-shop"):
        nobody_named.open()


# -- cameras and check ------------------------------------------------------------------------------------------------


def level(findings: list[Finding], what: str) -> str:
    return next(finding.level for finding in findings if finding.what == what)


def test_cameras_on_usb_are_listed_without_being_opened(tmp_path: Path) -> None:
    [found] = list_cameras(environment=vusb_environment(tmp_path / "card"))
    assert found["port"] == "usb:001,001"
    assert found["model"]
    assert list_cameras(environment={"IOLIBS": str(tmp_path)}) == []


def test_no_camera_stops_everything_and_names_what_else_is_on_the_bus(tree: Tree, tmp_path: Path) -> None:
    found = check(None, environment={"IOLIBS": str(tmp_path)}, machine=tree.machine)
    assert [finding.level for finding in found] == ["stops"]
    assert "Body A at usb:001,004" in found[0].found
    assert found[0].todo


def test_a_held_camera_stops_everything_and_names_the_holder(tree: Tree, tmp_path: Path) -> None:
    tree.process(4242, "picture-shop", str(tree.node))
    [finding] = check(PORT, environment={"IOLIBS": str(tmp_path)}, machine=tree.machine)
    assert finding.level == "stops"
    assert "picture-shop" in finding.found


def test_a_dry_run_without_a_plan_is_refused() -> None:
    with pytest.raises(UsageError, match="found no plan"):
        check(None, dry=True)


# -- what a state says ------------------------------------------------------------------------------------------------


def body(*others: SettingState, mode: str = "M", writable: bool = True, **more: Any) -> CameraState:
    return state(
        setting("mode", "M P A S", mode),
        setting("aperture", "f/8 f/11"),
        setting("time", "1/60 1/125", writable=writable),
        setting("iso", "100 200"),
        *others,
        **more,
    )


def test_a_camera_that_is_set_right_has_only_fine_findings() -> None:
    findings = look_at_state(
        body(
            setting("focus_mode", "Manual AF-S"),
            setting("white_balance", "Daylight Auto"),
            setting("exposure_bias", "0 0.3"),
            setting("capture_target", ["Memory card", "Internal RAM"]),
        )
    )
    assert {finding.level for finding in findings} == {"fine"}
    assert len(findings) == 7


def test_a_wrong_dial_stops_and_names_the_dial() -> None:
    findings = look_at_state(body(mode="A", writable=False))
    assert level(findings, "mode dial") == "stops"
    assert level(findings, "time") == "stops"
    assert level(findings, "aperture") == "fine"
    assert all("M" in finding.todo for finding in findings if finding.level == "stops")


@pytest.mark.parametrize(
    ("spoiler", "what"),
    [
        (setting("focus_mode", "AF-S Manual"), "focus"),
        (setting("white_balance", "Automatic Daylight"), "white balance"),
        (setting("exposure_bias", "0 0.3", "0.3"), "exposure bias"),
        (setting("iso", "Auto 100 200"), "automatic ISO"),
        (setting("iso_auto", "On Off"), "automatic ISO"),
    ],
)
def test_what_spoils_a_comparison_is_found(spoiler: SettingState, what: str) -> None:
    findings = look_at_state(body(spoiler))
    assert level(findings, what) == "spoils"
    assert next(finding.todo for finding in findings if finding.what == what)
    assert sum(finding.level != "fine" for finding in findings) == 1


def test_pictures_in_memory_alone_stop() -> None:
    assert level(look_at_state(body(setting("capture_target", ["sdram"]))), "pictures") == "stops"


class Shown:
    """A camera that shows a state and takes everything it is told."""

    def __init__(self, shown: CameraState):
        self.shown = shown

    def state(self) -> CameraState:
        return self.shown


def combinations(plan: Plan) -> set[tuple[str, str, str]]:
    """The different apertures, times and ISOs that a plan exposes with."""
    settings = [step.settings for step in plan.steps if isinstance(step, ExposeStep | ControlStep)]
    return {(item.aperture.mark, item.time.mark, item.iso.mark) for item in settings}


def small_plan() -> Plan:
    return plan_of(
        (mark("aperture", "thirds", "f/8"), mark("time", "thirds", "1/125"), mark("iso", "thirds", "100")),
        (mark("aperture", "thirds", "f/11"), mark("time", "thirds", "1/60"), mark("iso", "thirds", "100")),
        (mark("aperture", "thirds", "f/8"), mark("time", "thirds", "1/125"), mark("iso", "thirds", "100")),
    )


@pytest.mark.parametrize(("percent", "expected"), [(5, "stops"), (20, "spoils"), (80, "fine")])
def test_the_battery_is_judged(percent: int, expected: str) -> None:
    assert level(check(None, camera=Shown(body(battery=percent))), "battery") == expected  # type: ignore[arg-type]


def test_the_card_must_hold_the_plan_and_raw_takes_more() -> None:
    def room(free: float, image_format: str) -> str:
        shown = body(setting("image_format", [image_format]), free_bytes=int(free))
        return level(check(None, small_plan(), camera=Shown(shown)), "card")  # type: ignore[arg-type]

    # Three frames of 24 megapixels at about 17 MB as JPEG, 65 MB as a pair.
    assert [room(free, "JPEG Fine") for free in (60e6, 40e6, 10e6)] == ["fine", "spoils", "stops"]
    assert [room(free, "NEF+Fine") for free in (250e6, 150e6, 40e6)] == ["fine", "spoils", "stops"]


def test_marks_that_the_camera_lacks_stop_each_by_itself() -> None:
    findings = check(None, read_plan(GOLDEN.read_text(), "demo plan"), camera=Shown(body()))  # type: ignore[arg-type]
    missing = [finding for finding in findings if finding.what == "marks"]
    assert len(missing) > 3
    assert {finding.level for finding in missing} == {"stops"}


# -- the simulated camera ---------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def running() -> Iterator[Simulator]:
    with simulator() as started:
        yield started


@pytest.fixture
def hands(running: Simulator) -> Iterator[Callable[[dict[str, Any]], dict[str, Any]]]:
    ask = running.worked().ask
    yield ask
    ask({"do": "dial", "to": "M"})
    ask({"do": "calm"})


def test_the_simulated_camera_is_ready_and_a_turned_dial_is_not(
    running: Simulator, hands: Callable[[dict[str, Any]], dict[str, Any]]
) -> None:
    assert {finding.level for finding in check(running.camera)} == {"fine"}
    hands({"do": "dial", "to": "A"})
    findings = check(running.camera)
    assert level(findings, "mode dial") == "stops"
    assert level(findings, "time") == "stops"


def test_a_dry_run_sets_every_combination_exposes_nothing_and_puts_all_back(
    running: Simulator, hands: Callable[[dict[str, Any]], dict[str, Any]], tmp_path: Path
) -> None:
    plan = read_plan(GOLDEN.read_text(), "demo plan")
    before = hands({"ask": "state"})["state"]
    findings = check(running.camera, plan, dry=True, work=tmp_path)
    after = hands({"ask": "state"})["state"]
    # The small pictures of this camera are noted, as they should be: the plan's kit says 24 million pixels.
    assert {finding.what for finding in findings if finding.level != "fine"} == {"picture size"}
    tried, _, total, *_ = next(finding.found for finding in findings if finding.what == "dry run").split()
    assert tried == total == str(len(combinations(plan)))
    assert after["settings"] == before["settings"]
    assert after["exposures"] == before["exposures"]


def test_a_dry_run_finds_the_one_setting_that_is_refused(
    running: Simulator, hands: Callable[[dict[str, Any]], dict[str, Any]]
) -> None:
    hands({"do": "fault", "line": {"fault": "refuse", "verb": "set", "setting": "time", "reason": "denied"}})
    before = hands({"ask": "state"})["state"]["settings"]
    findings = check(running.camera, small_plan(), dry=True)
    stops = [finding for finding in findings if finding.level == "stops"]
    assert stops[0].what == "dry run"
    assert "time: asked for 1/" in stops[0].found
    assert "0 of 2 combinations" in stops[1].found or "1 of 2 combinations" in stops[1].found
    assert hands({"ask": "state"})["state"]["settings"] == before


def test_a_finding_reads_as_a_sentence_and_as_data() -> None:
    finding = doctor.Finding(level="stops", what="mode dial", found="P", allowed="M", todo="Turn it to M")
    assert str(finding) == "stops: mode dial: found P; allowed: M. Turn it to M"
    assert finding.model_dump(mode="json")["todo"] == "Turn it to M"
