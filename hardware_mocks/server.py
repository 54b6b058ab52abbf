"""Starts the simulated camera: `run` in this process, `start` as a child process of its own."""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import socket
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Any

from daemon.errors import UsageError
from hardware_mocks import clock
from hardware_mocks.camera import GardenCamera
from hardware_mocks.card import Card
from hardware_mocks.developing import Renderer
from hardware_mocks.faults import Faults
from hardware_mocks.hands import Hands, serve_hands
from hardware_mocks.ptpip import Responder
from hardware_mocks.scales import Step
from hardware_mocks.script import SceneScript
from hardware_mocks.shot import Optics

LOOPBACK = "127.0.0.1"
READY_WITHIN_S = 30.0
WIRE_DIALECTS = ("fractions", "tenths")


@dataclass(frozen=True)
class Options:
    """How to set the simulated camera up. Port 0 means any; a hands port of None, the camera's plus one."""

    port: int = 0
    hands_port: int | None = None
    timing: str = "instant"
    card: str | None = None
    seed: int = 0
    size: tuple[int, int] = (1500, 1000)
    light: float = 13.0
    render: str = "scene"
    scene: SceneScript | None = None
    vignette: float = 0.0
    step: Step = "thirds"
    dialect: str = "fractions"
    thirst: float = 1.0
    exif_style: str = "nominal"
    faults: tuple[Any, ...] = ()
    until_stdin_closes: bool = False


def _listen(port: int) -> socket.socket:
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((LOOPBACK, port))
        listener.listen(16)
    except OSError as error:
        listener.close()
        raise UsageError(f"port {port}: {error.strerror}; give another, or 0 for any that is free") from None
    return listener


def listen_pair(port: int, hands_port: int | None) -> tuple[socket.socket, socket.socket]:
    """Sockets for camera and hands; where both ports are free to choose, neighbours.

    Raises
    ------
    UsageError
        If a port is taken.
    """
    for attempt in range(64):
        camera = _listen(port)
        number = camera.getsockname()[1]
        try:
            return camera, _listen(number + 1 if hands_port is None else hands_port)
        except (UsageError, OverflowError):
            camera.close()
            if port or hands_port or attempt == 63:
                raise
    raise AssertionError("unreachable")


def make_renderer(name: str, script: SceneScript | None = None) -> Renderer:
    """The maker of pictures: ``scene`` (the garden, or what its script says) or ``flat`` (grey bars, cheap)."""
    if name == "flat":
        from hardware_mocks.flat import FlatRenderer

        return FlatRenderer()
    from hardware_mocks.scene import GardenRenderer

    return GardenRenderer(script=script)


@contextmanager
def _card(path: str | None) -> Iterator[Card]:
    if path is not None:
        yield Card(Path(path))
        return
    with tempfile.TemporaryDirectory(prefix="garden-card-", ignore_cleanup_errors=True) as folder:
        yield Card(Path(folder))


def run(options: Options) -> None:
    """Serve until SIGTERM, SIGINT or, when asked, the end of standard input. Prints one JSON line when ready."""
    over = threading.Event()

    def end(number: int, frame: FrameType | None) -> None:
        over.set()

    signal.signal(signal.SIGTERM, end)
    signal.signal(signal.SIGINT, end)
    camera_socket, hands_socket = listen_pair(options.port, options.hands_port)
    with _card(options.card) as card:
        camera = GardenCamera(
            card,
            make_renderer(options.render, options.scene),
            timing=options.timing,
            ev100=options.light,
            seed=options.seed,
            optics=Optics(size=options.size, vignette_stops=options.vignette),
            faults=Faults(list(options.faults), options.seed),
            step=options.step,
            thirst=options.thirst,
            exif_style=options.exif_style,
        )
        responder = Responder(camera, camera_socket, tenths=options.dialect == "tenths")
        threading.Thread(target=responder.serve, name="camera", daemon=True).start()
        threading.Thread(target=serve_hands, args=(camera, hands_socket), name="hands", daemon=True).start()
        if options.until_stdin_closes:
            threading.Thread(target=_watch_stdin, args=(over,), name="stdin", daemon=True).start()
        ports = camera_socket.getsockname()[1], hands_socket.getsockname()[1]
        print(json.dumps({"camera": f"ptpip:{LOOPBACK}:{ports[0]}", "hands": f"{LOOPBACK}:{ports[1]}"}), flush=True)
        over.wait()
        responder.close()
        hands_socket.close()
        camera.switch_off()


