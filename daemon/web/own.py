"""The service itself: health, configuration, signing in, pairing devices."""

from __future__ import annotations

import fcntl
import ipaddress
import socket
import struct
from contextlib import suppress
from importlib.metadata import version
from io import BytesIO
from typing import Any

from fastapi import APIRouter, Request, Response

from daemon import clock
from daemon.web.access import CODE_S, SESSION_S
from daemon.web.errors import Refused
from daemon.web.guard import cookie_name, is_local
from daemon.web.joining import CLASS_LENGTH, plain
from daemon.web.needs import With
from daemon.web.shapes import Sent, ToLetJoin, ToOfferPairing, ToPair, ToSignIn

router = APIRouter(prefix="/api", tags=["service"])

_UNJOINED = {
    "late": ("a code whose time is over", "a code while it is open", "Ask for the class's new code", "Late"),
    "full": ("that every place is taken", "as many devices as there are places", "Ask whoever works the rig", "Full"),
    "wrong": ("a wrong code", "the code that the class is shown", "Look at it again", "NoRight"),
}

_SIOCGIFADDR = 0x8915  # linux/sockios.h


@router.get("/health")
def health(needs: With) -> dict[str, Any]:
    """Whether the service works; open to everybody, so that it tells nothing else."""
    needs.searches.ends()
    return {"status": "ending" if needs.service.ending.is_set() else "ok"}


@router.get("/service")
def about(needs: With, request: Request) -> dict[str, Any]:
    """Version, store, start, free disk space, and what this client may do."""
    service = needs.service
    return {
        "version": version("stopwright"),
        "store": str(service.store.path),
        "started": service.started.isoformat(),
        "up_s": (clock.utc_now() - service.started).total_seconds(),
        "free_bytes": service.store.files.free_bytes(),
        "run": service.running(),
        "role": request.state.role,
    }


@router.get("/config")
def config(request: Request) -> dict[str, Any]:
    """The settings in force and where each came from."""
    tree: dict[str, Any] = request.app.state.loaded.as_json()
    return tree


@router.post("/session")
def sign_in(asked: ToSignIn, needs: With, request: Request, response: Response) -> dict[str, Any]:
    """A session for a browser on this computer, for the token."""
    if not (is_local(request.scope) and needs.access.is_token(asked.token.strip())):
        raise Refused(401, "sign in", "a wrong token", "the token in its file", "Read the token file again", "NoRight")
    _give(needs.access.new_session("control"), request, response)
    return {"role": "control"}


@router.delete("/session")
def sign_out(request: Request, response: Response) -> dict[str, Any]:
    """Forget this browser's session cookie."""
    response.delete_cookie(cookie_name(request.scope), httponly=True, samesite="strict")
    return {"role": None}


@router.post("/sessions/end")
def end_sessions(asked: Sent, needs: With) -> dict[str, Any]:
    """End every session: all devices have to be paired again."""
    return {"ended": needs.access.end_sessions()}


@router.post("/pairing")
def offer_pairing(asked: ToOfferPairing, needs: With, request: Request) -> dict[str, Any]:
    """A code that pairs one device within two minutes, with addresses and a QR code (SVG) for it.

    The code stands in the part of the address after ``#``, which browsers do not send: the page posts it.
    """
    return _offer(request, "pair", needs.access.new_code(asked.role)) | {"role": asked.role, "expires_s": CODE_S}


@router.post("/pairing/class")
def open_class(asked: ToLetJoin, needs: With, request: Request) -> dict[str, Any]:
    """One code by which a whole class joins for so many minutes, to watch alone; the one before is void."""
    needs.access.joining.open(asked.minutes)
    needs.service.log.info("a class may join", minutes=asked.minutes)
    return class_now(needs, request)


@router.get("/pairing/class")
def class_now(needs: With, request: Request) -> dict[str, Any]:
    """Whether a class may join now (``open``), by which code, for how long still [s], and how many have.

    For devices that control alone: a student needs no code for another.
    """
    if request.state.role != "control":
        raise Refused(
            403, "the class's code", "a device that may only watch", "a device that may control",
            "Ask whoever works the rig", "NoRight",
        )  # fmt: skip
    found = needs.access.joining.now()
    if found is None:
        return {"open": False}
    told = {"open": True, "role": "watch", "expires_s": found.left_s, "joined": found.joined, "places": found.places}
    return _offer(request, "join", found.code) | told


@router.delete("/pairing/class")
def end_class(needs: With) -> dict[str, Any]:
    """Let nobody join any more by the class's code; who has joined stays."""
    return {"open": False, "joined": needs.access.joining.end()}


def _offer(request: Request, word: str, code: str) -> dict[str, Any]:
    """A code with addresses and a QR code (SVG) for it; `word` stands before the code after the ``#``."""
    import segno

    port = (request.scope.get("server") or ("", 80))[1]
    lan = request.app.state.loaded.config.lan
    hosts = [*request.app.state.loaded.config.names, *addresses()] if lan else ["127.0.0.1"]
    urls = [f"http://{host}:{port}/#{word}={code}" for host in hosts or ["127.0.0.1"]]
    drawn = BytesIO()
    segno.make(urls[0], micro=False).save(drawn, kind="svg", scale=6, xmldecl=False, svgns=True)
    return {"code": code, "urls": urls, "qr_svg": drawn.getvalue().decode(), "encrypted": False}


@router.post("/pair")
def pair(asked: ToPair, needs: With, request: Request, response: Response) -> dict[str, Any]:
    """A session for the code that another device shows: one that works once, or a class's for as long as it is open."""
    if len(plain(asked.code)) == CLASS_LENGTH:
        answer, session = needs.access.join(asked.code)
        if session is None:
            raise Refused(401, "join the class", *_UNJOINED[answer])
        _give(session, request, response)
        needs.service.log.info("device joined with its class", role="watch")
        return {"role": "watch"}
    found = needs.access.redeem(asked.code)
    if found is None:
        raise Refused(
            401, "pair", "a code that is wrong, used or too old", "the newest code, within two minutes",
            "Ask for another code", "NoRight",
        )  # fmt: skip
    _give(found[0], request, response)
    needs.service.log.info("device paired", role=found[1])
    return {"role": found[1]}


def _give(session: str, request: Request, response: Response) -> None:
    response.set_cookie(
        cookie_name(request.scope), session, max_age=int(SESSION_S), path="/", httponly=True, samesite="strict"
    )


def addresses() -> list[str]:
    """The IPv4 addresses by which other devices may reach this computer, private ones first."""
    found = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asker:
        for _, name in socket.if_nameindex():
            with suppress(OSError):
                told = fcntl.ioctl(asker.fileno(), _SIOCGIFADDR, struct.pack("256s", name.encode()[:15]))
                found.append(ipaddress.IPv4Address(told[20:24]))
    usable = sorted({one for one in found if not one.is_loopback}, key=lambda one: (not one.is_private, one))
    return [str(one) for one in usable]
