"""What the simulated camera does at each protocol operation, apart from how the bytes travel."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from hardware_mocks import jpeg, ptp
from hardware_mocks.camera import ROOM_FOR_A_FRAME, GardenCamera
from hardware_mocks.dials import Reason, Refusal
from hardware_mocks.marks import BULB

Answer = tuple[int, bytes, list[int]]  # answer code, data, further numbers

_ANSWERS: dict[Reason, int] = {
    "busy": ptp.DEVICE_BUSY,
    "card_full": ptp.STORE_FULL,
    "battery": ptp.ACCESS_DENIED,
    "denied": ptp.ACCESS_DENIED,
    "invalid": ptp.INVALID_VALUE,
    "unsupported": ptp.OPERATION_NOT_SUPPORTED,
    "general": ptp.GENERAL_ERROR,
}
_VERBS = {
    ptp.OPEN_SESSION: "open",
    ptp.INITIATE_CAPTURE: "capture",
    ptp.OPEN_SHUTTER: "bulb",
    ptp.CLOSE_SHUTTER: "bulb",
    ptp.GET_LIVE_VIEW: "preview",
    ptp.SET_PROP_VALUE: "set",
    ptp.GET_PROP_VALUE: "get",
    ptp.GET_PROP_DESC: "describe",
    ptp.GET_OBJECT_HANDLES: "list",
    ptp.GET_OBJECT_INFO: "info",
    ptp.GET_OBJECT: "object",
    ptp.GET_PARTIAL_OBJECT: "object",
    ptp.GET_THUMB: "thumb",
    ptp.DELETE_OBJECT: "delete",
}
_NO_CHOICES = ("battery", "clock", "live_view")
_LIVE_VIEW_HEAD = 128  # bytes of figures before a live picture
_ROOT, _TREE, _FOLDERS = 0, 0xF0000000, 0xF0000100  # handles of DCIM and, counted up, of the folders in it


class Silent(Exception):
    """A script line says that this request is never answered."""


class Broken(Exception):
    """A script line says that the link breaks while ``content`` is sent, for ``away_s``. [s]"""

    def __init__(self, content: bytes, away_s: float):
        super().__init__("the link broke")
        self.content, self.away_s = content, away_s


class Operations:
    """The operations of one client's session. ``tenths``: times travel in the standard's own property."""

    def __init__(self, camera: GardenCamera, tenths: bool = False):
        self.camera, self.tenths = camera, tenths
        self.open = False

    def answer(self, code: int, parameters: list[int], data: bytes) -> Answer:
        """Carry out operation ``code``.

        Raises
        ------
        Silent, Broken
            As the fault script says.
        Refusal
            ``absent`` only, when the link breaks before an exposure.
        """
        name = _METHODS.get(code)
        if name is None:
            return ptp.OPERATION_NOT_SUPPORTED, b"", []
        if not self.open and code not in (ptp.GET_DEVICE_INFO, ptp.OPEN_SESSION):
            return ptp.SESSION_NOT_OPEN, b"", []
        wanted: Callable[[list[int], bytes], Answer] = getattr(self, name)
        try:
            self._script(code, parameters)
            return wanted([*parameters, *[0] * (5 - len(parameters))], data)
        except Refusal as refusal:
            if refusal.reason == "absent":
                raise
            return _ANSWERS[refusal.reason], b"", []
        except FileNotFoundError:  # somebody took it off the card's folder
            return ptp.INVALID_HANDLE, b"", []

    def _script(self, code: int, parameters: list[int]) -> None:
        """Let the fault script act on this request first."""
        verb = _VERBS.get(code)
        if verb is None:
            return
        setting = ptp.NAMES.get(parameters[0]) if verb in ("set", "get", "describe") and parameters else None
        line = self.camera.faults.for_verb(verb, setting)
        if line is None:
            return
        if line["fault"] == "silent":
            raise Silent
        raise Refusal("busy" if line["fault"] == "busy" else line.get("reason", "denied"))

    def _device_info(self, parameters: list[int], data: bytes) -> Answer:
        return ptp.OK, ptp.device_info(jpeg.MODEL, "1.0", self.tenths), []

    def _open_session(self, parameters: list[int], data: bytes) -> Answer:
        if self.open:
            return ptp.SESSION_OPEN, b"", []
        self.open = True
        return ptp.OK, b"", []

    def _close_session(self, parameters: list[int], data: bytes) -> Answer:
        self.open = False
        return ptp.OK, b"", []

    def _storage_ids(self, parameters: list[int], data: bytes) -> Answer:
        return ptp.OK, ptp.pack_array("I", (ptp.STORAGE,)), []

    def _storage_info(self, parameters: list[int], data: bytes) -> Answer:
        if parameters[0] != ptp.STORAGE:
            return ptp.INVALID_STORAGE, b"", []
        card = self.camera.card
        free = card.free_bytes()
        return ptp.OK, ptp.storage_info(card.capacity, free, free // ROOM_FOR_A_FRAME), []

    def _handles(self, storage: int, format_code: int, parent: int) -> list[int]:
        folders = self.camera.card.folders()
        handles = []
        if parent in (0, 0xFFFFFFFF) and format_code in (0, ptp.FORMAT_FOLDER):
            handles.append(_TREE)
        if parent in (0, _TREE) and format_code in (0, ptp.FORMAT_FOLDER):
            handles += [_FOLDERS + int(name[:3]) for name in folders]
        for handle, entry in self.camera.files().items():
            if format_code in (0, _format(entry.name)) and parent in (0, _FOLDERS + int(entry.folder[:3])):
                handles.append(handle)
        return handles if storage in (ptp.STORAGE, 0xFFFFFFFF) else []

    def _num_objects(self, parameters: list[int], data: bytes) -> Answer:
        return ptp.OK, b"", [len(self._handles(*parameters[:3]))]

    def _object_handles(self, parameters: list[int], data: bytes) -> Answer:
        return ptp.OK, ptp.pack_array("I", self._handles(*parameters[:3])), []

    def _object_info(self, parameters: list[int], data: bytes) -> Answer:
        handle = parameters[0]
        if handle == _TREE:
            name, parent = "DCIM", _ROOT
        elif handle >= _FOLDERS and f"{handle - _FOLDERS:03d}GARDN" in self.camera.card.folders():
            name, parent = f"{handle - _FOLDERS:03d}GARDN", _TREE
        elif (entry := self.camera.files().get(handle)) is not None:
            info = ptp.object_info(
                name=entry.name,
                format_code=_format(entry.name),
                size=entry.size,
                parent=_FOLDERS + int(entry.folder[:3]),
                taken=ptp.stamp(self.camera.taken(handle)),
                pixels=self.camera.optics.size,
            )
            return ptp.OK, info, []
        else:
            return ptp.INVALID_HANDLE, b"", []
        info = ptp.object_info(name=name, format_code=ptp.FORMAT_FOLDER, size=0, parent=parent, taken="")
        return ptp.OK, info, []

    def _content(self, handle: int) -> bytes | None:
        try:
            content = self.camera.read(handle)
        except KeyError:
            return None
        frame = self.camera.frame_of(handle)
        if frame is not None and (line := self.camera.faults.for_frame("drop", frame, "download")) is not None:
            raise Broken(content, line.get("away_s", 0.0))
        if frame is not None and (line := self.camera.faults.for_frame("truncate", frame)) is not None:
            content = content[: int(len(content) * line.get("keep", 0.5))]
        return content

    def _object(self, parameters: list[int], data: bytes) -> Answer:
        content = self._content(parameters[0])
        if content is None:
            return ptp.INVALID_HANDLE, b"", []
        rate = self.camera.timing.bytes_per_s
        self.camera.transferred(len(content) / rate if rate else 0.0)
        return ptp.OK, content, []

    def _partial_object(self, parameters: list[int], data: bytes) -> Answer:
        content = self._content(parameters[0])
        if content is None:
            return ptp.INVALID_HANDLE, b"", []
        part = content[parameters[1] : parameters[1] + parameters[2]]
        rate = self.camera.timing.bytes_per_s
        self.camera.transferred(len(part) / rate if rate else 0.0)
        return ptp.OK, part, [len(part)]

    def _thumb(self, parameters: list[int], data: bytes) -> Answer:
        try:
            return ptp.OK, jpeg.thumbnail(self.camera.read(parameters[0])), []
        except KeyError:
            return ptp.INVALID_HANDLE, b"", []
        except OSError:  # a spoilt file
            return ptp.GENERAL_ERROR, b"", []

    def _delete(self, parameters: list[int], data: bytes) -> Answer:
        try:
            self.camera.delete(parameters[0])
        except KeyError:
            return ptp.INVALID_HANDLE, b"", []
        return ptp.OK, b"", []

    def _capture(self, parameters: list[int], data: bytes) -> Answer:
        self.camera.trigger()
        return ptp.OK, b"", []

    def _host_controls(self, parameters: list[int], data: bytes) -> Answer:
        return ptp.OK, b"", []

    def _ready(self, parameters: list[int], data: bytes) -> Answer:
        return ptp.OK, b"", []

    def _open_shutter(self, parameters: list[int], data: bytes) -> Answer:
        self.camera.open_shutter()
        return ptp.OK, b"", []

    def _close_shutter(self, parameters: list[int], data: bytes) -> Answer:
        self.camera.close_shutter()
        return ptp.OK, b"", []

    def _start_live_view(self, parameters: list[int], data: bytes) -> Answer:
        self.camera.look(True)
        return ptp.OK, b"", []

    def _end_live_view(self, parameters: list[int], data: bytes) -> Answer:
        self.camera.look(False)
        return ptp.OK, b"", []

    def _live_view(self, parameters: list[int], data: bytes) -> Answer:
        return ptp.OK, bytes(_LIVE_VIEW_HEAD) + self.camera.live_picture(), []

    def _now(self, name: str) -> int | str:
        """The value of a property as it travels."""
        camera = self.camera
        if name == "battery":
            return camera.battery
        if name == "live_view":
            return int(camera.live)
        if name == "clock":
            return ptp.stamp(camera.now())
        value = camera.get(name)
        return camera.labels(name)[value] if ptp.PROPERTIES[name].kind == ptp.STRING else value

    def _tenths_now(self) -> int:
        return tenths(self.camera, self.camera.get("time"))

    def _describe(self, parameters: list[int], data: bytes) -> Answer:
        name, camera = ptp.NAMES.get(parameters[0]), self.camera
        if parameters[0] == ptp.TENTHS and self.tenths:
            choices = dict.fromkeys(tenths(camera, raw) for raw in camera.choices("time"))
            return (
                ptp.OK,
                ptp.tenths_description(writable=camera.writable("time"), current=self._tenths_now(), choices=choices),
                [],
            )
        if name is None or (name == "time" and self.tenths):
            return ptp.PROP_NOT_SUPPORTED, b"", []
        now = self._now(name)
        if name in _NO_CHOICES:
            text = ptp.property_description(name, writable=name == "clock", factory=now, current=now, choices=None)
        else:
            wire: list[int | str] = list(camera.choices(name))
            if ptp.PROPERTIES[name].kind == ptp.STRING:
                wire = list(camera.labels(name).values())
            text = ptp.property_description(
                name, writable=camera.writable(name), factory=wire[0], current=now, choices=wire
            )
        return ptp.OK, text, []

    def _value(self, parameters: list[int], data: bytes) -> Answer:
        name = ptp.NAMES.get(parameters[0])
        if parameters[0] == ptp.TENTHS and self.tenths:
            return ptp.OK, ptp.pack_value(ptp.UINT32, self._tenths_now()), []
        if name is None:
            return ptp.PROP_NOT_SUPPORTED, b"", []
        now, kind = self._now(name), ptp.PROPERTIES[name].kind
        return ptp.OK, ptp.pack_string(str(now)) if kind == ptp.STRING else ptp.pack_value(kind, int(now)), []

    def _set(self, parameters: list[int], data: bytes) -> Answer:
        camera, name = self.camera, ptp.NAMES.get(parameters[0])
        try:
            if parameters[0] == ptp.TENTHS:
                camera.set("time", self._from_tenths(ptp.unpack_value(ptp.UINT32, data)))
            elif name is None:
                return ptp.PROP_NOT_SUPPORTED, b"", []
            elif name in ("battery", "live_view"):
                return ptp.ACCESS_DENIED, b"", []
            elif name == "clock":
                camera.set_clock(datetime.strptime(ptp.unpack_string(data)[:15], "%Y%m%dT%H%M%S"))  # noqa: DTZ007
            elif ptp.PROPERTIES[name].kind == ptp.STRING:
                known = {text: raw for raw, text in camera.labels(name).items()}
                camera.set(name, known.get(ptp.unpack_string(data), -1))
            else:
                value = ptp.unpack_value(ptp.PROPERTIES[name].kind, data)
                if name != "mode" or value != camera.get("mode"):  # what the dial stands on may be asked for
                    camera.set(name, value)
        except ValueError:
            return ptp.INVALID_VALUE, b"", []
        return ptp.OK, b"", []

    def _from_tenths(self, value: int) -> int:
        """The raw time for one in tenths of a millisecond: bulb, or the nearest that such a body has."""
        if value == BULB:
            return BULB
        if not self.tenths:
            raise Refusal("unsupported", "this body has another property for its times")
        times = [raw for raw in self.camera.choices("time") if raw != BULB]
        return min(times, key=lambda raw: abs(tenths(self.camera, raw) - value))


def tenths(camera: GardenCamera, raw: int) -> int:
    """A raw time in tenths of a millisecond, cut off, as the standard's property counts; bulb is all ones."""
    if raw == BULB:
        return BULB
    top, bottom = raw >> 16, raw & 0xFFFF
    return max(1, top * 10_000 // bottom)


def _format(name: str) -> int:
    return ptp.FORMAT_JPEG if name.endswith(".JPG") else ptp.FORMAT_UNDEFINED


_METHODS = {
    ptp.GET_DEVICE_INFO: "_device_info",
    ptp.OPEN_SESSION: "_open_session",
    ptp.CLOSE_SESSION: "_close_session",
    ptp.GET_STORAGE_IDS: "_storage_ids",
    ptp.GET_STORAGE_INFO: "_storage_info",
    ptp.GET_NUM_OBJECTS: "_num_objects",
    ptp.GET_OBJECT_HANDLES: "_object_handles",
    ptp.GET_OBJECT_INFO: "_object_info",
    ptp.GET_OBJECT: "_object",
    ptp.GET_PARTIAL_OBJECT: "_partial_object",
    ptp.GET_THUMB: "_thumb",
    ptp.DELETE_OBJECT: "_delete",
    ptp.INITIATE_CAPTURE: "_capture",
    ptp.HOST_CONTROLS: "_host_controls",
    ptp.DEVICE_READY: "_ready",
    ptp.OPEN_SHUTTER: "_open_shutter",
    ptp.CLOSE_SHUTTER: "_close_shutter",
    ptp.START_LIVE_VIEW: "_start_live_view",
    ptp.END_LIVE_VIEW: "_end_live_view",
    ptp.GET_LIVE_VIEW: "_live_view",
    ptp.GET_PROP_DESC: "_describe",
    ptp.GET_PROP_VALUE: "_value",
    ptp.SET_PROP_VALUE: "_set",
}
