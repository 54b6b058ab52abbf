"""The simulated camera behind PTP over TCP/IP (CIPA DC-005), for the real camera library on the loopback address.

One client at a time holds the camera; another is turned away as busy. A client may vanish at any moment: the camera
goes on, and the announcements it missed reach the next one, as on real bodies.
"""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
from collections import deque
from queue import SimpleQueue

from hardware_mocks import clock, jpeg, ptp
from hardware_mocks.camera import GardenCamera
from hardware_mocks.dials import Refusal
from hardware_mocks.operations import Broken, Operations, Silent

# Packet types.
_INIT, _INIT_ACK, _INIT_EVENTS, _INIT_EVENTS_ACK, _INIT_FAIL = 1, 2, 3, 4, 5
_REQUEST, _RESPONSE, _EVENT, _START_DATA, _DATA, _CANCEL, _END_DATA, _PING, _PONG = 6, 7, 8, 9, 10, 11, 12, 13, 14
_FAIL_BUSY = 2
_LARGEST_PACKET = 1 << 20
_CHUNK = 1 << 17
_AT_ONCE = 1 << 12  # so little passes in no time [bytes]
_KEPT_EVENTS = 64
_CHANGES_APART_S = 0.05
_GUID = b"stopwright-mocks"


class _Gone(Exception):
    """The client is no longer there."""


def _tune(link: socket.socket) -> None:
    link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def _read_exactly(link: socket.socket, count: int) -> bytes:
    parts = []
    while count:
        # Set anew each time, else the kernel holds its acknowledgement back for 40 ms.
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_QUICKACK, 1)
        part = link.recv(count)
        if not part:
            raise _Gone
        parts.append(part)
        count -= len(part)
    return b"".join(parts)


def _read_packet(link: socket.socket) -> tuple[int, bytes]:
    length, kind = struct.unpack("<II", _read_exactly(link, 8))
    if not 8 <= length <= _LARGEST_PACKET:
        raise _Gone
    return kind, _read_exactly(link, length - 8)


def _packet(kind: int, body: bytes) -> bytes:
    return struct.pack("<II", 8 + len(body), kind) + body


