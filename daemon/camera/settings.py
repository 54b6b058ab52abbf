"""Reading and setting a camera's settings by our names, over one open link. Runs inside the camera process.

That the library accepts a value says little: values snap, are taken for a place in the list, or are dropped without a
word. A setting counts as set when it was read back.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from functools import partial

from daemon import clock
from daemon.camera import dialects
from daemon.camera.asking import Asking, Widget
from daemon.camera.errors_map import BAD_PARAMETERS, NOT_SUPPORTED, LinkFault, as_ours
from daemon.errors import CameraError, SettingRefused
from plans.stops import KINDS

LOST_LINK = (0x02FA, 0x02FF)  # the library's own response codes for its side of the link
_REFUSALS = (-1, -2, NOT_SUPPORTED)


class Settings:
    """The settings of one open camera.

    The library answers alike for a setting that the camera lacks and for one that it refuses to tell or is too busy to.
    One that was told before in this session is asked for again until `Pace.busy_s` has gone. Some cameras list one that
    they never tell; it is waited for no longer than `Pace.shy_s`, once.

    Attributes
    ----------
    untold
        What `survey` did not come to know, though the camera has it, by our names.
    """

    def __init__(self, asking: Asking):
        self._asking, self._link, self._pace = asking, asking.link, asking.pace
        self._chosen: dict[str, str] = {}  # our name: the library's, as it was last told
        self._told: set[str] = set()  # the library's names that were told in this session
        self._given_up: set[str] = set()  # those that the camera has and did not tell, asked again and again
        self._listed: frozenset[str] | None = None
        self.untold: tuple[str, ...] = ()
        self.survey()

    def survey(self) -> dict[str, Widget]:
        """Every setting that the dialects know; of several widgets the one that can be set and lists its choices."""
        names = [name for candidates in dialects.WIDGETS.values() for name in candidates]
        told = {name: widget for name in names if (widget := self._asking.ask(self._link.widget, name)) is not None}
        missing = [name for name in names if name not in told and self._has(name, told)]
        if asked_for := [name for name in missing if name not in self._given_up]:
            self._still_there()
            began = clock.monotonic()
            for name in asked_for:
                limit_s = self._pace.busy_s if name in self._told else self._pace.shy_s
                with suppress(LinkFault):
                    told[name] = self._asking.patiently(
                        partial(self._insist, name), began + limit_s - clock.monotonic()
                    )
            self._still_there()
        self._told |= set(told)
        self._given_up = {name for name in missing if name not in told}
        found: dict[str, Widget] = {}
        for ours, candidates in dialects.WIDGETS.items():
            if there := [told[name] for name in candidates if name in told]:
                found[ours] = max(there, key=_usefulness)
        self.untold = tuple(
            name
            for name, candidates in dialects.WIDGETS.items()
            if name not in found and not self._given_up.isdisjoint(candidates)
        )
        self._chosen |= {name: widget.name for name, widget in found.items()}
        return found

    def _has(self, name: str, told: Mapping[str, Widget]) -> bool:
        """Whether a camera has a widget that it did not tell: it told it before, or lists it and is useless without."""
        if name in self._told:
            return True
        needed = [dialects.WIDGETS[kind] for kind in KINDS]
        if not any(name in candidates and told.keys().isdisjoint(candidates) for candidates in needed):
            return False
        if self._listed is None:
            self._listed = self._asking.ask(self._link.names)
        return name in self._listed

    def _insist(self, widget: str) -> Widget:
        found = self._link.widget(widget)
        if found is None:
            raise LinkFault(BAD_PARAMETERS, f"reading {widget}", untold=True)
        return found

    def read(self, name: str) -> Widget | None:
        """A setting as it is now; None when this camera has none such.

        Raises
        ------
        CameraError
            If it was told before in this session and is not now, however often it is asked for.
        """
        widget = self._chosen.get(name)
        if widget is None:
            return None
        found = self._asking.ask(self._link.widget, widget)
        if found is not None:
            return found
        self._still_there()
        try:
            return self._asking.patiently(partial(self._insist, widget), self._pace.busy_s)
        except LinkFault as fault:
            self._still_there()
            raise (dialects.refuses_to_tell([name]) if fault.untold else as_ours(fault)) from None

    def _still_there(self) -> None:
        """Tell a setting that the camera does not tell, whatever for, from a camera that no longer answers."""
        try:
            self._asking.patiently(self._link.free_bytes, self._pace.busy_s)
        except LinkFault as fault:
            if fault.code != NOT_SUPPORTED:
                raise as_ours(fault) from None

    def _must_read(self, name: str, label: str) -> Widget:
        widget = self.read(name)
        if widget is None and name in self.untold:
            raise dialects.refuses_to_tell([name])
        if widget is None:
            raise SettingRefused(name, label, "no such setting", (), "This camera cannot be told it over the cable")
        return widget

    def apply(self, labels: Mapping[str, str]) -> dict[str, str]:
        """Set what differs and read everything back. Nothing is sent when a label is not offered."""
        order = [*dialects.WIDGETS, *labels]
        wanted = {name: labels[name] for name in sorted(labels, key=order.index)}
        found = {name: self._must_read(name, label) for name, label in wanted.items()}
        for name, label in wanted.items():
            widget = found[name]
            if label not in widget.labels:
                raise _refused(name, label, widget, "Ask for one of these" if len(widget.labels) > 1 else _dial(name))
        sent = False
        for name, label in wanted.items():
            widget = self._must_read(name, label) if sent else found[name]  # what was sent may have moved others
            if widget.current != label:
                self.put(name, label, widget)
                sent = True
        self._asking.drain()
        for name, label in wanted.items():
            if not self._comes_to(name, label):
                raise _refused(name, label, self._must_read(name, label), f"It was {label} for a moment and went back")
        return wanted

    def put(self, name: str, label: str, before: Widget) -> None:
        """Send a label; if it was plainly taken for a place in the list, as some bodies do, send its place instead."""
        if not before.writable:
            raise _refused(name, label, before, _dial(name))
        said = self._try(name, label, before, label)
        if said is None:
            return
        after = self._must_read(name, label)
        if _taken_for_place(label, after) and self._try(name, label, before, str(before.labels.index(label))) is None:
            return
        if after.current != before.current and before.current in before.labels:
            with suppress(LinkFault, CameraError):
                self._link.send(before.name, before.current)
        raise _refused(name, label, after, f"{said} {_dial(name)}".strip())

    def _try(self, name: str, label: str, before: Widget, value: str) -> str | None:
        """Send a value and see whether the setting comes to the label; None if so, else what the camera said to it."""
        try:
            self._asking.patiently(partial(self._link.send, before.name, value), self._pace.busy_s)
        except LinkFault as fault:
            if fault.untold:
                raise dialects.refuses_to_tell([name]) from None
            if fault.busy or fault.response in LOST_LINK or fault.code not in _REFUSALS:
                raise as_ours(fault) from None
            return None if self._must_read(name, label).current == label else str(as_ours(fault))
        return None if self._comes_to(name, label) else ""

    def _comes_to(self, name: str, label: str) -> bool:
        """Whether a setting reads as asked, now or once the camera has walked there."""
        began = moved = clock.monotonic()
        seen: str | None = None
        pause = 0.002
        while True:
            current = self._must_read(name, label).current
            if current == label:
                return True
            now = clock.monotonic()
            if current != seen:
                seen, moved = current, now
            if now - moved > self._pace.stable_s or now - began > self._pace.walking_s:
                return False
            self._asking.alive()
            clock.sleep(pause)
            pause = min(0.1, pause * 2)
            self._asking.drain()  # taking in the announcement of a change makes the library forget what it remembers


def _usefulness(widget: Widget) -> tuple[bool, bool]:
    return len(widget.labels) > 1 and widget.writable, bool(widget.labels)


def _taken_for_place(label: str, after: Widget) -> bool:
    """Whether a whole number was set as the place of a choice: 100 became the hundredth, or the last there is."""
    if not label.isdigit() or not after.labels:
        return False
    return after.current == after.labels[min(int(label), len(after.labels) - 1)]


def _refused(name: str, label: str, widget: Widget, advice: str) -> SettingRefused:
    return SettingRefused(name, label, widget.current or "nothing", widget.labels, advice)


def _dial(name: str) -> str:
    if name == "mode":
        return "Turn the mode dial on the camera itself"
    if name == "focus_mode":
        return "Turn the focus switch on the lens or body itself"
    if name in ("aperture", "time", "iso", "exposure_bias"):
        return "Turn the mode dial to M; an aperture ring on the lens must stand on A"
    return "Change it in the camera's own menu"
