"""What the parts of the interface share: the service, its searches, and a bound on heavy work."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Annotated

from fastapi import Depends, Path, Request

from daemon.pictures.film.strip import Tiles
from daemon.places import state_folder
from daemon.schedule import Schedule
from daemon.searches import Searches
from daemon.service import Service
from daemon.web.access import Access
from daemon.web.errors import Refused
from daemon.web.hiding import Hiding
from daemon.web.making import Makings

HEAVY_AT_ONCE, HEAVY_WAIT_S = 2, 20.0


class Needs:
    """One of each, for as long as the service lives."""

    def __init__(self, service: Service, access: Access, schedule: Schedule):
        self.service, self.access, self.schedule = service, access, schedule
        self.searches, self.hiding = Searches(service.store), Hiding(state_folder(service.store.path))
        self.makings, self.rehearsals = Makings(), Makings(kept=8)
        self.makings.get("facets", self.searches.warm, 0)
        self.strips, self.tiles = Makings(kept=4), Tiles()
        self._heavy = threading.BoundedSemaphore(HEAVY_AT_ONCE)

    @contextmanager
    def heavy(self, asked: str) -> Iterator[None]:
        """A place among the few that may compute at once.

        Raises
        ------
        Refused
            If none is free in time.
        """
        if not self._heavy.acquire(timeout=HEAVY_WAIT_S):
            raise Refused(429, asked, "others at work", f"{HEAVY_AT_ONCE} at once", "Ask again shortly", "TooMany")
        try:
            yield
        finally:
            self._heavy.release()

    def close(self) -> None:
        """Let the logbook go."""
        self.makings.close()
        self.rehearsals.close()
        self.strips.close()
        self.searches.close()


def needs(request: Request) -> Needs:
    """Those of this application."""
    found: Needs = request.app.state.needs
    return found


def watches(request: Request) -> bool:
    """Whether whoever asks may only watch, so that hidden settings are hidden from it."""
    return bool(request.state.role == "watch")


With = Annotated[Needs, Depends(needs)]
Watches = Annotated[bool, Depends(watches)]
Which = Annotated[str, Path(pattern=r"^(last|[0-9]{1,9})$", description="A run's number, or last")]
Number = Annotated[int, Path(ge=1, le=2**31)]
