"""``python -m hardware_mocks.hands``: a person is the hands of the simulated camera, one deed a command."""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Callable, Sequence
from fractions import Fraction
from typing import Any

from daemon.errors import CameraAbsent, UsageError
from hardware_mocks.dials import MODES
from hardware_mocks.hands import Hands, NobodyAnswers

_EXAMPLES = """\
examples:
  python -m hardware_mocks.hands 127.0.0.1:40002 focus 2.0
  python -m hardware_mocks.hands 127.0.0.1:40002 filters "ND 64=6" "ND 8=3"
  python -m hardware_mocks.hands 127.0.0.1:40002 filters none
  python -m hardware_mocks.hands 127.0.0.1:40002 state
"""


def _between(text: str, lowest: float, highest: float, unit: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not lowest <= value <= highest:
        raise argparse.ArgumentTypeError(f"found {text!r}; allowed: a number of {unit} from {lowest:g} to {highest:g}")
    return value


def _metres(text: str) -> float:
    return _between(text, 0.1, 1e6, "metres")


def _ev(text: str) -> float:
    return _between(text, -10, 25, "EV")


def _percent(text: str) -> float:
    return _between(text, 0, 100, "per cent")


def _carried(text: str) -> float:
    return _between(text, -100, 100, "metres")


def _share(text: str) -> float:
    return _between(text, -1, 1, "shares of the width")


def _degrees(text: str) -> float:
    return _between(text, -360, 360, "degrees")


def _filter(text: str) -> tuple[str, float] | None:
    """A name and its stops; None for the word that means a bare lens."""
    if text.strip().lower() == "none":
        return None
    name, _, stops = (part.strip() for part in text.rpartition("="))
    if not name:
        raise argparse.ArgumentTypeError(f'found {text!r}; allowed: "NAME=STOPS", as "ND 64=6"; or none')
    return name, _between(stops, 0, 30, "stops")


def _mode(text: str) -> str:
    if text.upper() not in MODES:
        raise argparse.ArgumentTypeError(f"found {text!r}; allowed: {', '.join(MODES)}")
    return text.upper()


def _filters_in_words(filters: Sequence[dict[str, Any]]) -> str:
    return " and ".join(f"{item['name']} ({item['stops']:g} stops)" for item in filters) or "no filter"


def _time_in_words(label: str) -> str:
    """A time mark with its unit; 10/25 and its like as decimals."""
    if label == "Bulb":
        return "bulb"
    return f"{label if label.startswith('1/') else format(float(Fraction(label)), 'g')} s"


def _state_in_words(state: dict[str, Any]) -> str:
    settings = state["settings"]
    shown = (
        f"{settings['aperture']}, {_time_in_words(settings['time'])}, ISO {settings['iso']}, dial on {settings['mode']}"
    )
    rest = f"light EV {state['ev100']:g} at ISO 100; battery {state['battery']} %; {state['exposures']} frames made"
    busy = "; exposing now" if state["busy"] else ""
    return f"{shown}; focus at {state['focus_m']:g} m; {_filters_in_words(state['filters'])}; {rest}{busy}."


def _focus(hands: Hands, asked: argparse.Namespace) -> str:
    hands.focus(asked.metres)
    reached = hands.state()["focus_m"]
    stopped = "" if reached == asked.metres else ", where the ring stops"
    return f"Focus at {reached:g} m{stopped}."


def _filters(hands: Hands, asked: argparse.Namespace) -> str:
    if None in asked.filters and len(asked.filters) > 1:
        raise UsageError("filters: found none beside others; allowed: none alone, or filters as NAME=STOPS")
    wanted = [item for item in asked.filters if item is not None]
    hands.filters([stops for _, stops in wanted], [name for name, _ in wanted])
    return f"On the lens: {_filters_in_words(hands.state()['filters'])}."


def _dial(hands: Hands, asked: argparse.Namespace) -> str:
    hands.dial(asked.mode)
    return f"Dial on {asked.mode}."


def _light(hands: Hands, asked: argparse.Namespace) -> str:
    hands.light(asked.ev)
    return f"Light at EV {asked.ev:g} (ISO 100)."


def _menu(hands: Hands, asked: argparse.Namespace) -> str:
    hands.menu(asked.setting, asked.to)
    return f"Menu: {asked.setting.replace('_', ' ')} on {asked.to}."


def _battery(hands: Hands, asked: argparse.Namespace) -> str:
    hands.battery(int(asked.percent))
    return f"Battery at {hands.state()['battery']} %."


def _nearer(hands: Hands, asked: argparse.Namespace) -> str:
    hands.move(asked.metres)
    where = hands.state()["nearer_m"]
    return f"The rig stands {abs(where):g} m {'nearer' if where >= 0 else 'farther'} than at first."


def _shake(hands: Hands, asked: argparse.Namespace) -> str:
    now = hands.state()["open"]
    hands.shake()
    return "Knocked while the shutter is open." if now else "The next exposure will be knocked."


def _kick(hands: Hands, asked: argparse.Namespace) -> str:
    hands.kick(asked.share)
    return f"The tripod is displaced: the picture is shifted by {hands.state()['framing'][0] * 100:g} % of its width."


def _polariser(hands: Hands, asked: argparse.Namespace) -> str:
    hands.polariser(asked.degrees)
    on = "" if hands.state()["polariser_on"] else "; none is on the lens"
    return f"The polariser's axis stands {hands.state()['polariser_deg']:g} degrees from the level{on}."


def _wake(hands: Hands, asked: argparse.Namespace) -> str:
    hands.wake()
    return "Awake." if hands.state()["on"] else "It does not wake: the battery is empty."


def _press(hands: Hands, asked: argparse.Namespace) -> str:
    return f"Button pressed: frame {hands.press()} since the camera was switched on."


def _state(hands: Hands, asked: argparse.Namespace) -> str:
    return _state_in_words(hands.state())


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m hardware_mocks.hands",
        description="Be the hands of the simulated camera: turn its rings and dial, fit filters.",
        epilog=_EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("address", metavar="ADDRESS", help='what the camera printed as "hands": HOST:PORT')
    deeds = parser.add_subparsers(dest="deed", required=True, metavar="DEED")

    def deed(name: str, act: Callable[[Hands, argparse.Namespace], str], help: str) -> argparse.ArgumentParser:
        words = deeds.add_parser(name, help=help, description=f"{help[0].upper()}{help[1:]}.")
        words.set_defaults(act=act)
        return words

    deed("focus", _focus, "turn the focus ring").add_argument("metres", type=_metres, metavar="METRES")
    deed("filters", _filters, "have these filters on the lens and no others; none for a bare lens").add_argument(
        "filters", type=_filter, nargs="+", metavar='"NAME=STOPS"'
    )
    deed("dial", _dial, "turn the mode dial").add_argument("mode", type=_mode, metavar="|".join(MODES))
    deed("light", _light, "change the light on the garden").add_argument("ev", type=_ev, metavar="EV")
    menu = deed("menu", _menu, "set something in the camera's own menu")
    menu.add_argument("setting", metavar="SETTING", help="as focus_mode, iso_auto, stabiliser, image_format")
    menu.add_argument("to", metavar="LABEL", help="as Automatic, On")
    deed("battery", _battery, "put in a battery").add_argument("percent", type=_percent, metavar="PERCENT")
    deed("nearer", _nearer, "carry the rig nearer; below 0 farther").add_argument(
        "metres", type=_carried, metavar="METRES"
    )
    deed("shake", _shake, "knock the tripod in this exposure or the next")
    deed("kick", _kick, "displace the tripod for good").add_argument(
        "share", type=_share, nargs="?", default=0.02, metavar="SHARE"
    )
    deed("polariser", _polariser, "turn the polariser: 0 lets glare by, 90 takes it away").add_argument(
        "degrees", type=_degrees, metavar="DEGREES"
    )
    deed("wake", _wake, "touch the button, so that a sleeping camera wakes")
    deed("press", _press, "press the button: a frame nobody asked for")
    deed("state", _state, "say how the camera stands")
    return parser


def main(words: Sequence[str] | None = None) -> int:
    """Do one deed and say what was done; the exit code: 0, 2 for what cannot be done, 4 when nobody answers."""
    asked = _parser().parse_args(words)
    try:
        print(asked.act(Hands(asked.address), asked))
    except NobodyAnswers:
        print(
            f"hands: nobody answers at {asked.address}; start the simulated camera with"
            ' .venv/bin/python -m hardware_mocks and give the address that it prints as "hands"',
            file=sys.stderr,
        )
        return CameraAbsent.exit_code
    except UsageError as error:
        print(error, file=sys.stderr)
        return UsageError.exit_code
    return 0
