"""The options of ``python -m hardware_mocks``, and what it does with them."""

from __future__ import annotations

import argparse
import json
import math
import shutil
import sys
from pathlib import Path
from typing import Any

from daemon.errors import StopwrightError
from hardware_mocks import faults
from hardware_mocks.faults import ScriptError, check_line
from hardware_mocks.scales import STEPS
from hardware_mocks.script import SceneError, SceneScript
from hardware_mocks.server import WIRE_DIALECTS, Options, run
from hardware_mocks.timing import TIMINGS

LARGEST_SCRIPT = 1_000_000  # of a scene script [characters]


def _size(text: str) -> tuple[int, int]:
    width, _, height = text.partition("x")
    numbers = (int(width), int(height)) if width.isdigit() and height.isdigit() and len(text) < 12 else (0, 0)
    if not (96 <= numbers[0] <= 3000 and abs(numbers[0] * 2 - numbers[1] * 3) <= 3):
        raise argparse.ArgumentTypeError(f"found {text!r}; allowed: WIDTHxHEIGHT, 3 to 2, from 96x64 to 3000x2000")
    return numbers


def _port(text: str) -> int:
    if not (text.isdigit() and int(text) < 65536):
        raise argparse.ArgumentTypeError(f"found {text!r}; allowed: a port from 0 to 65535")
    return int(text)


def _between(text: str, lowest: float, highest: float) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not lowest <= value <= highest:
        raise argparse.ArgumentTypeError(f"found {text!r}; allowed: a number from {lowest:g} to {highest:g}")
    return value


def _light(text: str) -> float:
    return _between(text, -10, 25)


def _stops(text: str) -> float:
    return _between(text, 0, 5)


def _thirst(text: str) -> float:
    return _between(text, 0, 1e5)


def _scene(text: str) -> SceneScript:
    """A script, told in JSON or as the name of a file that holds it."""
    try:
        if not text.lstrip().startswith("{"):
            text = _read(Path(text))
        return SceneScript.from_json(text)
    except SceneError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def _read(path: Path) -> str:
    try:
        with path.open(encoding="utf-8") as file:
            text = file.read(LARGEST_SCRIPT + 1)
    except UnicodeDecodeError:
        raise argparse.ArgumentTypeError(f"{str(path)!r}: found bytes that are no UTF-8 text") from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        raise argparse.ArgumentTypeError(f"{str(path)!r}: cannot be read ({why}); allowed: JSON, or its file") from None
    if len(text) > LARGEST_SCRIPT:
        raise argparse.ArgumentTypeError(f"{str(path)!r}: found more than {LARGEST_SCRIPT} characters of script")
    return text


def _fault(text: str) -> dict[str, Any]:
    try:
        return check_line(json.loads(text)).fields
    except ScriptError as error:
        raise argparse.ArgumentTypeError(str(error)) from None
    except (ValueError, RecursionError):
        raise argparse.ArgumentTypeError(f"found {text!r}; allowed: a JSON object") from None


def _formatter(prog: str) -> argparse.HelpFormatter:
    return argparse.RawDescriptionHelpFormatter(prog, width=min(80, shutil.get_terminal_size().columns) - 2)


def main() -> int:
    """Read the options and serve; the exit code."""
    parser = argparse.ArgumentParser(
        prog="python -m hardware_mocks",
        description="A simulated camera before a garden fountain, on the loopback address.\n"
        "Prints where it is as JSON. Work it with python -m hardware_mocks.hands.",
        epilog=f"fault lines:\n\n{faults.__doc__}",
        formatter_class=_formatter,
    )
    parser.add_argument("--port", type=_port, default=0, help="camera port; 0 for any (default)")
    parser.add_argument("--hands-port", type=_port, help="port of the hands; the camera's plus one when not given")
    parser.add_argument("--timing", choices=sorted(TIMINGS), default="instant", help="how slow the camera is")
    parser.add_argument("--card", metavar="DIR", help="folder that is the card; without it one that vanishes")
    parser.add_argument("--seed", type=int, default=0, help="seed of noise and water")
    parser.add_argument("--size", type=_size, default=(1500, 1000), metavar="WxH", help="pixels of a picture")
    parser.add_argument("--light", type=_light, default=13.0, metavar="EV", help="light, EV at ISO 100")
    parser.add_argument("--render", choices=("scene", "flat"), default="scene", help="the garden, or grey bars")
    parser.add_argument(
        "--scene",
        type=_scene,
        metavar="FILE|JSON",
        help='a scene script, or distances alone as {"heron_m": 1.4}; see the guide',
    )
    parser.add_argument(
        "--exif", choices=("nominal", "exact"), default="nominal", help="marks as printed, or the values behind them"
    )
    parser.add_argument("--step", choices=STEPS, default="thirds", help="what its dials move by")
    parser.add_argument("--dialect", choices=WIRE_DIALECTS, default="fractions", help="how its times travel")
    parser.add_argument("--thirst", type=_thirst, default=1.0, metavar="N", help="how many times faster it drains")
    parser.add_argument("--vignette", type=_stops, default=0.0, metavar="STOPS", help="how dark the corners are")
    parser.add_argument(
        "--fault", type=_fault, action="append", default=[], metavar="JSON", help="a fault script line; below"
    )
    parser.add_argument("--until-stdin-closes", action="store_true", help="end when standard input ends")
    asked = parser.parse_args()
    try:
        run(
            Options(
                port=asked.port,
                hands_port=asked.hands_port,
                timing=asked.timing,
                card=asked.card,
                seed=asked.seed,
                size=asked.size,
                light=asked.light,
                render=asked.render,
                scene=asked.scene,
                vignette=asked.vignette,
                step=asked.step,
                dialect=asked.dialect,
                thirst=asked.thirst,
                exif_style=asked.exif,
                faults=tuple(asked.fault),
                until_stdin_closes=asked.until_stdin_closes,
            )
        )
    except (StopwrightError, OSError) as error:
        print(f"hardware_mocks: {error}", file=sys.stderr)
        return 2
    return 0
