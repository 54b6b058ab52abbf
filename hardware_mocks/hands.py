"""The hands at the simulated camera: focus ring, filters, mode dial, button; and the weather.

One JSON object a line over TCP on the loopback address, each answered by one line, ``{"ok": true, ...}`` or
``{"ok": false, "error": ...}``:

    {"do": "focus", "distance_m": 3.0}
    {"do": "filters", "stops": [5.979], "names": ["ND 64"]}      no names: no matter; empty lists: bare lens
    {"do": "filters", "stops": [1.3], "names": ["ring"], "polariser": true}    without a word: by a name with "polari"
    {"do": "dial", "to": "M"}                                    M, P, A, S
    {"do": "light", "ev100": 13.0}
    {"do": "battery", "percent": 5}                              another battery; 0: the camera goes off
    {"do": "menu", "setting": "focus_mode", "to": "Automatic"}   the camera's own menu, by label
    {"do": "move", "nearer_m": 0.3, "right_m": 0, "lower_m": 0}  the rig nearer, or farther (below 0); aside
    {"do": "turn", "across": 0.1, "down": 0, "portrait": true}   the head: shift by shares of the picture; upright
    {"do": "turn", "polariser_deg": 90}                          its axis, from the level: 90 takes glare away
    {"do": "shake"}                                              a knock in this exposure, or in the next
    {"do": "kick", "across": 0.02, "down": 0, "tilt_deg": 1}     the tripod is displaced for good: turned,
    {"do": "kick", "right_mm": 4, "lower_mm": 0}                 or shifted, which moves near things more
    {"do": "clock", "shift_s": 3600}                             the camera's own clock is set wrong
    {"do": "wake"}                                               a touch on the button wakes a sleeping camera
    {"do": "fault", "line": {"fault": "hang", "frame": 2}}       one line of the fault script; see `faults`
    {"do": "calm"}                                               forget the fault script
    {"do": "press"}                                              a finger on the button: a frame nobody asked for
    {"ask": "state"}   {"ask": "faults"}

``python -m hardware_mocks.hands`` is the same for people; see `by_hand`.
"""

from __future__ import annotations

import contextlib
import json
import math
import random
import socket
import sys
import threading
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Literal

from daemon.errors import UsageError
from hardware_mocks.dials import MODES, Refusal
from hardware_mocks.faults import ScriptError

if TYPE_CHECKING:
    from hardware_mocks.camera import GardenCamera
    from plans.plan import OperatorStep

_LONGEST_LINE = 1 << 16
_FARTHEST_M = 1e6


class _Wrong(ValueError):
    """A line that cannot be obeyed; the text is the answer."""


def _number(request: Mapping[str, Any], name: str, lowest: float, highest: float) -> float:
    value = request.get(name)
    fine = isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)
    if not fine or not lowest <= value <= highest:  # type: ignore[operator]
        raise _Wrong(f"{name}: found {value!r}; allowed: a number from {lowest:g} to {highest:g}")
    return float(value)  # type: ignore[arg-type]


def _filters(request: Mapping[str, Any]) -> list[tuple[str, float]]:
    stops, names = request.get("stops"), request.get("names", [])
    if not isinstance(stops, list) or not isinstance(names, list):
        raise _Wrong(f"filters: found stops {stops!r}, names {names!r}; allowed: lists")
    if names and len(names) != len(stops):
        raise _Wrong(f"filters: found {len(stops)} stops and {len(names)} names; allowed: as many of each")
    numbers = [_number({"stops": value}, "stops", 0, 30) for value in stops]
    return [(str(name), value) for name, value in zip(names or ["filter"] * len(numbers), numbers, strict=True)]


