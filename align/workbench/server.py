"""Listening: on this computer's loopback, with a phone also on the local network, until an interrupt."""

from __future__ import annotations

import contextlib
import os
import socket
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..errors import AlignError
from . import thresholds
from .feeds import Wanted
from .guard import Doors, new_token
from .session import Session

#: The first of the ports that are tried where none was named, and how many.
FIRST_PORT, PORTS = 8620, 20
INSTALL = "pip install 'align[bench]'   (from a copy of the source: pip install '.[bench]')"
#: An address of a network made for documents (RFC 5737): asking for the way there sends nothing.
_SOMEWHERE = ("192.0.2.1", 9)


class ServerMissing(AlignError):
    """The libraries of the extra `bench` are not installed."""


@dataclass(frozen=True, eq=False)
class Listening:
    """Open sockets and what opens the page at them."""

    doors: Doors
    sockets: tuple[socket.socket, ...]

    @property
    def address(self) -> str:
        """The page's address on this computer."""
        return f"http://127.0.0.1:{self.doors.port}/"


def require_libraries() -> None:
    """Refuse, with how to install them, where the server's libraries are missing.

    Raises
    ------
    ServerMissing
    """
    import importlib.util

    missing = [n for n in ("starlette", "uvicorn", "python_multipart", "segno") if not importlib.util.find_spec(n)]
    if missing:
        raise ServerMissing(f"The page needs {', '.join(missing)}, not installed here.", f"Run: {INSTALL}")


def listen(port: int | None, *, phone: bool, shown: str | None = None) -> Listening:
    """Open the page's sockets.

    Parameters
    ----------
    port : None for the first that is free; phone : also on the local network; shown : its address there, found out
        where it is None

    Raises
    ------
    AlignError : the port is taken, or there is no network.
    """
    if phone and shown is None:
        shown = network_address()
    hosts = ["127.0.0.1", *([shown] if shown else [])]
    tried = [port] if port is not None else list(range(FIRST_PORT, FIRST_PORT + PORTS))
    for number in tried:
        opened = _opened(hosts, number)
        if opened is not None:
            actual = opened[0].getsockname()[1]
            return Listening(Doors(actual, shown, new_token() if shown else ""), tuple(opened))
    raise AlignError(
        f"Port {tried[0]} is in use." if port is not None else f"Ports {tried[0]} to {tried[-1]} are all in use.",
        "Is the page open already? End it there, or name another port: --port 8700",
    )


def _opened(hosts: list[str], port: int) -> list[socket.socket] | None:
    """A socket on each address, all of one port; None where one is taken."""
    opened: list[socket.socket] = []
    for host in hosts:
        one = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        if os.name != "nt":  # there it would let two programs share a port
            one.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            one.bind((host, port))
            one.listen(64)
        except OSError:
            for other in (*opened, one):
                other.close()
            return None
        opened.append(one)
        port = one.getsockname()[1]  # of port 0, which leaves the choice to the system
    return opened


def network_address() -> str:
    """This computer's address on its local network.

    Raises
    ------
    AlignError : it is on none.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking, contextlib.suppress(OSError):
        asking.connect(_SOMEWHERE)
        address: str = asking.getsockname()[0]
        if not address.startswith(("127.", "0.")):
            return address
    raise AlignError(
        "This computer is on no network that a phone could reach it by.",
        "Join the phone's network (its own hotspot will do), or leave --phone out.",
    )


def code_in_terminal(address: str) -> str:
    """The code for the phone's camera, drawn with characters."""
    import io

    import segno

    drawn = io.StringIO()
    segno.make(address, error="m").terminal(drawn, compact=True)
    return drawn.getvalue()


def serve(folder: Path, listening: Listening, *, wanted: Wanted | None = None) -> bool:
    """Serve until an interrupt; whether the work at hand came to its end.

    Parameters
    ----------
    folder : the record's folder; wanted : a camera and a watched folder that feed the pages

    Raises
    ------
    AlignError : the record's form cannot be read, or there is no such folder to watch.
    """
    import uvicorn

    from .app import application
    from .bell import Bell

    bell, live_bell = Bell(), Bell()
    session = Session(folder, bell.ring)
    warm = threading.Thread(target=_warm, name="bench warming", daemon=True)
    warm.start()
    feeds = (wanted or Wanted()).begin(session, lambda _: live_bell.ring())
    config = uvicorn.Config(
        application(session, listening.doors, bell, feeds, live_bell),
        log_level="critical",
        access_log=False,
        lifespan="off",
        proxy_headers=False,
        server_header=False,
        ws="none",
        http="h11",
        loop="asyncio",
        timeout_graceful_shutdown=thresholds.CLOSE_S,
        timeout_keep_alive=20,
    )
    server = uvicorn.Server(config)
    with contextlib.suppress(KeyboardInterrupt):  # it is raised again once everything is closed
        server.run(sockets=list(listening.sockets))
    feeds.stop()
    return session.close()


def _warm() -> None:
    """Load what the first photo needs, so that it is answered as fast as the second."""
    import importlib

    modules: list[Any] = ["cv2", "PIL.Image", "scipy.special", "jinja2"]
    modules += [f"align.{name}" for name in ("checking.job", "checking.picture", "records.job", "workbench.pages")]
    for name in modules:
        with contextlib.suppress(ImportError):
            importlib.import_module(name)
