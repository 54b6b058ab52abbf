"""Who may ask: a token on this computer, sessions of paired devices elsewhere.

The token lies in a file that only its owner may read. A device is paired by a code of two minutes that is posted once;
it gets a session as a cookie. A class has a code of its own kind (`joining`). The sessions are kept as hashes, so that
a restart in the field does not unpair a phone and the file gives nobody a session.
"""

from __future__ import annotations

import hmac
import json
import secrets
import threading
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from daemon import clock
from daemon.errors import StoreError
from daemon.places import SESSIONS, TOKEN, make_private, write_private
from daemon.web.joining import LETTERS, Answer, Joining, digest, plain

Role = Literal["control", "watch"]

CODE_S = 120.0
SESSION_S = 7 * 86400.0
_WRONG_CODES = 5  # then the code is void
MOST_SESSIONS: dict[Role, int] = {"watch": 200, "control": 16}  # of each kind: a class sends no photographer away
_CODE_LENGTH = 8  # of 31 letters: 40 bits, for five tries


@dataclass(frozen=True)
class _Session:
    role: Role
    until: float  # seconds since 1970


@dataclass
class _Code:
    digest: bytes
    role: Role
    until: float  # on the clock that never goes back [s]
    wrong: int = 0


class Access:
    """Token, pairing and sessions of one service. Safe between threads.

    Raises
    ------
    StoreError
        If the token cannot be kept, or others may read it.
    """

    def __init__(self, folder: Path):
        self._folder = folder
        self._lock = threading.Lock()
        self._code: _Code | None = None
        make_private(folder)
        self._token = _token(folder / TOKEN).encode()
        self._sessions = self._read()
        self.joining = Joining(MOST_SESSIONS["watch"])

    def is_token(self, given: str) -> bool:
        """Whether this is the token."""
        return hmac.compare_digest(given.encode("utf-8", "replace"), self._token)

    def new_code(self, role: Role) -> str:
        """A code that pairs one device within two minutes; the one before is void."""
        code = "".join(secrets.choice(LETTERS) for _ in range(_CODE_LENGTH))
        with self._lock:
            self._code = _Code(digest(code), role, clock.monotonic() + CODE_S)
        return code

    def redeem(self, code: str) -> tuple[str, Role] | None:
        """A session for a code, which is void from then on; None for one that is wrong, used or too old."""
        given = digest(plain(code))
        with self._lock:
            found = self._code
            if found is None or clock.monotonic() >= found.until:
                self._code = None
                return None
            if not hmac.compare_digest(given, found.digest):
                found.wrong += 1
                if found.wrong >= _WRONG_CODES:
                    self._code = None
                return None
            self._code = None
        return self.new_session(found.role), found.role

    def join(self, code: str) -> tuple[Answer, str | None]:
        """What becomes of the class's code, and a session for watching if it lets a device in."""
        answer = self.joining.take(code)
        return answer, self.new_session("watch") if answer == "in" else None

    def new_session(self, role: Role) -> str:
        """A session; the oldest of its kind go when there are too many."""
        secret = secrets.token_urlsafe(32)
        with self._lock:
            now = clock.utc_now().timestamp()
            self._sessions = {key: one for key, one in self._sessions.items() if one.until > now}
            alike = [key for key, one in self._sessions.items() if one.role == role]
            alike.sort(key=lambda key: self._sessions[key].until)
            for key in alike[: max(0, len(alike) + 1 - MOST_SESSIONS[role])]:
                del self._sessions[key]
            self._sessions[digest(secret).hex()] = _Session(role, now + SESSION_S)
            self._write()
        return secret

    def role_of(self, secret: str) -> Role | None:
        """What a session may do; None: there is no such session, or it has ended."""
        with self._lock:
            found = self._sessions.get(digest(secret).hex())
        return found.role if found and found.until > clock.utc_now().timestamp() else None

    def end_sessions(self) -> int:
        """End every session, and the class's code with them; how many sessions there were."""
        self.joining.end()
        with self._lock:
            count = len(self._sessions)
            self._sessions = {}
            self._write()
        return count

    def _read(self) -> dict[str, _Session]:
        with suppress(OSError, ValueError, TypeError, KeyError, AttributeError):
            tree = json.loads((self._folder / SESSIONS).read_text(encoding="utf-8"))
            return {
                str(key): _Session("control" if one["role"] == "control" else "watch", float(one["until"]))
                for key, one in tree.items()
            }
        return {}

    def _write(self) -> None:
        tree = {key: vars(one) for key, one in self._sessions.items()}
        write_private(self._folder / SESSIONS, json.dumps(tree))


def _token(path: Path) -> str:
    try:
        mode = path.stat().st_mode & 0o777
        if mode & 0o077:
            raise StoreError(
                f"token {path}: found the mode {mode:03o}, others may read it; allowed: 600. Remove the file; the "
                "service makes another"
            )
        if text := path.read_text(encoding="ascii").strip():
            return text
    except FileNotFoundError:
        pass
    except (OSError, UnicodeDecodeError) as error:
        raise StoreError(
            f"token {path}: cannot be read ({error}). Remove the file; the service makes another"
        ) from None
    token = secrets.token_urlsafe(32)
    write_private(path, token + "\n")
    return token