def obey(camera: GardenCamera, request: Any) -> dict[str, Any]:
    """Do or answer one line; what to answer besides ``ok``. Raises ValueError when it cannot be obeyed."""
    if not isinstance(request, dict):
        raise _Wrong(f"found {type(request).__name__}; allowed: an object with do or ask")
    if request.get("ask") == "state":
        return {"state": camera.report()}
    if request.get("ask") == "faults":
        return camera.faults.report()
    deed = request.get("do")
    if deed == "focus":
        camera.focus(_number(request, "distance_m", 0.1, _FARTHEST_M))
    elif deed == "filters":
        polariser = request.get("polariser")
        if not isinstance(polariser, bool | None):
            raise _Wrong(f"filters: polariser: found {polariser!r}; allowed: true or false")
        camera.fit_filters(_filters(request), polariser)
    elif deed == "dial":
        if request.get("to") not in MODES:
            raise _Wrong(f"dial: found {request.get('to')!r}; allowed: {', '.join(MODES)}")
        camera.turn_dial(request["to"])
    elif deed == "light":
        camera.light(_number(request, "ev100", -10, 25))
    elif deed == "battery":
        camera.charge(int(_number(request, "percent", 0, 100)))
    elif deed == "menu":
        camera.set_by_hand(str(request.get("setting")), str(request.get("to")))
    elif deed == "move":
        aside = (_number({name: 0.0} | dict(request), name, -100, 100) for name in ("right_m", "lower_m"))
        camera.move(_number(request, "nearer_m", -100, 100), *aside)
    elif deed == "turn":
        _turn(camera, request)
    elif deed == "shake":
        camera.shake()
    elif deed == "kick":
        tilt = _number({"tilt_deg": 0.0} | dict(request), "tilt_deg", -45, 45)
        shifts = (_number({name: 0.0} | dict(request), name, -1000, 1000) for name in ("right_mm", "lower_mm"))
        camera.kick(_share(request, "across"), _share(request, "down"), tilt, *shifts)
    elif deed == "clock":
        camera.shift_clock(_number(request, "shift_s", -1e9, 1e9))
    elif deed == "wake":
        camera.touch()
    elif deed == "fault":
        camera.faults.add(request.get("line"))
    elif deed == "calm":
        camera.faults.clear()
    elif deed == "press":
        return {"frame": camera.trigger(pressed=True)}
    else:
        raise _Wrong(
            f"found do {deed!r}, ask {request.get('ask')!r}; allowed: do focus, filters, dial, light, battery, menu,"
            " move, turn, shake, kick, clock, wake, fault, calm, press; ask state, faults"
        )
    return {}


def _share(request: Mapping[str, Any], name: str) -> float:
    return _number({name: 0.0} | dict(request), name, -1, 1)


def _turn(camera: GardenCamera, request: Mapping[str, Any]) -> None:
    if "polariser_deg" in request:
        camera.turn_polariser(_number(request, "polariser_deg", -360, 360))
        return
    portrait = request.get("portrait")
    if not isinstance(portrait, bool | None):
        raise _Wrong(f"turn: portrait: found {portrait!r}; allowed: true or false")
    camera.frame_anew(_share(request, "across"), _share(request, "down"), portrait)


def _answer(camera: GardenCamera, line: bytes) -> dict[str, Any]:
    try:
        return {"ok": True, **obey(camera, json.loads(line))}
    except (json.JSONDecodeError, UnicodeDecodeError, RecursionError):
        return {"ok": False, "error": "found a line that is no JSON; allowed: one JSON object a line"}
    except (_Wrong, ScriptError) as wrong:
        return {"ok": False, "error": str(wrong)}
    except Refusal as refusal:
        return {"ok": False, "error": f"the camera refuses: {refusal}"}


def _attend(camera: GardenCamera, link: socket.socket) -> None:
    with link, contextlib.suppress(OSError):
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        source = link.makefile("rb")
        while line := source.readline(_LONGEST_LINE):
            if len(line) == _LONGEST_LINE:
                link.sendall(b'{"ok": false, "error": "found a line over 65536 bytes; allowed: shorter ones"}\n')
                return
            link.sendall(json.dumps(_answer(camera, line)).encode() + b"\n")


def serve_hands(camera: GardenCamera, listener: socket.socket) -> None:
    """Obey whoever connects, until the listening socket is closed."""
    while True:
        try:
            link, _ = listener.accept()
        except OSError:
            return
        threading.Thread(target=_attend, args=(camera, link), name="hands", daemon=True).start()


class NobodyAnswers(UsageError):
    """No simulated camera is at the address of the hands."""


