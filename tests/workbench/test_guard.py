"""Who may ask what, without a network: the guard around an application that says yes to everything."""

from __future__ import annotations

import asyncio
from typing import Any

import pytest

from align.workbench.guard import OUR_POLICY, Doors, Guard, Refusal, new_token

DOORS = Doors(8620, "192.0.2.7", "a-token-of-the-test")
PHONE = ("192.0.2.50", 40000)
COOKIE = f"align-bench-8620={DOORS.token}"


async def yes(scope: Any, receive: Any, send: Any) -> None:
    """Answers everything."""
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": b"yes"})


def asked(
    method: str = "GET",
    path: str = "/",
    host: str = "127.0.0.1:8620",
    client: tuple[str, int] = ("127.0.0.1", 40000),
    **headers: str,
) -> tuple[int, dict[str, str], str]:
    """Status, headers and words of an answer."""
    sent: list[dict[str, Any]] = []
    named = {"host": host, **{name.replace("_", "-"): value for name, value in headers.items()}}
    scope = {
        "type": "http",
        "method": method,
        "path": path,
        "client": client,
        "headers": [(name.encode(), value.encode()) for name, value in named.items()],
    }

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message: Any) -> None:
        sent.append(dict(message))

    guard = Guard(yes, DOORS, lambda refusal: f"<p>{refusal.message}</p>".encode())
    asyncio.run(guard(scope, receive, send))
    found = {name.decode().lower(): value.decode() for name, value in sent[0]["headers"]}
    return sent[0]["status"], found, b"".join(message.get("body", b"") for message in sent[1:]).decode()


def test_this_computers_browser_is_served() -> None:
    """By any of loopback's names, with our headers on the answer."""
    for host in ("127.0.0.1:8620", "localhost:8620", "[::1]:8620"):
        status, headers, words = asked(host=host)
        assert (status, words) == (200, "yes")
    assert headers["content-security-policy"] == OUR_POLICY
    assert "frame-ancestors 'none'" in OUR_POLICY
    assert headers["x-frame-options"] == "DENY"
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"


@pytest.mark.parametrize(
    "host",
    ["evil.example", "evil.example:8620", "127.0.0.1", "127.0.0.1:80", "127.0.0.1.evil.example:8620", "", "*"],
)
def test_another_name_is_not_answered(host: str) -> None:
    """A page whose name is made to lead here (DNS rebinding) sends that name along."""
    status, _, words = asked(host=host)
    assert status == 421
    assert "does not answer to the name" in words


def test_two_hosts_at_once_are_none() -> None:
    """A request that names two hosts fits neither."""
    assert asked(host="127.0.0.1:8620, evil.example")[0] == 421


def test_from_the_network_the_token_opens() -> None:
    """Without it nothing; with the code's address a cookie; with the cookie everything."""
    shown = "192.0.2.7:8620"
    status, _, words = asked(host=shown, client=PHONE)
    assert status == 403
    assert "code" in words
    assert asked(host=shown, client=PHONE, path="/enter/wrong")[0] == 403
    assert asked(host=shown, client=PHONE, cookie="align-bench-8620=wrong")[0] == 403
    assert asked(host=shown, client=PHONE, cookie="align-bench-8620=")[0] == 403
    status, headers, _ = asked(host=shown, client=PHONE, path=f"/enter/{DOORS.token}")
    assert (status, headers["location"]) == (303, "/")
    assert headers["set-cookie"] == f"{COOKIE}; Path=/; HttpOnly; SameSite=Strict"
    assert asked(host=shown, client=PHONE, cookie=f"other=1; {COOKIE}")[0] == 200


def test_a_phone_that_says_it_is_loopback_is_no_loopback() -> None:
    """The Host header alone opens nothing from the network; nor does this computer at the shown address."""
    assert asked(host="127.0.0.1:8620", client=PHONE)[0] == 403
    assert asked(host="192.0.2.7:8620")[0] == 403


def test_without_a_phone_no_token_is_right() -> None:
    """The empty token of a server for this computer alone is no key."""
    assert not Doors(8620).knows("")
    assert not Doors(8620).knows("x")


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"sec_fetch_site": "same-origin"}, 200),
        ({"sec_fetch_site": "none"}, 200),
        ({"sec_fetch_site": "same-site"}, 403),
        ({"sec_fetch_site": "cross-site"}, 403),
        ({"sec_fetch_site": "cross-site", "origin": "http://127.0.0.1:8620"}, 403),
        ({"origin": "http://127.0.0.1:8620"}, 200),
        ({"origin": "http://127.0.0.1:9999"}, 403),
        ({"origin": "null"}, 403),
        ({}, 403),
    ],
)
@pytest.mark.parametrize("method", ["POST", "PUT"])
def test_only_our_own_pages_send(method: str, headers: dict[str, str], status: int) -> None:
    """By Sec-Fetch-Site; browsers that do not know it say where they come from by Origin."""
    assert asked(method, **headers)[0] == status


@pytest.mark.parametrize("method", ["DELETE", "PATCH", "TRACE", "OPTIONS", "CONNECT", "X" * 5000])
def test_other_methods_are_refused(method: str) -> None:
    """The page does four things only."""
    status, _, words = asked(method, sec_fetch_site="same-origin")
    assert status == 405
    assert len(words) < 200


def test_browsers_get_a_page_and_scripts_get_words() -> None:
    """A refusal is HTML where a person navigates, plain text elsewhere; never the other's markup unescaped."""
    status, headers, _ = asked(host="<script>:1", accept="text/html")
    assert (status, headers["content-type"]) == (421, "text/html; charset=utf-8")
    assert headers["content-security-policy"] == OUR_POLICY
    assert asked(host="evil.example")[1]["content-type"] == "text/plain; charset=utf-8"
    from align.workbench.pages import refusal_page

    assert b"&lt;script&gt;" in refusal_page(Refusal(421, "<script>"))


def test_tokens_differ_and_are_long() -> None:
    """192 bits each."""
    tokens = {new_token() for _ in range(100)}
    assert len(tokens) == 100
    assert min(map(len, tokens)) >= 32
