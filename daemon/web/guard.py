"""What every request passes before anything of it is believed: rate, host, origin, right, kind, size, and time.

Everything under ``/api/`` needs a right but for what `OPEN` names; whatever changes something needs ``control``.
"""

from __future__ import annotations

import asyncio
import ipaddress
import json
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

from daemon import clock
from daemon.web.access import Access, Role
from daemon.web.errors import Refused, as_told
from daemon.web.hiding import OPEN as OPEN_WHILE_HIDDEN

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]

OPEN = {("GET", "/api/health"), ("POST", "/api/session"), ("POST", "/api/pair")}
BODY_BYTES, OPEN_BODY_BYTES = 9_000_000, 4_000  # a plan file may have 8 MB
BODY_S = 10.0  # within which a body must have come [s]
RATE, BURST = 50.0, 300.0  # requests a second from one address, and at once
OPEN_RATE, OPEN_BURST = 0.2, 10.0  # of what asks for a right
_MOST_PEERS = 1000
LOOPBACK_NAMES = {"127.0.0.1", "localhost", "::1"}

HEADERS = {
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "font-src 'self'; connect-src 'self'; manifest-src 'self'; media-src 'self'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'",
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
}


class Rates:
    """So many requests a second from one address, some at once; the rest is told to come later."""

    def __init__(self, rate: float, burst: float):
        self._rate, self._burst = rate, burst
        self._left: dict[str, tuple[float, float]] = {}

    def allows(self, peer: str) -> bool:
        """Whether one more from ``peer`` is allowed now."""
        now = clock.monotonic()
        left, then = self._left.pop(peer, (self._burst, now))
        left = min(self._burst, left + (now - then) * self._rate)
        if len(self._left) >= _MOST_PEERS:
            self._left.pop(next(iter(self._left)))
        self._left[peer] = (left - 1 if left >= 1 else left, now)
        return left >= 1


class Guard:
    """ASGI middleware. ``names``: host names by which devices may reach the service, besides its addresses; ``hides``:
    whether settings are hidden now from those who watch."""

    def __init__(
        self, app: Any, access: Access, names: tuple[str, ...] = (), hides: Callable[[], bool] = lambda: False
    ):
        self._app, self._access, self._hides = app, access, hides
        self._names = {name.lower().rstrip(".") for name in names}
        self._rates, self._open_rates = Rates(RATE, BURST), Rates(OPEN_RATE, OPEN_BURST)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            else:
                await send({"type": "websocket.close", "code": 1008})
            return
        send = _with_headers(send, scope["path"])
        try:
            self._look(scope)
            body = await self._body(scope, receive)
        except Refused as refused:
            await _refuse(refused, send)
            return
        given = False

        async def again() -> Message:
            nonlocal given
            if given:
                return await receive()
            given = True
            return {"type": "http.request", "body": body, "more_body": False}

        await self._app(scope, again, send)

    # -- within ---------------------------------------------------------------------------------------------------

    def _look(self, scope: Scope) -> None:
        method, path = scope["method"], scope["path"]
        headers = _headers(scope)
        peer = (scope.get("client") or ("", 0))[0]
        asked = f"{method[:20]} {path[:80]}"
        if not self._rates.allows(peer):
            raise Refused(429, asked, "too many requests", f"{RATE:g} a second", "Wait a moment", "TooMany")
        host = self._host(scope, headers, asked)
        origin = headers.get("origin")
        if origin is not None and origin != f"{scope.get('scheme', 'http')}://{host}":
            raise Refused(403, asked, f"a page of {origin[:100]!r}", "pages of this service", "Open its own page")
        is_api = path == "/api" or path.startswith("/api/")
        if is_api and headers.get("sec-fetch-site", "none") not in ("same-origin", "none"):
            raise Refused(403, asked, "a page of another site", "pages of this service", "Open its own page")
        role: Role | None = None
        if is_api:
            role = self._role(scope, headers, peer)
            scope.setdefault("state", {})["role"] = role
            is_open = (method, path) in OPEN
            if role is None and not is_open:
                raise Refused(
                    401, asked, "no right to it", "a paired device, or the token on this computer",
                    "Pair this device with a code, or send the token", "NoRight",
                )  # fmt: skip
            if is_open and method != "GET" and not self._open_rates.allows(peer):
                raise Refused(429, asked, "too many tries", "ten, then one in five seconds", "Wait a minute", "TooMany")
            own = (method, path) == ("DELETE", "/api/session")
            if role == "watch" and method not in ("GET", "HEAD", "OPTIONS") and not is_open and not own:
                raise Refused(
                    403, asked, "a device that may only watch", "a device that may control", "Pair it for control",
                    "NoRight",
                )  # fmt: skip
            if role == "watch" and not own and not is_open and self._hides() and not OPEN_WHILE_HIDDEN.fullmatch(path):
                raise Refused(
                    403, asked, "settings hidden from the class", "the board", "Wait until they are revealed", "Hidden"
                )
        elif method not in ("GET", "HEAD"):
            raise Refused(405, asked, f"the method {method[:20]}", "GET", "Send requests to /api/")
        if method in ("POST", "PUT", "PATCH"):
            kind = headers.get("content-type", "").partition(";")[0].strip().lower()
            if kind != "application/json":
                raise Refused(415, asked, f"the kind {kind[:60]!r}", "application/json", "Send JSON and say so")

    def _host(self, scope: Scope, headers: dict[str, str], asked: str) -> str:
        hosts = [value for name, value in scope["headers"] if name == b"host"]
        host = headers.get("host", "")
        name, port = _split(host)
        address, number = scope.get("server") or ("", 0)
        allowed = self._names | {address.lower()}
        if _is_loopback(address):
            allowed |= LOOPBACK_NAMES
        if len(hosts) != 1 or name not in allowed or port not in (number, None if number == 80 else number):
            raise Refused(
                421, asked, f"the host {host[:100]!r}", "the addresses of this service",
                "Open it by its address, or name the host in the configuration: names", "WrongHost",
            )  # fmt: skip
        return host

    def _role(self, scope: Scope, headers: dict[str, str], peer: str) -> Role | None:
        given = headers.get("authorization", "")
        kind, _, token = given.partition(" ")
        if given:  # the token is for this computer alone: elsewhere it would travel in the clear
            right = kind.lower() == "bearer" and _is_loopback(peer) and self._access.is_token(token.strip())
            return "control" if right else None
        secret = _cookie(headers.get("cookie", ""), cookie_name(scope))
        return self._access.role_of(secret) if secret else None

    async def _body(self, scope: Scope, receive: Receive) -> bytes:
        role = scope.get("state", {}).get("role")
        limit = BODY_BYTES if role is not None else OPEN_BODY_BYTES
        asked = f"{scope['method'][:20]} {scope['path'][:80]}"
        too_large = Refused(413, asked, f"more than {limit} bytes", f"up to {limit} bytes", "Send less", "TooLarge")
        said = _headers(scope).get("content-length", "0")
        if said.isdecimal() and int(said[:20]) > limit:
            raise too_large
        parts, size = [], 0
        try:
            async with asyncio.timeout(BODY_S):
                while True:
                    message = await receive()
                    if message["type"] == "http.disconnect":
                        raise Refused(400, asked, "a client that left", "a whole request", "Send it again")
                    part = message.get("body", b"")
                    size += len(part)
                    if size > limit:
                        raise too_large
                    parts.append(part)
                    if not message.get("more_body"):
                        return b"".join(parts)
        except TimeoutError:
            raise Refused(
                408, asked, f"no whole body within {BODY_S:g} s", "a body at once", "Send it again", "TooSlow"
            ) from None