class Hands:
    """Works a simulated camera by its side channel. ``address`` is HOST:PORT.

    Raises
    ------
    UsageError
        From every method, when the deed is refused; `NobodyAnswers` when nobody is at the address.
    """

    def __init__(self, address: str):
        host, _, port = address.rpartition(":")
        if not host or ":" in host or not port.isdigit() or not 0 < int(port) < 65536:
            raise UsageError(f"hands: found {address!r}; allowed: HOST:PORT, as the simulated camera prints it")
        self.address = address
        self._place = (host, int(port))

    def ask(self, request: Mapping[str, Any]) -> dict[str, Any]:
        """Send one line and give back the answer without ``ok``."""
        try:
            with socket.create_connection(self._place, timeout=5) as link:
                link.sendall(json.dumps(request).encode() + b"\n")
                line = link.makefile("rb").readline()
            answer = json.loads(line)
        except (OSError, ValueError) as error:
            raise NobodyAnswers(
                f"hands: asked for {request}, nobody answers at {self.address} ({error}); "
                "start the simulated camera, or give the address that it printed"
            ) from None
        if not answer.pop("ok", False):
            raise UsageError(f"hands: asked for {request}: {answer.get('error')}")
        return dict(answer)

    def focus(self, distance_m: float) -> None:
        """Turn the focus ring to a distance. [m]"""
        self.ask({"do": "focus", "distance_m": distance_m})

    def filters(self, stops: Sequence[float], names: Sequence[str] = (), polariser: bool | None = None) -> None:
        """Have these filters on the lens and no others. [stops] ``polariser``: whether one is a polariser; None goes
        by their names."""
        self.ask({"do": "filters", "stops": list(stops), "names": list(names), "polariser": polariser})

    def dial(self, to: str) -> None:
        """Turn the mode dial: M, P, A or S."""
        self.ask({"do": "dial", "to": to})

    def light(self, ev100: float) -> None:
        """Change the light. [EV at ISO 100]"""
        self.ask({"do": "light", "ev100": ev100})

    def battery(self, percent: int) -> None:
        """Set the battery's charge. [per cent]"""
        self.ask({"do": "battery", "percent": percent})

    def menu(self, setting: str, to: str) -> None:
        """Set something in the camera's own menu, by label."""
        self.ask({"do": "menu", "setting": setting, "to": to})

    def move(self, nearer_m: float, right_m: float = 0.0, lower_m: float = 0.0) -> None:
        """Carry the rig nearer, or farther (below 0), to the right and lower. [m]"""
        self.ask({"do": "move", "nearer_m": nearer_m, "right_m": right_m, "lower_m": lower_m})

    def turn(self, across: float = 0.0, down: float = 0.0, portrait: bool | None = None) -> None:
        """Turn the head: shift the picture by shares of its width and height; stand it upright, or lay it down."""
        self.ask({"do": "turn", "across": across, "down": down, "portrait": portrait})

    def polariser(self, degrees: float) -> None:
        """Turn the polariser. [degrees]"""
        self.ask({"do": "turn", "polariser_deg": degrees})

    def shake(self) -> None:
        """Knock the tripod in the exposure that is running, or else in the next one."""
        self.ask({"do": "shake"})

    def kick(self, across: float = 0.02, down: float = 0.0, tilt_deg: float = 0.0, right_mm: float = 0.0) -> None:
        """Displace the tripod for good: turned [shares of the picture, degrees] and shifted to the right [mm]."""
        self.ask({"do": "kick", "across": across, "down": down, "tilt_deg": tilt_deg, "right_mm": right_mm})

    def clock(self, shift_s: float) -> None:
        """Set the camera's own clock wrong by so much. [s]"""
        self.ask({"do": "clock", "shift_s": shift_s})

    def wake(self) -> None:
        """Touch the button, so that a sleeping camera wakes."""
        self.ask({"do": "wake"})

    def fault(self, **line: Any) -> None:
        """Put a line at the end of the fault script; see `hardware_mocks.faults`."""
        self.ask({"do": "fault", "line": line})

    def calm(self) -> None:
        """Forget the fault script."""
        self.ask({"do": "calm"})

    def press(self) -> int:
        """Press the button; the number of the frame."""
        return int(self.ask({"do": "press"})["frame"])

    def state(self) -> dict[str, Any]:
        """Everything about the camera and its world."""
        return dict(self.ask({"ask": "state"})["state"])

    def faults(self) -> dict[str, Any]:
        """The fault script: ``lines`` with how often each acted, and ``unused`` ones."""
        return self.ask({"ask": "faults"})


