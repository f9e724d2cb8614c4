"""The addresses of the live part: its contents, its stream, and which mirror the camera is of."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route

from .bell import Bell
from .feeds import Feeds
from .handling import Handling
from .live_part import frame_message, live_contents
from .pages import page

#: A stream that nothing was said on for so long gets a sign of life [s].
HEARTBEAT_S = 5.0


class LivePages(Handling):
    """Their handlers."""

    feeds: Feeds
    live_bell: Bell

    def live_routes(self) -> list[Route]:
        """Addresses and what they lead to."""
        live = "/mirror/{key}/live"
        return [
            Route(live, self.live_stream, methods=["GET"]),
            Route(f"{live}/part", self.live_part, methods=["GET"]),
            Route("/mirror/{key}/attend", self.attend, methods=["POST"]),
        ]

    async def live_part(self, request: Request) -> Response:
        """The live part as it is now."""
        table = self._table(request)
        contents = await run_in_threadpool(live_contents, self.session, self.feeds, table)
        return HTMLResponse(page("live.html.j2", self.session, "mirrors", table=table, **contents))

    async def live_stream(self, request: Request) -> Response:
        """A line a frame."""
        self._table(request)
        if self.feeds.live is None:
            raise HTTPException(404)
        return StreamingResponse(self._frames(), media_type="text/event-stream")

    async def _frames(self) -> AsyncIterator[str]:
        last = -1
        while self.feeds.live is not None:
            shown = self.feeds.live.shown
            if shown.sequence == last and not await self.live_bell.heard(HEARTBEAT_S):
                yield ": still here\n\n"
                continue
            shown = self.feeds.live.shown
            if shown.sequence != last:
                last = shown.sequence
                yield f"data: {json.dumps(frame_message(shown))}\n\n"

    async def attend(self, request: Request) -> Response:
        """The camera and the watched folder are of this mirror from now on."""
        table = self._table(request)
        await run_in_threadpool(self.session.attend, table)
        return RedirectResponse(f"/mirror/{table.key}", 303)
