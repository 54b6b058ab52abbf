"""What takes longer than a request may: made once in a thread of its own, asked about until it is there."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from concurrent.futures import Future
from contextlib import suppress
from typing import Any

KEPT = 500


class Makings:
    """Results by key, the newest `KEPT` of them; one is made at a time. Usable from several threads.

    A failure is told to everybody who waits for it, and made anew for whoever asks next.
    """

    def __init__(self, kept: int = KEPT) -> None:
        self._kept, self._lock, self._turn = kept, threading.Lock(), threading.Lock()
        self._futures: OrderedDict[Hashable, Future[Any]] = OrderedDict()
        self._closed = False

    def get(self, key: Hashable, make: Callable[[], Any], wait_s: float) -> tuple[bool, Any]:
        """Whether it is there, and it. What is not yet begun is begun, and waited for that long. [s]

        Raises
        ------
        Exception
            What ``make`` raised.
        """
        with self._lock:
            future = self._futures.get(key)
            if future is None or (future.done() and (future.cancelled() or future.exception() is not None)):
                future = self._futures[key] = Future()
                threading.Thread(target=self._make, args=(future, make), name=f"making {key}"[:60], daemon=True).start()
            self._futures.move_to_end(key)
            done = [one for one, known in self._futures.items() if known.done() and one != key]
            for old in done[: max(0, len(self._futures) - self._kept)]:
                del self._futures[old]
        try:
            return True, future.result(wait_s)
        except TimeoutError:
            if future.done():
                raise
            return False, None

    def known(self, key: Hashable) -> Any:
        """What is made already, None when it is not."""
        with self._lock:
            future = self._futures.get(key)
        return future.result() if future is not None and future.done() and future.exception() is None else None

    def forget(self, key: Hashable) -> None:
        """Let what is made go; it is made anew for whoever asks next."""
        with self._lock:
            if key in self._futures and self._futures[key].done():
                del self._futures[key]

    def close(self) -> None:
        """Begin nothing any more."""
        self._closed = True

    def _make(self, future: Future[Any], make: Callable[[], Any]) -> None:
        with self._turn:
            if self._closed or not future.set_running_or_notify_cancel():
                future.cancel()
                return
            try:
                future.set_result(make())
            except BaseException as error:  # told to whoever asks
                with suppress(Exception):
                    future.set_exception(error)
