"""Starts simulated cameras for tests, always stops them, and drives them through the real camera library.

Run as a program it is the driver: the library in a process of its own, one JSON request a line, one answer a line.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from hardware_mocks.server import Simulator, start

SMALL = (600, 400)


@contextmanager
def simulated_camera(**options: Any) -> Iterator[Simulator]:
    """A simulated camera in a process of its own: small and cheap pictures unless ``size`` or ``render`` say other.

    Takes the options of `hardware_mocks.server.start`.
    """
    with start(**({"size": SMALL, "render": "flat"} | options)) as simulator:
        yield simulator


class LibraryFault(Exception):
    """The camera library answered with this code."""

    def __init__(self, code: int):
        self.code = code
        super().__init__(f"the library answered {code}")


class Library:
    """The real libgphoto2 in a process of its own, with settings of its own. ``port`` as a simulator names it."""

    def __init__(self, port: str):
        self._home = tempfile.TemporaryDirectory(prefix="library-")
        environment = os.environ | {"XDG_CONFIG_HOME": self._home.name, "HOME": self._home.name, "LC_ALL": "C"}
        self.process = subprocess.Popen(
            [sys.executable, str(Path(__file__)), port],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=environment,
            text=True,
        )

    def ask(self, deed: str, *arguments: Any, within_s: float = 20) -> Any:
        """The answer to one request; LibraryFault with the library's own code; TimeoutError when there is none."""
        assert self.process.stdin is not None and self.process.stdout is not None
        print(json.dumps([deed, *arguments]), file=self.process.stdin, flush=True)
        if not select.select([self.process.stdout], [], [], within_s)[0]:
            raise TimeoutError(f"{deed}: no answer within {within_s} s")
        answer = json.loads(self.process.stdout.readline())
        if "fault" in answer:
            raise LibraryFault(answer["fault"])
        return answer["ok"]

    def tell(self, deed: str, *arguments: Any) -> None:
        """Send one request and do not wait."""
        assert self.process.stdin is not None
        print(json.dumps([deed, *arguments]), file=self.process.stdin, flush=True)

    def kill(self) -> None:
        """End the process the hard way."""
        self.process.kill()
        self.process.wait()
        for stream in (self.process.stdin, self.process.stdout):
            if stream is not None:
                with contextlib.suppress(BrokenPipeError):
                    stream.close()
        self._home.cleanup()

    def __enter__(self) -> Library:
        self.ask("init")
        return self

    def __exit__(self, *exception: object) -> None:
        self.kill()


class _Driver:
    """Carries out requests with the library."""

    def __init__(self, port: str):
        import gphoto2

        self.gp = gphoto2
        _, address, number = port.split(":")
        ports, models = gphoto2.PortInfoList(), gphoto2.CameraAbilitiesList()
        ports.load()
        models.load()
        place = ports.lookup_path(f"ptpip:{address}:{number}:{number}")
        self._model, self._port = models[models.lookup_model("PTP/IP Camera")], ports[place]
        self._kept = (ports, models)
        self.camera: Any = None

    def init(self) -> None:
        camera = self.gp.Camera()
        camera.set_abilities(self._model)
        camera.set_port_info(self._port)
        camera.init()
        self.camera = camera

    def exit(self) -> None:
        """Leave the camera; afterwards ``init`` takes a new one, as the library aborts on a second ``init``."""
        with contextlib.suppress(self.gp.GPhoto2Error):
            self.camera.exit()
        self.camera = None

    def get(self, name: str) -> str:
        return str(self.camera.get_single_config(name).get_value())

    def describe(self, name: str) -> dict[str, Any]:
        widget = self.camera.get_single_config(name)
        return {"choices": list(widget.get_choices()), "writable": not widget.get_readonly()}

    def set(self, name: str, value: str) -> str:
        widget = self.camera.get_single_config(name)
        widget.set_value(value)
        self.camera.set_single_config(name, widget)
        return self.get(name)

    def set_all(self, name: str) -> list[str]:
        """Set every choice of a setting in turn; what was read back after each."""
        return [self.set(name, label) for label in list(self.camera.get_single_config(name).get_choices())]

    def capture(self) -> list[str]:
        path = self.camera.capture(self.gp.GP_CAPTURE_IMAGE)
        return [path.folder, path.name]

    def trigger(self) -> None:
        self.camera.trigger_capture()

    def events(self, seconds: float) -> list[str]:
        """Names of files announced, and ``complete``; until that or until the time is over. [s]"""
        heard: list[str] = []
        deadline = time.monotonic() + seconds
        while time.monotonic() < deadline and "complete" not in heard:
            kind, data = self.camera.wait_for_event(1)
            if kind == self.gp.GP_EVENT_FILE_ADDED:
                heard.append(data.name)
            elif kind == self.gp.GP_EVENT_CAPTURE_COMPLETE:
                heard.append("complete")
            elif kind == self.gp.GP_EVENT_TIMEOUT:
                time.sleep(0.01)
        return heard

    def fetch(self, folder: str, name: str, into: str, kind: str = "normal") -> int:
        kinds = {"normal": self.gp.GP_FILE_TYPE_NORMAL, "thumb": self.gp.GP_FILE_TYPE_PREVIEW}
        file = self.camera.file_get(folder, name, kinds[kind])
        content = bytes(file.get_data_and_size())
        Path(into).write_bytes(content)
        return len(content)

    def info(self, folder: str, name: str) -> dict[str, int]:
        about = self.camera.file_get_info(folder, name).file
        return {"size": about.size, "mtime": about.mtime}

    def files(self, folder: str) -> list[str]:
        return [name for name, _ in self.camera.folder_list_files(folder)]

    def folders(self, folder: str) -> list[str]:
        return [name for name, _ in self.camera.folder_list_folders(folder)]

    def free_kb(self) -> int:
        return int(self.camera.get_storageinfo()[0].freekbytes)


def _drive(port: str) -> None:
    # Leaving a camera, the library closes descriptor 0 as well, whatever it is: so requests do not come by it.
    requests = os.fdopen(os.dup(0))
    driver = _Driver(port)
    for line in requests:
        deed, *arguments = json.loads(line)
        try:
            print(json.dumps({"ok": getattr(driver, deed)(*arguments)}), flush=True)
        except driver.gp.GPhoto2Error as error:
            print(json.dumps({"fault": error.code}), flush=True)


if __name__ == "__main__":
    _drive(sys.argv[1])