class SimulatedOperator:
    """An operator whose hands reach a simulated camera.

    Parameters
    ----------
    address
        The hands' HOST:PORT.
    forgets
        Ids or actions of the steps at which it says done and does nothing.
    answers
        Which choice to take where a question contains a text; the first choice otherwise.
    forgetful, seed
        Share of all steps at which it says done and does nothing, drawn with the seed.

    Attributes
    ----------
    forgot
        Ids of the steps that were forgotten.
    """

    name = "simulated"

    def __init__(
        self,
        address: str,
        forgets: set[str] | None = None,
        answers: Mapping[str, str] | None = None,
        forgetful: float = 0.0,
        seed: int = 0,
    ):
        self._hands = Hands(address)
        self._forgets = set(forgets or ())
        self._answers = dict(answers or {})
        self._forgetful, self._chance = forgetful, random.Random(seed)
        self.forgot: list[str] = []

    def act(self, step: OperatorStep) -> Literal["done", "skip", "stop"]:
        """Do what the step's action names and no more, as hands would; ``compose`` does all and turns the dial to M.

        ``shake`` knocks the tripod in the next exposure, ``settle`` waits. A polariser is turned by what is seen: to
        the level where glare is to be strongest, upright where it is to be weakest, by a quarter where a step does not
        say. A step to another place is skipped: it does not say where that is, and nobody here can zoom.
        """
        if step.action == "move":
            return "skip"
        drawn = self._chance.random() < self._forgetful
        if drawn or step.id in self._forgets or step.action in self._forgets:
            self.forgot.append(step.id)
            return "done"
        if step.action == "settle":
            return "done"
        if step.action == "shake":
            self._hands.shake()
            return "done"
        turns = [item.turned for item in step.filters if item.turned is not None]
        if step.action == "turn" and not turns:
            self._hands.polariser((self._hands.state()["polariser_deg"] + 90) % 360)
            return "done"
        if turns and step.action != "focus":
            self._hands.polariser(90.0 if turns[0] == "most" else 0.0)
        if step.action == "turn":
            return "done"
        if step.action == "compose":
            self._hands.dial("M")
        if step.action != "filters":
            self._hands.focus(step.focus.distance_m)
        if step.action != "focus":
            polariser = True if turns else None
            names = [item.name for item in step.filters]
            self._hands.filters([item.stops for item in step.filters], names, polariser)
        return "done"

    def choose(self, question: str, choices: Sequence[str]) -> str:
        """The choice that ``answers`` names for this question, else the first."""
        for part, choice in self._answers.items():
            if part in question:
                if choice not in choices:
                    raise UsageError(f"simulated operator: {question!r} offers {list(choices)}, not {choice!r}")
                return choice
        return choices[0]

    def acknowledge(self, caution: str) -> None:
        """Take note."""


def simulated_operator(address: str | None, camera_port: str | None) -> SimulatedOperator:
    """The operator of a simulated camera, by the hands' address or one port above the camera's own.

    Raises
    ------
    UsageError
        If there is neither an address nor a camera port like ``ptpip:127.0.0.1:15740``, or nobody answers there.
    """
    if address is None:
        address = _beside(camera_port)
    operator = SimulatedOperator(address)
    Hands(address).state()
    return operator


def _beside(camera_port: str | None) -> str:
    parts = (camera_port or "").split(":")
    if parts[0] != "ptpip" or len(parts) < 2 or not all(part.isdigit() for part in parts[2:]):
        raise UsageError(
            f"simulated operator: found camera {camera_port!r}; allowed: ptpip:HOST:PORT of a simulated camera, "
            "or say where the hands are with simulated:HOST:PORT"
        )
    port = int(parts[2]) if len(parts) > 2 else 15740
    return f"{parts[1]}:{port + 1}"


if __name__ == "__main__":
    from hardware_mocks.by_hand import main

    sys.exit(main())