def cookie_name(scope: Scope) -> str:
    """The session's cookie; cookies do not tell ports apart, so that it names the port."""
    return f"stopwright-{(scope.get('server') or ('', 0))[1]}"


def is_local(scope: Scope) -> bool:
    """Whether a request comes from this computer."""
    return _is_loopback((scope.get("client") or ("", 0))[0])


def _is_loopback(address: str) -> bool:
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False


def _headers(scope: Scope) -> dict[str, str]:
    return {name.decode("latin-1").lower(): value.decode("latin-1") for name, value in scope["headers"]}


def _split(host: str) -> tuple[str, int | None]:
    """Name and port of a Host header; a port that is none is -1."""
    if host.startswith("["):
        name, _, rest = host[1:].partition("]")
        port = rest.removeprefix(":") if rest else ""
    else:
        name, _, port = host.partition(":")
    number = None if not port else int(port) if port.isdecimal() and len(port) < 6 else -1
    return name.lower(), number


def _cookie(text: str, name: str) -> str | None:
    for part in text.split(";"):
        key, _, value = part.strip().partition("=")
        if key == name:
            return value
    return None


def _with_headers(send: Send, path: str) -> Send:
    async def more(message: Message) -> None:
        if message["type"] == "http.response.start":
            there = {name.lower() for name, _ in message["headers"]}
            extra = dict(HEADERS)
            if path.startswith("/api/"):
                extra["cache-control"] = "no-store"
            for name, value in extra.items():
                if name.encode() not in there:
                    message["headers"] = [*message["headers"], (name.encode(), value.encode())]
        await send(message)

    return more


async def _refuse(refused: Refused, send: Send) -> None:
    body = json.dumps(as_told(refused, "")).encode()
    headers = [(b"content-type", b"application/json"), (b"content-length", str(len(body)).encode())]
    if refused.status in (408, 413):
        headers.append((b"connection", b"close"))
    if refused.status == 429:
        headers.append((b"retry-after", b"5"))
    if refused.status == 401:
        headers.append((b"www-authenticate", b"Bearer"))
    if refused.status == 405:
        headers.append((b"allow", b"GET, HEAD"))
    await send({"type": "http.response.start", "status": refused.status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
