"""Who may ask what: every request passes here before anything else sees it.

- Its Host must be this computer's loopback or the address that was shown, against pages of other sites whose
  name is made to lead here (DNS rebinding).
- From the network it needs the token: once in the address that the code holds, then as a cookie.
- What changes anything must come from our own pages (Sec-Fetch-Site; of older browsers, Origin).
- What is answered may not be framed, nor load anything from elsewhere.
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Awaitable, Callable, MutableMapping
from dataclasses import dataclass
from typing import Any

from .thresholds import LINGER_BYTES, LINGER_S

Message = MutableMapping[str, Any]
Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

LOOPBACK_HOSTS, LOOPBACK_CLIENTS = ("127.0.0.1", "localhost", "[::1]"), ("127.0.0.1", "::1")
SAFE_METHODS = ("GET", "HEAD")
ENTER = "/enter/"
OUR_POLICY = (
    "default-src 'none'; img-src 'self'; style-src 'self'; script-src 'self'; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
#: The record's page holds its style and pictures in itself; it has no script.
RECORD_POLICY = (
    "default-src 'none'; img-src data:; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
#: The page to walk along a planned scene has a script of its own, which may do nothing but draw.
WALK_POLICY = (
    "sandbox allow-scripts; default-src 'none'; img-src data:; style-src 'unsafe-inline'; "
    "script-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "x-frame-options": "DENY",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cache-control": "no-store",
}


@dataclass(frozen=True)
class Refusal:
    """Why a request is not served: HTTP status, what is wrong, what to try."""

    status: int
    message: str
    remedy: str = ""


@dataclass(frozen=True)
class Doors:
    """Where the server listens, and what opens it.

    port : of both addresses; shown : the address on the local network, None where only this computer is served;
    token : that the shown address asks for
    """

    port: int
    shown: str | None = None
    token: str = ""

    @property
    def hosts(self) -> tuple[str, ...]:
        """Host headers that are answered."""
        names = (*LOOPBACK_HOSTS, *([self.shown] if self.shown else []))
        return tuple(f"{name}:{self.port}" for name in names)

    @property
    def cookie(self) -> str:
        """The cookie's name: cookies do not tell ports apart."""
        return f"align-bench-{self.port}"

    @property
    def phone_address(self) -> str:
        """What the code holds."""
        return f"http://{self.shown}:{self.port}{ENTER}{self.token}"

    def knows(self, token: str) -> bool:
        """Whether a token is ours, in a time that tells nothing of it."""
        return bool(self.token) and secrets.compare_digest(token.encode(), self.token.encode())


def new_token() -> str:
    """A token that nobody guesses: 192 random bits."""
    return secrets.token_urlsafe(24)


class Guard:
    """The one way in: an ASGI application around another."""

    def __init__(self, app: App, doors: Doors, refusal_page: Callable[[Refusal], bytes]) -> None:
        self._app, self._doors, self._page = app, doors, refusal_page

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve a request, or refuse it in plain words."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return  # no web sockets here
        headers = _headers(scope)
        refusal = self._refusal(scope, headers)
        if refusal is not None:
            await refuse(scope, receive, send, refusal, self._page)
        elif (token := _token_in(scope["path"])) and self._doors.knows(token):
            await self._let_in(send)
        else:
            await self._app(scope, receive, _with_headers(send))

    def _refusal(self, scope: Scope, headers: dict[str, str]) -> Refusal | None:
        host = headers.get("host", "")
        if host not in self._doors.hosts:
            return Refusal(
                421, f"This server does not answer to the name {host[:80]!r}.", "Use the address it shows."
            )
        if scope["method"] not in (*SAFE_METHODS, "POST", "PUT"):
            return Refusal(405, f"{scope['method'][:20]} is nothing that this page does.")
        if not self._is_known(scope, headers, host):
            return Refusal(
                403,
                "This page opens with the code that the computer shows.",
                "Scan it there (the command's window, or the page “Phone”). A new start has a new code.",
            )
        if scope["method"] not in SAFE_METHODS and not _comes_from_us(headers, host):
            return Refusal(
                403, "Only this server's own pages may send to it.", "Open the page itself and send again."
            )
        return None

    def _is_known(self, scope: Scope, headers: dict[str, str], host: str) -> bool:
        """This computer's own browser by its loopback address, or whoever has the token."""
        client = (scope.get("client") or ("", 0))[0]
        if client in LOOPBACK_CLIENTS and host.rpartition(":")[0] in LOOPBACK_HOSTS:
            return True
        token = _token_in(scope["path"]) or _cookies(headers).get(self._doors.cookie, "")
        return self._doors.knows(token)

    async def _let_in(self, send: Send) -> None:
        """Turn the token of an address into a cookie, and go on without it."""
        cookie = f"{self._doors.cookie}={self._doors.token}; Path=/; HttpOnly; SameSite=Strict"
        headers = [(b"location", b"/"), (b"set-cookie", cookie.encode()), (b"content-length", b"0")]
        headers += [(name.encode(), value.encode()) for name, value in HEADERS.items()]
        await send({"type": "http.response.start", "status": 303, "headers": headers})
        await send({"type": "http.response.body", "body": b""})


