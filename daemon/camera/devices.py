"""What Linux knows of USB devices: who holds one, who may open it, and which look like cameras.

Reads /proc and /sys only; both roots can be given, so that tests bring trees of their own.
"""

from __future__ import annotations

import os
import re
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

_STILL_IMAGE = "06"  # USB interface class of cameras that speak PTP. Source: USB-IF class codes

# Programs that take every camera by themselves, and how to make them let go.
_KNOWN_HOLDERS = {
    "gvfs-gphoto2-vo": "the desktop's volume monitor. Release it with:"
    " systemctl --user stop gvfs-gphoto2-volume-monitor (and unmount the camera in the file manager)",
    "gvfsd-gphoto2": "the desktop's file manager. Unmount the camera there, or: gio mount -s gphoto2",
    "kiod5": "the desktop's file manager. Close its window on the camera",
    "kiod6": "the desktop's file manager. Close its window on the camera",
}


@dataclass(frozen=True)
class Holder:
    """A process that has a device open."""

    pid: int
    name: str

    @property
    def release(self) -> str:
        """Who that is and how to make it let go."""
        known = _KNOWN_HOLDERS.get(self.name)
        if known:
            return f"{self.name} (process {self.pid}) has it: {known}."
        return f"{self.name} (process {self.pid}) has it. Close that program, or end it with: kill {self.pid}"


@dataclass(frozen=True)
class UsbDevice:
    """A USB device with an interface of the class that cameras use."""

    bus: int
    number: int
    vendor: str
    product: str
    name: str

    @property
    def port(self) -> str:
        """The port as the camera library names it."""
        return f"usb:{self.bus:03d},{self.number:03d}"


@dataclass(frozen=True)
class Machine:
    """Where to look. The defaults are the real machine's."""

    proc: Path = Path("/proc")
    sys: Path = Path("/sys")
    dev: Path = Path("/dev")

    def node(self, port: str) -> Path | None:
        """The device file behind ``usb:BUS,DEVICE``; None for any other port."""
        match = re.fullmatch(r"usb:(\d{1,3}),(\d{1,3})", port)
        return self.dev / "bus" / "usb" / f"{int(match[1]):03d}" / f"{int(match[2]):03d}" if match else None

    def holders(self, port: str, ours: frozenset[int] = frozenset()) -> list[Holder]:
        """Processes that have the device open, as far as this user may see; ``ours`` are left out."""
        node = self.node(port)
        if node is None:
            return []
        found = []
        for folder in sorted(self.proc.glob("[0-9]*"), key=lambda path: int(path.name)):
            pid = int(folder.name)
            if pid in ours:
                continue
            with suppress(OSError):
                if any(self._points_to(link, node) for link in (folder / "fd").iterdir()):
                    found.append(Holder(pid, (folder / "comm").read_text().strip() or "a program"))
        return found

    @staticmethod
    def _points_to(link: Path, node: Path) -> bool:
        try:
            return str(link.readlink()) == str(node)
        except OSError:
            return False

    def cameras(self) -> list[UsbDevice]:
        """Every USB device with a still-image interface, whether or not the camera library knows it."""
        found = []
        for device in sorted((self.sys / "bus" / "usb" / "devices").glob("*")):
            classes = [self._read(path) for path in device.glob("*:*/bInterfaceClass")]
            if _STILL_IMAGE not in classes:
                continue
            with suppress(ValueError):
                found.append(
                    UsbDevice(
                        int(self._read(device / "busnum")),
                        int(self._read(device / "devnum")),
                        self._read(device / "idVendor"),
                        self._read(device / "idProduct"),
                        " ".join(filter(None, (self._read(device / "manufacturer"), self._read(device / "product"))))
                        or "a camera without a name",
                    )
                )
        return found

    @staticmethod
    def _read(path: Path) -> str:
        try:
            return path.read_text(errors="replace").strip()
        except OSError:
            return ""

    def may_open(self, port: str) -> bool | None:
        """Whether this user may open the device; None when there is no such device file."""
        node = self.node(port)
        if node is None or not node.exists():
            return None
        return os.access(node, os.R_OK | os.W_OK)

    def rule(self, port: str) -> str:
        """The udev rule that gives whoever sits at the machine the right to open this camera, and how to install it.

        Source: systemd's uaccess tag, which must be set before 73-seat-late.rules.
        """
        device = next((device for device in self.cameras() if device.port == port), None)
        match = 'ENV{ID_GPHOTO2}=="1"'
        if device is not None and device.vendor and device.product:
            match = f'ATTR{{idVendor}}=="{device.vendor}", ATTR{{idProduct}}=="{device.product}"'
        line = f'SUBSYSTEM=="usb", ENV{{DEVTYPE}}=="usb_device", {match}, TAG+="uaccess"'
        return (
            f"Put this line into /etc/udev/rules.d/70-stopwright-camera.rules: {line} -- then: "
            "sudo udevadm control --reload && sudo udevadm trigger, and plug the camera in again"
        )

    def obstacle(self, port: str, ours: frozenset[int] = frozenset()) -> str | None:
        """What keeps a camera that is there from being opened: another program, or a missing right; else None."""
        if self.may_open(port) is False:
            return f"This user may not open the USB device {self.node(port)} of the camera. {self.rule(port)}."
        holders = self.holders(port, ours)
        if holders:
            return f"The camera at {port} is held by another program: " + " ".join(item.release for item in holders)
        return None