class _Session:
    """One client: its command connection and, once it has asked, its event connection."""

    def __init__(self, responder: Responder, number: int, link: socket.socket):
        self.responder, self.number, self.link = responder, number, link
        self.operations = Operations(responder.camera, responder.tenths)
        self.events: socket.socket | None = None
        self.ended = threading.Event()

    def close(self) -> None:
        for link in (self.link, self.events):
            if link is not None:
                with contextlib.suppress(OSError):
                    link.shutdown(socket.SHUT_RDWR)
                link.close()

    def serve(self) -> None:
        """Answer requests until the client goes."""
        try:
            while True:
                kind, body = _read_packet(self.link)
                if not self.responder.camera.on:
                    raise _Gone
                self.responder.camera.touch()
                if kind == _PING:
                    self.link.sendall(_packet(_PONG, b""))
                elif kind == _REQUEST and len(body) >= 10:
                    with contextlib.suppress(Silent):
                        self._request(body)
        except (_Gone, OSError):
            pass
        finally:
            self.close()
            self.ended.set()

    def _request(self, body: bytes) -> None:
        phase, code, transaction = struct.unpack("<IHI", body[:10])
        count = (len(body) - 10) // 4
        parameters = list(struct.unpack(f"<{count}I", body[10 : 10 + count * 4]))
        data = self._incoming() if phase == 2 else b""
        try:
            answer, reply, results = self.operations.answer(code, parameters, data)
        except Refusal:
            raise _Gone from None
        except Broken as broken:
            half = broken.content[: len(broken.content) // 2]
            with contextlib.suppress(OSError):
                start = _packet(_START_DATA, struct.pack("<IQ", transaction, len(broken.content)))
                self.link.sendall(start + struct.pack("<III", 12 + len(broken.content), _END_DATA, transaction) + half)
            self.responder.drop(broken.away_s)
            raise _Gone from None
        self._answer(transaction, answer, reply, results)
        if code == ptp.OPEN_SESSION:
            self.responder.catch_up(self)

    def _incoming(self) -> bytes:
        parts = []
        while True:
            kind, body = _read_packet(self.link)
            if kind in (_DATA, _END_DATA):
                parts.append(body[4:])
            if kind == _END_DATA:
                return b"".join(parts)
            if kind not in (_START_DATA, _DATA):
                raise _Gone

    def _answer(self, transaction: int, answer: int, data: bytes, results: list[int]) -> None:
        response = _packet(_RESPONSE, struct.pack(f"<HI{len(results)}I", answer, transaction, *results))
        if not data:
            self.link.sendall(response)
            return
        start = _packet(_START_DATA, struct.pack("<IQ", transaction, len(data)))
        rate = self.responder.camera.timing.bytes_per_s
        if rate is None or len(data) < _CHUNK:
            head = struct.pack("<III", 12 + len(data), _END_DATA, transaction)
            if rate is not None and len(data) > _AT_ONCE:
                clock.sleep(len(data) / rate)
            self.link.sendall(b"".join([start, head, data, response]))
            return
        self.link.sendall(start)
        begun = clock.monotonic()
        for place in range(0, len(data), _CHUNK):
            part = data[place : place + _CHUNK]
            kind = _END_DATA if place + _CHUNK >= len(data) else _DATA
            self.link.sendall(_packet(kind, struct.pack("<I", transaction) + part))
            clock.sleep(begun + (place + len(part)) / rate - clock.monotonic())
        self.link.sendall(response)


class Responder:
    """Listens on a loopback port and lets one client at a time work the camera.

    ``tenths``: the camera tells its times by the standard's own property, in tenths of a millisecond.
    """

    def __init__(self, camera: GardenCamera, listener: socket.socket, tenths: bool = False):
        self.camera, self.tenths = camera, tenths
        self._listener = listener
        self._lock = threading.Lock()
        self._sending = threading.Lock()
        self._session: _Session | None = None
        self._count = 0
        self._kept: deque[bytes] = deque(maxlen=_KEPT_EVENTS)
        self._away_until = 0.0
        self._changes: SimpleQueue[bytes | None] = SimpleQueue()
        camera.listen(self._hear)

    def serve(self) -> None:
        """Take connections until the listening socket is closed."""
        threading.Thread(target=self._announce_changes, name="changes", daemon=True).start()
        while True:
            try:
                link, _ = self._listener.accept()
            except OSError:
                return
            if clock.monotonic() < self._away_until or not self.camera.on:
                link.close()
                continue
            threading.Thread(target=self._greet, args=(link,), name="client", daemon=True).start()

    def close(self) -> None:
        """Stop listening and let the client go."""
        self._listener.close()
        self._changes.put(None)
        self.drop(0)

    def drop(self, away_s: float) -> None:
        """Break the link; turn everybody away for ``away_s``. [s]"""
        with self._lock:
            self._away_until = clock.monotonic() + away_s
            session = self._session
        if session is not None:
            session.close()

    def _greet(self, link: socket.socket) -> None:
        try:
            _tune(link)
            link.settimeout(10)
            kind, body = _read_packet(link)
            link.settimeout(None)
            if kind == _INIT:
                self._begin(link)
            elif kind == _INIT_EVENTS and len(body) >= 4:
                self._attach(link, struct.unpack("<I", body[:4])[0])
            else:
                link.close()
        except (_Gone, OSError):
            link.close()

    def _begin(self, link: socket.socket) -> None:
        with self._lock:
            before = self._session
        if before is not None and not before.ended.wait(0.5):
            link.sendall(_packet(_INIT_FAIL, struct.pack("<I", _FAIL_BUSY)))
            link.close()
            return
        with self._lock:
            self._count += 1
            session = self._session = _Session(self, self._count, link)
        name = (jpeg.MODEL + "\0").encode("utf-16-le")
        link.sendall(_packet(_INIT_ACK, struct.pack("<I", session.number) + _GUID + name + struct.pack("<I", 1 << 16)))
        session.serve()

    def _attach(self, link: socket.socket, number: int) -> None:
        with self._lock:
            session = self._session
        if session is None or session.number != number:
            link.sendall(_packet(_INIT_FAIL, struct.pack("<I", _FAIL_BUSY)))
            link.close()
            return
        with self._sending:
            link.sendall(_packet(_INIT_EVENTS_ACK, b""))
            session.events = link
        with contextlib.suppress(_Gone, OSError):
            while True:
                kind, _ = _read_packet(link)
                if kind == _PING:
                    with self._sending:
                        link.sendall(_packet(_PONG, b""))

    def catch_up(self, session: _Session) -> None:
        """Announce to a client what it, or the one before it, missed."""
        with self._sending:
            while self._kept and session.events is not None:
                session.events.sendall(self._kept.popleft())

    def _hear(self, what: str, value: int | str) -> None:
        if isinstance(value, str):
            code, parameter = ptp.PROP_CHANGED, ptp.PROPERTIES[value].code
            if value == "time" and self.tenths:
                parameter = ptp.TENTHS
        elif what == "drop":
            self.drop(value / 1000)
            return
        else:
            code, parameter = ptp.OBJECT_ADDED if what == "added" else ptp.CAPTURE_COMPLETE, value
        packet = _packet(_EVENT, struct.pack("<HII", code, 0, parameter))
        if what == "changed":
            self._changes.put(packet)
        else:
            self._send_event(packet, keep=True)

    def _announce_changes(self) -> None:
        # The library forgets what it knew of a property only when it hears of the change while it waits for events.
        # It asks for the property at once, and an event that comes during that is set aside; hence one by one.
        while (packet := self._changes.get()) is not None:
            self._send_event(packet, keep=False)
            clock.sleep(_CHANGES_APART_S)

    def _send_event(self, packet: bytes, keep: bool) -> None:
        with self._sending:
            with self._lock:
                session = self._session
            ready = session is not None and session.operations.open and not session.ended.is_set()
            if ready and session is not None and session.events is not None:
                try:
                    session.events.sendall(packet)
                    return
                except OSError:
                    pass
            if keep:
                self._kept.append(packet)