async def refuse(
    scope: Scope, receive: Receive, send: Send, refusal: Refusal, page: Callable[[Refusal], bytes]
) -> None:
    """Answer with a refusal, then listen a little longer: who is cut off while sending never reads the answer."""
    headers = _headers(scope)
    if "text/html" in headers.get("accept", "") and scope["method"] != "PUT":
        kind, body = "text/html; charset=utf-8", page(refusal)
    else:
        kind, body = "text/plain; charset=utf-8", f"{refusal.message} {refusal.remedy}".strip().encode()
    named = {"content-type": kind, "content-length": str(len(body)), "connection": "close", **HEADERS}
    named["content-security-policy"] = OUR_POLICY
    await send(
        {
            "type": "http.response.start",
            "status": refusal.status,
            "headers": [(name.encode(), value.encode()) for name, value in named.items()],
        }
    )
    await send({"type": "http.response.body", "body": body, "more_body": True})
    if "content-length" in headers or "transfer-encoding" in headers:
        await _listen_on(receive)
    await send({"type": "http.response.body", "body": b""})


async def _listen_on(receive: Receive) -> None:
    import asyncio

    end, left = time.monotonic() + LINGER_S, LINGER_BYTES
    while left > 0 and (rest := end - time.monotonic()) > 0:
        try:
            message = await asyncio.wait_for(receive(), rest)
        except asyncio.TimeoutError:
            return
        if message["type"] != "http.request" or not message.get("more_body"):
            return
        left -= len(message.get("body", b""))


def _headers(scope: Scope) -> dict[str, str]:
    """Headers by their names in small letters; what comes twice is joined, and then fits nothing."""
    found: dict[str, str] = {}
    for name, value in scope["headers"]:
        key, words = name.decode("latin-1").lower(), value.decode("latin-1")
        found[key] = f"{found[key]}, {words}" if key in found else words
    return found


def _comes_from_us(headers: dict[str, str], host: str) -> bool:
    site = headers.get("sec-fetch-site")
    if site is not None:
        return site in ("same-origin", "none")
    return headers.get("origin") == f"http://{host}"  # browsers before 2023 say only this


def _cookies(headers: dict[str, str]) -> dict[str, str]:
    pairs = (part.partition("=") for part in headers.get("cookie", "").split(";"))
    return {name.strip(): value.strip() for name, _, value in pairs}


def _token_in(path: str) -> str:
    return path[len(ENTER) :] if path.startswith(ENTER) else ""


def _with_headers(send: Send) -> Send:
    """The same sender, whose answers carry our headers; a policy of their own stands."""

    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            own = {name.lower() for name, _ in message["headers"]}
            added = {"content-security-policy": OUR_POLICY, **HEADERS}
            more = [(name.encode(), value.encode()) for name, value in added.items() if name.encode() not in own]
            message = {**message, "headers": [*message["headers"], *more]}
        await send(message)

    return sending