def _watch_stdin(over: threading.Event) -> None:
    # Straight from the descriptor: a buffered reader would still hold its lock when the interpreter ends.
    with contextlib.suppress(OSError):
        while os.read(0, 4096):
            pass
    over.set()


class Simulator:
    """A simulated camera in a process of its own.

    Attributes
    ----------
    camera
        Its port, as the camera library takes it: ``ptpip:127.0.0.1:PORT``.
    hands
        Address of its side channel: ``127.0.0.1:PORT``.
    """

    def __init__(self, process: subprocess.Popen[str], camera: str, hands: str):
        self.process, self.camera, self.hands = process, camera, hands

    def stop(self) -> None:
        """Switch it off. Idempotent."""
        if self.process.poll() is None:
            self.process.terminate()
            try:
                self.process.wait(10)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
        for stream in (self.process.stdin, self.process.stdout):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()

    def worked(self) -> Hands:
        """Hands for this camera."""
        return Hands(self.hands)

    def __enter__(self) -> Simulator:
        return self

    def __exit__(self, *exception: object) -> None:
        self.stop()


def start(
    *,
    port: int = 0,
    hands_port: int | None = None,
    timing: str = "instant",
    card: str | Path | None = None,
    seed: int = 0,
    size: tuple[int, int] = (1500, 1000),
    light: float = 13.0,
    render: str = "scene",
    scene: dict[str, float] | SceneScript | None = None,
    vignette: float = 0.0,
    step: Step = "thirds",
    dialect: str = "fractions",
    thirst: float = 1.0,
    exif_style: str = "nominal",
    environment: Mapping[str, str] | None = None,
    faults: list[dict[str, Any]] | None = None,
) -> Simulator:
    """Start a simulated camera as a child process and wait until it can be reached.

    It ends with `Simulator.stop`, or when this process ends in whatever way. ``light`` in EV at ISO 100, ``size`` in
    pixels, ``vignette`` in stops, ``scene`` a script or the garden's `Distances` by name, ``card`` the folder that is
    its card (None: one that vanishes with it), ``step`` what its dials move by, ``dialect`` how its times travel
    (``fractions``, or ``tenths`` of a millisecond), ``thirst`` how many times faster than usual the battery drains,
    ``exif_style`` as in `hardware_mocks.shot.Shot`, ``environment`` variables for it alone, ``faults`` the lines of a
    script (`hardware_mocks.faults`).

    Raises
    ------
    UsageError
        If it does not come up; the text holds what it said.
    """
    command = [sys.executable, "-P", "-m", "hardware_mocks", "--until-stdin-closes", "--port", str(port)]
    command += ["--timing", timing, "--seed", str(seed), "--size", f"{size[0]}x{size[1]}", "--light", repr(light)]
    told = scene.to_json() if isinstance(scene, SceneScript) else json.dumps(scene or {})
    command += ["--render", render, "--vignette", repr(vignette), "--scene", told, "--exif", exif_style]
    command += ["--step", step, "--dialect", dialect, "--thirst", repr(thirst)]
    if hands_port is not None:
        command += ["--hands-port", str(hands_port)]
    if card is not None:
        command += ["--card", str(card)]
    for fault in faults or []:
        command += ["--fault", json.dumps(fault)]
    with tempfile.TemporaryFile("w+") as said:
        process = subprocess.Popen(
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=said,
            text=True,
            start_new_session=True,
            env=os.environ | dict(environment or {}),
        )
        line = _first_line(process)
        try:
            ready = json.loads(line)
        except ValueError:
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(1)
            simulator = Simulator(process, "", "")
            simulator.stop()
            said.seek(0)
            words = said.read()[-2000:].strip() or "no word"
            raise UsageError(f"the simulated camera did not start: {words}") from None
    return Simulator(process, ready["camera"], ready["hands"])


def _first_line(process: subprocess.Popen[str]) -> str:
    """What the child prints first; empty when it ends or says nothing in time."""
    assert process.stdout is not None
    deadline = clock.monotonic() + READY_WITHIN_S
    while clock.monotonic() < deadline:
        if select.select([process.stdout], [], [], 0.5)[0]:
            return process.stdout.readline()
        if process.poll() is not None:
            return process.stdout.readline()
    return ""
