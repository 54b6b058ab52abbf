"""Live events (SSE). What is durable is read from the logbook, live or after a reconnection alike.

Each durable message has the id ``EVENT-FRAME``: the newest event and frame of the logbook that the client has then.
Sent back as ``Last-Event-ID`` (or ``since``), the stream goes on there, with nothing left out and nothing twice.
Messages ``state`` and ``step`` (a step begins, a frame is kept) tell the present only and have no id.
"""

from __future__ import annotations

import asyncio
import json
import re
from collections import deque
from collections.abc import AsyncIterator
from typing import Annotated, Any

from fastapi import APIRouter, Header, Query, Request
from sse_starlette import EventSourceResponse, ServerSentEvent
from starlette.concurrency import run_in_threadpool

from daemon.feed import Event
from daemon.tables import plain
from daemon.web.errors import Refused
from daemon.web.needs import Needs, Watches, With

router = APIRouter(prefix="/api", tags=["live"])

MOST_STREAMS: dict[str, int] = {"watch": 96, "control": 24}  # a class of 40 with two pages each; the rig's own apart
PING_S, SEND_S = 15, 20.0
_PAGE = 100
_RETRY_MS = 2000
_PLACE = re.compile(r"([0-9]{1,12})-([0-9]{1,12})")


@router.get("/events", response_class=EventSourceResponse)
async def events(
    request: Request,
    needs: With,
    watches: Watches,
    run: Annotated[int | None, Query(ge=1, le=2**31, description="Of this run alone")] = None,
    since: Annotated[str | None, Query(max_length=30, description="EVENT-FRAME; 0-0: from the beginning")] = None,
    last_event_id: Annotated[str | None, Header(max_length=30)] = None,
) -> EventSourceResponse:
    """Live events: ``state`` and ``step`` (the present, no id), ``frame`` and the run's events by kind (with id)."""
    place = last_event_id or since
    found = _PLACE.fullmatch(place) if place is not None else None
    if place is not None and found is None:
        raise Refused(400, "events", f"the place {place[:30]!r}", "EVENT-FRAME", "Send back an id as it came, or none")
    streams = request.app.state.streams
    role = "watch" if watches else "control"
    if sum(stream.watches == watches for stream in streams) >= MOST_STREAMS[role]:
        raise Refused(429, "events", f"{MOST_STREAMS[role]} streams to {role}", "fewer", "Close a page", "TooMany")
    start = (int(found[1]), int(found[2])) if found else await run_in_threadpool(needs.searches.ends)
    stream = _Stream(needs, watches, run, *start)
    streams.add(stream)
    return EventSourceResponse(
        stream.messages(streams), ping=PING_S, send_timeout=SEND_S, headers={"cache-control": "no-store"}
    )


class _Stream:
    """One client's place in the logbook."""

    def __init__(self, needs: Needs, watches: bool, run: int | None, event: int, frame: int):
        self._needs, self.watches, self._run = needs, watches, run
        self._event, self._frame = event, frame
        self._loop, self._wake = asyncio.get_running_loop(), asyncio.Event()
        self._steps: deque[Event] = deque(maxlen=20)
        self._leave = needs.service.listen(self._heard)
        self._over = False

    def close(self) -> None:
        """End the stream soon; from the event loop."""
        self._over = True
        self._wake.set()

    async def messages(self, streams: set[Any]) -> AsyncIterator[ServerSentEvent]:
        """What to send, for ever."""
        told = ""
        try:
            while not self._over:
                self._wake.clear()
                state = json.dumps(plain(self._state()))
                if state != told:
                    told = state
                    yield ServerSentEvent(data=state, event="state", retry=_RETRY_MS)
                while self._steps:
                    step = self._told("step", self._steps.popleft().as_json())
                    yield ServerSentEvent(data=json.dumps(plain(step)), event="step")
                while batch := await run_in_threadpool(self._next):
                    for name, tree, place in batch:
                        yield ServerSentEvent(data=json.dumps(self._told(name, tree)), event=name, id=place)
                await self._wake.wait()
        finally:
            self._leave()
            streams.discard(self)

    def _state(self) -> dict[str, Any]:
        state, hiding = self._needs.service.state(), self._needs.hiding
        return (hiding.state(state) if self.watches else state) | {"board": hiding.as_json()}

    def _told(self, name: str, tree: dict[str, Any]) -> dict[str, Any]:
        """A message as this client may read it now."""
        if not self.watches:
            return tree
        return self._needs.hiding.frame(tree) if name == "frame" else self._needs.hiding.event(tree)

    def _next(self) -> list[tuple[str, dict[str, Any], str]]:
        """What has come since: name, data, place. By time, but each kind in its own order whatever the clock did."""
        events = deque(self._needs.searches.events(self._run, self._event, _PAGE))
        frames = deque(self._needs.searches.frames(self._run, self._frame, _PAGE))
        batch = []
        while events or frames:
            if events and not (frames and frames[0]["stored_at"] < events[0].at):
                row = events.popleft()
                self._event, name, tree = row.id, row.kind, plain(row)
            else:
                whole = frames.popleft()
                self._frame, name, tree = whole["frame"], "frame", plain(whole)
            batch.append((name, tree, f"{self._event}-{self._frame}"))
        return batch

    def _heard(self, event: Event | None) -> None:
        if event is not None and event.kind in ("step-started", "frame-kept"):
            self._steps.append(event)
        self._loop.call_soon_threadsafe(self._wake.set)
