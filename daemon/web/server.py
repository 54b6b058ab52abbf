"""The service as a process: HTTP, signals, and what the service manager is told."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from daemon import clock, log, notify
from daemon.config import Loaded
from daemon.errors import StopwrightError, UsageError
from daemon.places import ADDRESS, state_folder, write_private
from daemon.schedule import Schedule
from daemon.service import Order, Service
from daemon.web.access import Access
from daemon.web.app import make_app
from daemon.web.needs import Needs

HEADERS_S = 10.0  # within which the head of a request must have come, from its first byte or the connection on [s]
MOST_CONNECTIONS = 600  # 40 phones at six each, as browsers open them, and twice that over
_LOOK_S = 0.25
_EXTEND_S = 30.0  # the service manager is asked for so long at a time while the last frame is finished [s]


class PatientProtocol(H11Protocol):
    """HTTP that does not wait for ever for the head of a request."""

    _timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: Any) -> None:
        """A client came: its first request is due."""
        super().connection_made(transport)
        self._timer = self.loop.call_later(HEADERS_S, self._too_slow)

    def data_received(self, data: bytes) -> None:
        """Something came; a head that began is due whole."""
        super().data_received(data)
        if self._waits_for_head() and self.conn.their_state is not None and self._timer is None and self._begun():
            self._timer = self.loop.call_later(HEADERS_S, self._too_slow)
        elif not self._waits_for_head():
            self._forget()

    def connection_lost(self, exc: Exception | None) -> None:
        """The client is gone."""
        self._forget()
        super().connection_lost(exc)

    def _waits_for_head(self) -> bool:
        return self.cycle is None or self.cycle.response_complete

    def _begun(self) -> bool:
        return bool(self.conn.trailing_data[0])

    def _forget(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _too_slow(self) -> None:
        self._timer = None
        if self._waits_for_head() and not self.transport.is_closing():
            self.transport.close()


class Server(uvicorn.Server):
    """Ends by a signal: first the run, after the frame in flight; then the streams; then itself."""

    def __init__(self, config: uvicorn.Config, service: Service, streams: set[Any]):
        super().__init__(config)
        self._service, self._streams, self._asked = service, streams, 0

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Ctrl-C, SIGTERM and hang-up ask for the end; a second one changes nothing."""
        loop = asyncio.get_running_loop()
        kept = [signal.SIGINT, signal.SIGTERM, signal.SIGHUP]
        for number in kept:
            loop.add_signal_handler(number, self._ask_end, number)
        try:
            yield
        finally:
            for number in kept:
                loop.remove_signal_handler(number)

    def _ask_end(self, number: int) -> None:
        self._asked += 1
        if self._asked == 1:
            self._service.log.info("ending", signal=signal.Signals(number).name, run=self._service.running())
            self._service.begin_end()
            self._kept = asyncio.get_running_loop().create_task(self._end())

    async def _end(self) -> None:
        notify.tell("STOPPING=1", "STATUS=finishing the frame in flight")
        told = clock.monotonic() - _EXTEND_S
        while self._service.job is not None:
            if clock.monotonic() - told > _EXTEND_S / 2:
                told = clock.monotonic()
                notify.tell(f"EXTEND_TIMEOUT_USEC={int(_EXTEND_S * 1e6)}")
            await asyncio.sleep(_LOOK_S)
        for stream in list(self._streams):
            stream.close()
        self.should_exit = True


def serve(loaded: Loaded, service: Service) -> None:
    """Serve until a signal asks for the end; the run is over and the camera as it was found when this returns.

    Raises
    ------
    UsageError
        If the address cannot be listened on.
    StoreError
        If the token cannot be kept.
    """
    config, store = loaded.config, service.store
    folder = state_folder(store.path)
    access = Access(folder)
    log.take_over("uvicorn", "uvicorn.error", "apscheduler", "asyncio", "sse_starlette")
    schedule = Schedule(service)
    needs = Needs(service, access, schedule)
    app = make_app(needs, loaded)
    listening = _listen("0.0.0.0" if config.lan and config.host == "127.0.0.1" else config.host, config.port)
    host, port = listening.getsockname()[:2]
    url = f"http://{'127.0.0.1' if host == '0.0.0.0' else f'[{host}]' if ':' in host else host}:{port}"
    made = uvicorn.Config(
        app, http=PatientProtocol, ws="none", loop="asyncio", lifespan="off", log_config=None, access_log=False,
        limit_concurrency=MOST_CONNECTIONS, timeout_keep_alive=15, timeout_graceful_shutdown=5, server_header=False,
        date_header=True, proxy_headers=False, h11_max_incomplete_event_size=32768,
    )  # fmt: skip
    server = Server(made, service, app.state.streams)
    try:
        write_private(folder / ADDRESS, json.dumps({"url": url, "pid": os.getpid()}))
        schedule.start()
        asyncio.run(_life(server, service, listening, url, config.lan))
    finally:
        schedule.close()
        service.begin_end()
        while not service.wait_for_end(_LOOK_S):
            pass
        (folder / ADDRESS).unlink(missing_ok=True)
        needs.close()
        listening.close()
        service.log.info("ended")


async def _life(server: Server, service: Service, listening: socket.socket, url: str, lan: bool) -> None:
    ready = asyncio.create_task(_tell_life(server, service, url, lan))
    try:
        await server.serve([listening])
    finally:
        ready.cancel()


async def _tell_life(server: Server, service: Service, url: str, lan: bool) -> None:
    """Say that the service is up, take up a run that was cut off, and keep the watchdog content."""
    while not server.started:
        await asyncio.sleep(0.01)
    notify.tell("READY=1", f"STATUS=at {url}", f"MAINPID={os.getpid()}")
    service.log.info("up", url=url, store=str(service.store.path), lan=lan)
    await asyncio.to_thread(_take_up, service)
    pause = notify.watchdog_s()
    while pause is not None:
        await asyncio.to_thread(service.store.run_in_progress)  # a thread and the store's disk answer, too
        notify.tell("WATCHDOG=1")
        await asyncio.sleep(pause / 2)


def _take_up(service: Service) -> None:
    try:
        run = service.cut_off()
        if run is not None:
            service.log.info("a run was cut off; it goes on", run=run)
            service.order(Order(f"cut-off-{run}-{service.started.isoformat()}", which=str(run)))
    except StopwrightError as error:
        service.log.error("a run that was cut off cannot go on", message=str(error))


def _listen(host: str, port: int) -> socket.socket:
    try:
        kind = socket.AF_INET6 if ":" in host else socket.AF_INET
        return socket.create_server((host, port), family=kind, backlog=128)
    except (OSError, UnicodeError) as error:
        raise UsageError(
            f"listen on {host}:{port}: found that it is not possible ({getattr(error, 'strerror', None) or error}); "
            "allowed: an address of this computer and a free port. Name another with --port or in the configuration"
        ) from None
