"""The one importer of the camera library: its calls as a few plain verbs, its errors as `LinkFault`.

Runs only inside the camera process (`daemon.camera.host`). Nothing here knows our settings' names, waits, or retries;
that is `daemon.camera.session`. Measured traps that this module keeps away from the rest:

- reading a widget whose value is not among its choices crashes the library: the raw twin is looked at first;
- a file's memory must not be touched after its `CameraFile` is gone: it is written out while that lives;
- an object cannot be used again after ``exit``: a new one is made;
- the library's number says little (-1 for a full card and for a broken link alike), but it tells the camera's answer
  in words, which in the C locale are its own and untranslated;
- a setting that the camera refuses to describe, or is too busy to, is given the same answer as one that it lacks.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from functools import lru_cache
from pathlib import Path
from typing import Any

import gphoto2 as gp

from daemon.camera.asking import Event, FileInfo, Widget
from daemon.camera.dialects import RAW_ONLY, TWINS
from daemon.camera.errors_map import BAD_PARAMETERS, LinkFault

PTPIP_MODEL = "PTP/IP Camera"
_CHOICE_TYPES = (gp.GP_WIDGET_RADIO, gp.GP_WIDGET_MENU)
_MOST_FREE_KB = 1 << 31  # at or above it the number is a code for "unknown"
_CODE = re.compile(r"\(0x([0-9a-f]{4}): PTP ")

# What the library says in the C locale, and the response code of PTP behind it. All but the last three are measured.
ANSWERS = {
    "PTP General Error": 0x2002,
    "PTP Operation Not Supported": 0x2005,
    "PTP Store Full": 0x200C,
    "PTP Access Denied": 0x200F,
    "PTP Device Busy": 0x2019,
    "PTP Invalid Device Prop Value": 0x201C,
    "PTP Timeout": 0x02FA,
    "PTP I/O Error": 0x02FF,
    "PTP Store Read Only": 0x200E,
    "PTP Store Not Available": 0x2013,
    "PTP Out of Focus": 0xA002,
}


class _Answers:
    """What the library last said of an error, as the PTP response code that it stands for."""

    def __init__(self) -> None:
        self.code: int | None = None
        self.context = gp.Context()
        # The return value must live as long as messages are wanted.
        self._registration = self.context.set_error_func(self._hear, None)

    def _hear(self, context: Any, text: bytes | str, data: Any = None) -> None:
        words = text.decode(errors="replace") if isinstance(text, bytes) else text
        if found := _CODE.search(words):
            self.code = int(found[1], 16)
        elif words in ANSWERS:
            self.code = ANSWERS[words]


@contextmanager
def _faults(doing: str, answers: _Answers | None = None) -> Iterator[Any]:
    """Turns the library's errors into `LinkFault`; gives the context to hand to the library, if there is one."""
    if answers is not None:
        answers.code = None
    try:
        yield answers and answers.context
    except gp.GPhoto2Error as error:
        raise LinkFault(error.code, doing, answers.code if answers is not None else None) from None


def autodetect() -> list[tuple[str, str]]:
    """Model and port of every camera that the library finds by itself: those on USB. Takes up to 30 ms."""
    with _faults("looking for cameras"):
        found = gp.Camera.autodetect()
        pairs = [(found.get_name(n), found.get_value(n)) for n in range(found.count())]
    return [(model, port) for model, port in pairs if port.startswith("usb:")]


@lru_cache(maxsize=1)
def known_models() -> Any:
    """The library's list of cameras; loading it takes 20 ms and touches none."""
    known = gp.CameraAbilitiesList()
    known.load()
    return known


