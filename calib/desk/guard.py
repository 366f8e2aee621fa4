"""The first to see a request: refuses what can't come from the desk's own pages.

- Host: a page of another site whose name was pointed at this machine (DNS rebinding) sends its own
  name as Host, and gets nothing.
- Origin and Sec-Fetch-Site: another site's form or script is refused; so is a post that does not
  say where it comes from.
- Session: a cookie that scripts can't read and other sites can't send (HttpOnly, SameSite=Strict).
- Size: no more bytes are read than a route takes.
"""

import ipaddress
from collections.abc import Iterable, Mapping
from http.cookies import CookieError, SimpleCookie
from typing import Any

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from calib.desk.entrance import Entrance

COOKIE = "truebead_desk"
#: Largest body of a request, in bytes, where no route says otherwise.
SMALL_BODY = 256 * 1024
SAFE = ("GET", "HEAD")
#: What anybody may ask for: the door, and what its page is drawn with.
DOOR, DRAWN_WITH = "/in", "/static/"

_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; "
    "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
_ALWAYS = {
    "content-security-policy": _POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(self), geolocation=(), microphone=(), interest-cohort=()",
}


class TooLarge(Exception):
    """The body is larger than its route takes."""


class Guard:
    """ASGI middleware that lets only the desk's own requests through.

    Parameters
    ----------
    hosts : iterable of str
        Values of Host that are ours, with the port.
    limits : mapping
        Beginning of a path -> largest body in bytes.
    """

    def __init__(
        self, app: ASGIApp, *, entrance: Entrance, hosts: Iterable[str], limits: Mapping[str, int]
    ) -> None:
        self.app, self.entrance = app, entrance
        self.hosts = {h.lower() for h in hosts}
        self.limits = dict(limits)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Refuse, or hand on with ``scope["state"]`` saying who asks."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return
        headers = {k.decode("latin-1"): v.decode("latin-1") for k, v in scope["headers"]}
        refused = self._refused(scope, headers)
        if refused:
            await _plain(send, *refused)
            return
        local = _is_loopback(scope)
        session = _cookie(headers)
        known = bool(session) and self.entrance.knows(session, local=local)
        fresh = ""
        if not known and local:
            session = fresh = self.entrance.new_session(local=True)
        elif not known:
            session = ""
            if scope["path"] != DOOR and not scope["path"].startswith(DRAWN_WITH):
                await _plain(send, 303, "Show the code first.", {"location": "/in"})
                return
        state = scope.setdefault("state", {})
        state["session"], state["local"] = session, local
        state["token"] = self.entrance.token(session) if session else ""
        await self.app(scope, self._counted(scope, receive), _dressed(send, fresh))

    def _refused(self, scope: Scope, headers: Mapping[str, str]) -> tuple[int, str] | None:
        hosts = [v for k, v in scope["headers"] if k == b"host"]
        if len(hosts) != 1 or headers.get("host", "").lower() not in self.hosts:
            return 421, "This address is not one of this desk's own."
        if scope["method"] in SAFE:
            # A link from elsewhere may open a page; a script or a frame of elsewhere may not.
            if headers.get("sec-fetch-site") == "cross-site" and (
                headers.get("sec-fetch-mode") != "navigate"
                or headers.get("sec-fetch-dest") not in ("document", None)
            ):
                return 403, "Another site may not read this desk."
            return None
        if scope["method"] != "POST":
            return 405, "Only reading and posting here."
        if headers.get("origin", "").lower() != f"http://{headers['host'].lower()}":
            return 403, "This came from another site, or does not say from where."
        if headers.get("sec-fetch-site", "same-origin") != "same-origin":
            return 403, "This came from another site."
        size = headers.get("content-length", "0")
        if not size.isascii() or not size.isdigit() or int(size) > self._limit(scope["path"]):
            return 413, "That is larger than what can be taken here."
        return None

    def _limit(self, path: str) -> int:
        return next((n for start, n in self.limits.items() if path.startswith(start)), SMALL_BODY)

    def _counted(self, scope: Scope, receive: Receive) -> Receive:
        """Count what arrives: a length that was not announced is bounded, too."""
        most, so_far = self._limit(scope["path"]), 0

        async def counting() -> Message:
            nonlocal so_far
            message = await receive()
            so_far += len(message.get("body", b""))
            if so_far > most:
                raise TooLarge
            return message

        return counting


def _dressed(send: Send, session: str) -> Send:
    """Add the headers that every answer has, and the cookie of a new session."""

    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            there = {k for k, _ in message["headers"]}
            more = [(k.encode(), v.encode()) for k, v in _ALWAYS.items() if k.encode() not in there]
            if b"cache-control" not in there:
                more.append((b"cache-control", b"no-store"))
            if session:
                more.append((b"set-cookie", cookie(session).encode()))
            message = {**message, "headers": [*message["headers"], *more]}
        await send(message)

    return sending


def cookie(session: str) -> str:
    """Return the header that gives a browser its session."""
    return f"{COOKIE}={session}; Path=/; HttpOnly; SameSite=Strict; Max-Age={30 * 86400}"


def _cookie(headers: Mapping[str, str]) -> str:
    try:
        found = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return ""
    return found.value if found else ""


def _is_loopback(scope: Scope) -> bool:
    """Whether the other end is this machine itself."""
    peer = (scope.get("client") or ("",))[0]
    try:
        address = ipaddress.ip_address(peer)
    except ValueError:
        return False
    mapped = getattr(address, "ipv4_mapped", None)
    return (mapped or address).is_loopback


async def _plain(
    send: Send, status: int, words: str, headers: Mapping[str, str] | None = None
) -> None:
    body = words.encode()
    every: dict[str, Any] = {
        **_ALWAYS,
        "content-type": "text/plain; charset=utf-8",
        "content-length": str(len(body)),
        "cache-control": "no-store",
        "connection": "close",
        **(headers or {}),
    }
    raw = [(k.encode(), v.encode()) for k, v in every.items()]
    await send({"type": "http.response.start", "status": status, "headers": raw})
    await send({"type": "http.response.body", "body": body})
