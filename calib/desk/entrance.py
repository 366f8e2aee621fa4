"""Who may come in: sessions, one-time codes for phones on the local network, tokens of forms.

A session is a random id in a cookie. On this machine everyone who reaches the loopback address gets
one; from the local network only who gives the code that this machine shows, once.
"""

import hmac
import secrets
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass

#: No letters or digits that are taken for one another; 8 of them are 39 bits.
_SIGNS = "abcdefghjkmnpqrstuvwxyz23456789"
CODE_LENGTH = 8
CODE_LASTS_S = 15 * 60.0
SESSION_LASTS_S = 30 * 86400.0
#: Wrong codes within a minute after which none is listened to for the rest of it.
TRIES = 8
#: Sessions kept; the oldest goes first.
MOST_SESSIONS = 1000


@dataclass(slots=True)
class _Session:
    seen: float
    local: bool


class Entrance:
    """Sessions and codes of one running desk; forgotten when it ends.

    Parameters
    ----------
    clock : callable
        Seconds, never going back.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._secret = secrets.token_bytes(32)
        self._sessions: dict[str, _Session] = {}
        self._code, self._code_until = "", 0.0
        self._wrong: list[float] = []
        self._lock = threading.Lock()

    def new_session(self, *, local: bool) -> str:
        """Return the id of a new session."""
        with self._lock:
            while len(self._sessions) >= MOST_SESSIONS:
                self._sessions.pop(min(self._sessions, key=lambda s: self._sessions[s].seen))
            session = secrets.token_urlsafe(24)
            self._sessions[session] = _Session(self._clock(), local)
        return session

    def knows(self, session: str, *, local: bool) -> bool:
        """Whether a session is open; one that this machine was given is not good from elsewhere."""
        with self._lock:
            found = self._sessions.get(session)
            now = self._clock()
            if found is None or (found.local and not local):
                return False
            if now - found.seen > SESSION_LASTS_S:
                del self._sessions[session]
                return False
            found.seen = now
            return True

    def token(self, session: str) -> str:
        """Return what every form of a session carries."""
        return hmac.new(self._secret, session.encode(), "sha256").hexdigest()

    def is_token(self, session: str, token: str) -> bool:
        """Whether a form's token belongs to its session."""
        return hmac.compare_digest(self.token(session).encode(), token.encode())

    def code(self) -> str:
        """Return the code that lets one device in: a new one where the last was used or is too old."""
        with self._lock:
            now = self._clock()
            if not self._code or now > self._code_until:
                self._code = "".join(secrets.choice(_SIGNS) for _ in range(CODE_LENGTH))
                self._code_until = now + CODE_LASTS_S
            return self._code

    def use_code(self, code: str) -> bool:
        """Take a code once. After many wrong ones nothing is taken for a minute."""
        with self._lock:
            now = self._clock()
            self._wrong = [t for t in self._wrong if now - t < 60.0]
            if len(self._wrong) >= TRIES:
                return False
            given = "".join(code.split()).lower().replace("-", "")
            good = bool(self._code) and now <= self._code_until
            if good and hmac.compare_digest(given.encode(), self._code.encode()):
                self._code = ""
                return True
            self._wrong.append(now)
            return False
