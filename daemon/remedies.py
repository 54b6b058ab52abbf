"""What a person can do about a camera that stopped a run, where its own words do not say."""

from __future__ import annotations

from daemon.errors import BatteryLow, CameraAbsent, CameraBusy, CameraError, CameraSilent, CardFull

_GO_ON = "then go on with the run: nothing is lost"
_BY_KIND: dict[type[BaseException], str] = {
    CardFull: f"Put in another card, or make room on this one without deleting this run's pictures; {_GO_ON}",
    BatteryLow: f"Change the battery, with the tripod left as it stands; {_GO_ON}",
    CameraAbsent: f"Check that the camera is on and its cable or network holds; {_GO_ON}",
    CameraSilent: f"Switch the camera off and on, and check its cable; {_GO_ON}",
    CameraBusy: f"Wait until the camera's card light is dark, and leave its menu and playback; {_GO_ON}",
    CameraError: f"Look at the camera: its screen, mode dial, card and battery. Set right what it shows; {_GO_ON}",
}


def with_remedy(error: BaseException) -> None:
    """Give an error of the camera a sentence on what to do, unless its kind always says that itself."""
    remedy = _BY_KIND.get(type(error))
    if remedy is None or not isinstance(error, CameraError) or remedy in str(error):
        return
    text = str(error).rstrip()
    error.args = (f"{text}{'' if text.endswith('.') else '.'} {remedy}.", *error.args[1:])