class Link:
    """One open connection. Every method raises `LinkFault` when the library returns an error."""

    def __init__(self, port: str):
        self.port = port
        self._camera = gp.Camera()
        self._answers = _Answers()
        with self._faults(f"connecting to {port}") as context:
            ports = gp.PortInfoList()
            ports.load()
            place = ports.lookup_path(port)
            self._camera.set_port_info(ports[place])
            if port.startswith("ptpip:"):
                known = known_models()
                self._camera.set_abilities(known[known.lookup_model(PTPIP_MODEL)])
            self._camera.init(context)

    def _faults(self, doing: str) -> AbstractContextManager[Any]:
        return _faults(doing, self._answers)

    def close(self) -> None:
        """End the session. The object is of no use afterwards."""
        with self._faults("letting the camera go") as context:
            self._camera.exit(context)

    @property
    def model(self) -> str:
        """The library's own name for the camera."""
        with self._faults("asking for the model"):
            return str(self._camera.get_abilities().model)

    @property
    def takes_pictures(self) -> bool:
        """Whether the library says that it can make this camera take a picture."""
        with self._faults("asking what the camera can do"):
            operations = self._camera.get_abilities().operations
        return bool(operations & (gp.GP_OPERATION_CAPTURE_IMAGE | gp.GP_OPERATION_TRIGGER_CAPTURE))

    @property
    def previews(self) -> bool:
        """Whether the library says that it can show what this camera sees."""
        with self._faults("asking what the camera can do"):
            return bool(self._camera.get_abilities().operations & gp.GP_OPERATION_CAPTURE_PREVIEW)

    def names(self) -> frozenset[str]:
        """The library's names of all that this camera says it has, told or not. The camera itself is not asked."""
        with self._faults("asking which settings there are") as context:
            found = self._camera.list_config(context)
            return frozenset(found.get_name(n) for n in range(found.count()))

    def _find(self, name: str, doing: str) -> Any | None:
        try:
            with self._faults(doing) as context:
                return self._camera.get_single_config(name, context)
        except LinkFault as fault:
            if fault.code == BAD_PARAMETERS and fault.response is None:
                return None
            raise

    def widget(self, name: str) -> Widget | None:
        """A setting by the library's name; None when this camera has none such, or does not tell it now."""
        found = self._find(name, f"reading {name}")
        if found is None:
            return None
        with self._faults(f"reading {name}"):
            if name in RAW_ONLY and found.get_label() != RAW_ONLY[name]:
                return None  # another maker's, and something else
            labels: tuple[str, ...] = ()
            if found.get_type() in _CHOICE_TYPES:
                labels = tuple(str(found.get_choice(n)) for n in range(found.count_choices()))
            raw, readable = self._twin(name)
            current = _as_text(found.get_value()) if readable else ""
            return Widget(name, current, labels, not found.get_readonly(), raw)

    def _twin(self, name: str) -> tuple[str | None, bool]:
        """The raw value behind a widget, and whether the widget's own value may be read at all."""
        code = TWINS.get(name)
        if code is None:
            return None, True
        try:
            with self._faults(f"reading {name}") as context:
                twin = self._camera.get_single_config(code, context)
                raw = _as_text(twin.get_value())
                if twin.get_type() not in _CHOICE_TYPES:
                    return raw, True
                choices = {str(twin.get_choice(n)) for n in range(twin.count_choices())}
                return raw, raw in choices
        except LinkFault:
            return None, True

    def send(self, name: str, value: str) -> None:
        """Send a value to a setting. That the library accepts it says little: read it back."""
        doing = f"setting {name} to {value}"
        widget = self._find(name, doing)
        if widget is None:
            raise LinkFault(BAD_PARAMETERS, doing, untold=True)
        with self._faults(doing) as context:
            if widget.get_type() == gp.GP_WIDGET_RANGE:
                widget.set_value(float(value))
            elif widget.get_type() == gp.GP_WIDGET_TOGGLE:
                widget.set_value(int(value))
            else:
                widget.set_value(value)
            self._camera.set_single_config(name, widget, context)

    def trigger(self) -> None:
        """Start an exposure and return."""
        with self._faults("triggering an exposure") as context:
            self._camera.trigger_capture(context)

    def capture(self) -> Event:
        """Take a picture and return when its first file is there. May block for ever: the supervisor's business."""
        with self._faults("taking a picture") as context:
            path = self._camera.capture(gp.GP_CAPTURE_IMAGE, context)
        return Event("file", path.folder, path.name)

    def event(self, timeout_ms: int) -> Event:
        """The next thing that the camera announced. The library may wait less or more than asked. [ms]"""
        with self._faults("listening to the camera") as context:
            kind, data = self._camera.wait_for_event(timeout_ms, context)
        if kind == gp.GP_EVENT_FILE_ADDED:
            return Event("file", data.folder, data.name)
        if kind == gp.GP_EVENT_CAPTURE_COMPLETE:
            return Event("complete")
        return Event("none" if kind == gp.GP_EVENT_TIMEOUT else "other")

    def folders(self, folder: str) -> list[str]:
        """Names of the folders in a folder."""
        with self._faults(f"listing {folder}") as context:
            found = self._camera.folder_list_folders(folder, context)
            return [found.get_name(n) for n in range(found.count())]

    def files(self, folder: str) -> list[str]:
        """Names of the files in a folder."""
        with self._faults(f"listing {folder}") as context:
            found = self._camera.folder_list_files(folder, context)
            return [found.get_name(n) for n in range(found.count())]

    def info(self, folder: str, name: str) -> FileInfo:
        """Size and time of a file on the card."""
        with self._faults(f"asking about {name}") as context:
            info = self._camera.file_get_info(folder, name, context).file
        told = info.fields
        return FileInfo(
            info.size if told & gp.GP_FILE_INFO_SIZE else None,
            info.mtime if told & gp.GP_FILE_INFO_MTIME and info.mtime else None,
        )

    def download(self, folder: str, name: str, into: Path) -> int:
        """Copy a file into a new file and flush it; its size. [bytes]

        Raises
        ------
        FileExistsError, OSError
            From the file system; a file that this call made is taken away again.
        """
        with self._faults(f"fetching {name}"):
            file = self._camera.file_get(folder, name, gp.GP_FILE_TYPE_NORMAL)
            return _write(file, into)

    def preview(self, into: Path) -> int:
        """Write one live picture into a new file; its size. [bytes] Raises as `download`."""
        with self._faults("looking through the camera") as context:
            file = gp.CameraFile()
            self._camera.capture_preview(file, context)
            return _write(file, into)

    def free_bytes(self) -> int | None:
        """Room left on all cards together; None when the camera does not tell. [bytes]"""
        with self._faults("asking for room on the card") as context:
            stores = self._camera.get_storageinfo(context)
        known = [
            store.freekbytes
            for store in stores
            if store.fields & gp.GP_STORAGEINFO_FREESPACEKBYTES and 0 <= store.freekbytes < _MOST_FREE_KB
        ]
        return sum(known) * 1024 if known else None


def _write(file: Any, into: Path) -> int:
    data = file.get_data_and_size()
    handle = os.open(into, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o644)
    try:
        size = len(data)
        with os.fdopen(handle, "wb") as sink:
            sink.write(data)
    except OSError:
        into.unlink(missing_ok=True)
        raise
    del data
    return size


def _as_text(value: Any) -> str:
    if value is None:
        return ""
    return f"{value:g}" if isinstance(value, float) else str(value)
