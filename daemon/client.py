"""The running service of a store, as another command of this computer asks it."""

from __future__ import annotations

import http.client
import json
import os
from collections.abc import Iterator
from contextlib import closing, suppress
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from daemon import errors
from daemon.errors import StopwrightError, UsageError
from daemon.places import ADDRESS, TOKEN, state_folder

_ANSWER_S = 60.0
_LOOK_S = 10.0  # a service that is gone refuses at once; one on a busy computer takes its time [s]


class FromService(StopwrightError):
    """What the service refused, with the exit code that the same error has here."""

    def __init__(self, tree: dict[str, Any]):
        self.tree = tree
        kind = getattr(errors, str(tree.get("error", "")), None)
        is_ours = isinstance(kind, type) and issubclass(kind, StopwrightError)
        self.exit_code = kind.exit_code if is_ours else UsageError.exit_code  # type: ignore[union-attr]
        self.run = tree.get("run")
        super().__init__(str(tree.get("message", tree)))

    def as_json(self) -> dict[str, Any]:
        return self.tree


class Client:
    """Asks one service. ``url`` and ``token`` as its files have them."""

    def __init__(self, url: str, token: str):
        self.url, self._token = url, token
        parts = urlsplit(url)
        self._host, self._port = parts.hostname or "", parts.port or 80

    def ask(self, method: str, path: str, tree: Any = None, within_s: float = _ANSWER_S) -> Any:
        """The answer as data.

        Raises
        ------
        FromService
            If it refuses.
        UsageError
            If it does not answer.
        """
        try:
            with closing(http.client.HTTPConnection(self._host, self._port, timeout=within_s)) as line:
                line.request(method, path, None if tree is None else json.dumps(tree), self._headers())
                answer = line.getresponse()
                told = json.loads(answer.read())
        except (OSError, http.client.HTTPException, ValueError) as error:
            raise UsageError(
                f"ask the service at {self.url}: found no answer ({error}); allowed: a running one. Look at its log"
            ) from None
        if answer.status >= 400:
            raise FromService(told)
        return told

    def events(self, since: str) -> Iterator[tuple[str, Any]]:
        """Live events: name and data, from a place on, until the service or the connection ends."""
        with closing(http.client.HTTPConnection(self._host, self._port, timeout=_ANSWER_S)) as line:
            line.request("GET", f"/api/events?since={since}", headers=self._headers())
            answer = line.getresponse()
            name, data = "", ""
            while raw := answer.readline():
                text = raw.decode("utf-8").rstrip("\r\n")
                key, _, value = text.partition(": ")
                if key == "event":
                    name = value
                elif key == "data":
                    data += value
                elif not text and data:
                    yield name, json.loads(data)
                    name, data = "", ""

    def _headers(self) -> dict[str, str]:
        return {"authorization": f"Bearer {self._token}", "content-type": "application/json"}


def running_service(store_dir: Path | None) -> Client | None:
    """The service that holds a store; None when there is none that answers. ``store_dir`` None: the default store."""
    from daemon.store import default_store_path

    store = default_store_path() if store_dir is None else Path(store_dir).expanduser().absolute()
    with suppress(OSError, ValueError, KeyError, TypeError, StopwrightError):
        folder = state_folder(store)
        address = json.loads((folder / ADDRESS).read_text(encoding="utf-8"))
        os.kill(int(address["pid"]), 0)
        client = Client(str(address["url"]), (folder / TOKEN).read_text(encoding="ascii").strip())
        client.ask("GET", "/api/service", within_s=_LOOK_S)
        return client
    return None
