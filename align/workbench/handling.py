"""What all handlers share: filling in a page, receiving a photo or a form, finding a mirror."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from . import thresholds
from .guard import Doors
from .pages import page, waiting_shown
from .receiving import Refused, file_in_form, limited, spooled
from .session import Session, Table
from .worker import Ticket

#: Keeps a photo: its bytes, and what was said of it.
Keep = Callable[[bytes, str], Any]


class Handling:
    """Handlers over one session."""

    def __init__(self, session: Session, doors: Doors) -> None:
        self.session, self.doors = session, doors
        self._cleaning = asyncio.Lock()

    async def _received(self, request: Request, keep: Keep) -> Any:
        """Receive a photo's bytes, then clean and keep one at a time."""
        limit = thresholds.MOST_PHOTO_BYTES
        chunks = limited(request.stream(), request.headers.get("content-length"), limit)
        if request.method == "PUT":
            file, said = await spooled(chunks), request.query_params.get("sheet", "")
        else:
            file, said = await file_in_form(chunks, request.headers.get("content-type", ""))
        with file:
            async with self._cleaning:
                return await run_in_threadpool(_kept, file, said, keep)

    def _table(self, request: Request) -> Table:
        table = self.session.table(request.path_params["key"])
        if table is None:
            raise HTTPException(404)
        return table

    async def _waited(self, ticket: Ticket) -> None:
        """Wait for a ticket, but not for ever: the page then shows where it stands."""
        await run_in_threadpool(self.session.worker.wait, ticket, thresholds.FORM_WAIT_S)

    async def _written(self, request: Request) -> dict[str, str]:
        """The entries of a form without files (application/x-www-form-urlencoded)."""
        from urllib.parse import parse_qsl

        limit = thresholds.MOST_FORM_BYTES
        chunks = limited(request.stream(), request.headers.get("content-length"), limit)
        body = b"".join([chunk async for chunk in chunks])
        try:
            return dict(parse_qsl(body.decode(), keep_blank_values=True, max_num_fields=100))
        except ValueError:
            raise Refused(400, "The form came damaged.", "Fill it in again.") from None

    def _work_at(self, whose: str) -> dict[str, Any]:
        return {"waiting": waiting_shown(self.session, whose), "failed": self.session.worker.failed(whose)}

    def _page(self, template: str, here: str, *, status: int = 200, **contents: Any) -> Response:
        return HTMLResponse(page(template, self.session, here, **contents), status)


def _kept(file: Any, said: str, keep: Keep) -> Any:
    file.seek(0)
    return keep(file.read(), said)
