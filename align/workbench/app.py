"""The served pages: which address shows what, and what may be sent to it."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import (
    FileResponse,
    JSONResponse,
    RedirectResponse,
    Response,
    StreamingResponse,
)
from starlette.routing import Route

from ..errors import AlignError, PhotoError
from ..records.installation import StatedMirror
from . import other_work
from .bell import Bell
from .feeds import Feeds
from .form import FormErrors, mirror_from_form, written_of
from .form_fields import FIELDS, MAIN, MORE
from .guard import App, Doors, Guard, Refusal, refuse
from .lies import lie_of
from .live_pages import LivePages
from .live_part import live_contents
from .pages import HERE, page, refusal_page, table_contents
from .plan_pages import PlanPages
from .receiving import Refused
from .series import Answer
from .session import Session, Table

STATIC = {
    "icon.svg": "image/svg+xml",
    "bench.css": "text/css; charset=utf-8",
    "bench.js": "text/javascript; charset=utf-8",
}
#: A page that nothing was said to for so long gets a sign of life, so that networks keep its line open [s].
HEARTBEAT_S = 15.0
NOT_FOUND = Refusal(404, "There is no such page here.", "Begin at the first one.")


class Bench(PlanPages, LivePages):
    """All handlers, over one session."""

    def __init__(self, session: Session, doors: Doors, bell: Bell, feeds: Feeds, live_bell: Bell) -> None:
        super().__init__(session, doors)
        self.bell, self.feeds, self.live_bell = bell, feeds, live_bell

    def routes(self) -> list[Route]:
        """Addresses and what they lead to."""
        get, both = ["GET"], ["GET", "POST"]
        table = "/mirror/{key}"
        return [
            Route("/", self.first, methods=get),
            Route("/static/{name}", self.static, methods=get),
            Route("/new", self.new_mirror, methods=both),
            Route("/events", self.events, methods=get),
            Route(table, self.table, methods=get),
            Route(f"{table}/part", self.table_part, methods=get),
            Route(f"{table}/known", self.known, methods=both),
            Route(f"{table}/photos", self.photos, methods=["PUT", "POST"]),
            Route(f"{table}/picture/{{number:int}}.jpg", self.picture, methods=get),
            Route(f"{table}/map/{{number:int}}-{{mirror:int}}.jpg", self.map, methods=get),
            *self.side_routes(),
            *self.plan_routes(),
            *self.live_routes(),
        ]

    # Whole pages --------------------------------------------------------------------------------------

    async def first(self, request: Request) -> Response:
        """All mirrors."""
        return self._page("first.html.j2", "mirrors", tables=self.session.tables)

    async def table(self, request: Request) -> Response:
        """One mirror."""
        table = self._table(request)
        contents = await run_in_threadpool(table_contents, self.session, table)
        return self._page("table.html.j2", "mirrors", **contents, **live_contents(self.session, self.feeds, table))

    async def table_part(self, request: Request) -> Response:
        """The part of a mirror's page that changes, and what a screen reader says of it."""
        table = self._table(request)
        contents = await run_in_threadpool(table_contents, self.session, table)
        return JSONResponse(
            {"html": page("answer.html.j2", self.session, "mirrors", **contents), "settled": contents["settled"]}
        )

    async def new_mirror(self, request: Request) -> Response:
        """The form of a new mirror."""
        return await self._form(request, None)

    async def known(self, request: Request) -> Response:
        """The form of a mirror that is there."""
        return await self._form(request, self._table(request))

    async def _form(self, request: Request, table: Table | None) -> Response:
        mirror = table.mirror if table else StatedMirror()
        written, errors = written_of(mirror), {}
        cameras = other_work.camera_files(self.session)
        if request.method == "POST":
            written = await self._written(request)
            try:
                stated = mirror_from_form(written, mirror, cameras)
                old = table.mirror.name if table else self._unfilled_name()
                saved = await run_in_threadpool(self.session.save_mirror, stated, old)
                return RedirectResponse(f"/mirror/{saved.key}", 303)
            except FormErrors as found:
                errors = dict(found.by_entry)
            except AlignError as error:
                errors = {"name": f"{error.message} {error.remedy}"}
        written = {**{field.entry: "" for field in FIELDS}, "camera": "", **written}
        return self._page(
            "form.html.j2",
            "mirrors",
            status=422 if errors else 200,
            table=table,
            main=MAIN,
            more=MORE,
            written=written,
            errors=errors,
            cameras=cameras,
        )

    def _unfilled_name(self) -> str | None:
        """The name of a form's only mirror that nobody filled in yet: the first new one takes its place."""
        stated = self.session.installation.mirrors
        return stated[0].name if len(stated) == 1 and not self.session.tables else None

    async def static(self, request: Request) -> Response:
        """The pages' style and script."""
        name = request.path_params["name"]
        if name not in STATIC:
            raise HTTPException(404)
        return Response((HERE / "static" / name).read_bytes(), headers={"content-type": STATIC[name]})

    # Photos -------------------------------------------------------------------------------------------

    async def photos(self, request: Request) -> Response:
        """A photo of a mirror: by PUT its bare bytes, by POST a form with it."""
        table = self._table(request)
        with self.session.place():
            number, ticket = await self._received(
                request, lambda data, said: self.session.take_photo(table, data, lie_of(said))
            )
        if request.method == "PUT":
            return JSONResponse({"photo": number, "place": self.session.worker.place(ticket)}, 201)
        await self._waited(ticket)
        return RedirectResponse(f"/mirror/{table.key}", 303)

    async def picture(self, request: Request) -> Response:
        """The picture of an answer."""
        table, number = self._table(request), request.path_params["number"]
        return await self._drawn(request, f"{table.key[:-7]}-{number}.jpg", self.session.picture)

    async def map(self, request: Request) -> Response:
        """The map of a mirror's flatness in an answer."""
        table, number, mirror = self._table(request), *(request.path_params[key] for key in ("number", "mirror"))
        return await self._drawn(
            request,
            f"{table.key[:-7]}-{number}-flatness-{mirror}.jpg",
            lambda table, answer: self.session.map_picture(table, answer, mirror),
        )

    async def _drawn(self, request: Request, name: str, draw: Callable[[Table, Answer], Path | None]) -> Response:
        """What is drawn of an answer, to be seen or, under a name, to be saved."""
        table, number = self._table(request), request.path_params["number"]
        answer = next((item for item in table.series.answers if item.number == number), None)
        path = None if answer is None else await run_in_threadpool(draw, table, answer)
        if path is None:
            raise HTTPException(404)
        saved = {"content-disposition": f'attachment; filename="{name}"'}
        return FileResponse(
            path, media_type="image/jpeg", headers=saved if "save" in request.query_params else None
        )

    # Parts --------------------------------------------------------------------------------------------

    async def events(self, request: Request) -> Response:
        """A line a change: pages that hear it ask for what they show."""
        return StreamingResponse(self._changes(), media_type="text/event-stream")

    async def _changes(self) -> AsyncIterator[str]:
        last = -1
        while True:
            heard = self.session.version != last or await self.bell.heard(HEARTBEAT_S)
            last = self.session.version
            yield f"data: {last}\n\n" if heard else ": still here\n\n"


def application(
    session: Session, doors: Doors, bell: Bell, feeds: Feeds | None = None, live_bell: Bell | None = None
) -> App:
    """The whole application, behind its guard; live_bell : rung with every live answer."""
    bench = Bench(session, doors, bell, feeds or Feeds(), live_bell or Bell())

    async def refused(request: Request, error: Exception) -> Response:
        return _Refusing(_refusal_of(error, request))

    kinds = dict.fromkeys((AlignError, HTTPException, Exception), refused)
    inner = Starlette(routes=bench.routes(), exception_handlers=kinds)
    return Guard(inner, doors, refusal_page)


class _Refusing(Response):
    """A refusal that listens on for a while, so that who is still sending reads it."""

    def __init__(self, refusal: Refusal) -> None:
        super().__init__()
        self._refusal = refusal

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        """Send it."""
        await refuse(scope, receive, send, self._refusal, refusal_page)


def _refusal_of(error: Exception, request: Request) -> Refusal:
    if isinstance(error, Refused):
        return Refusal(error.status, error.message, error.remedy)
    if isinstance(error, PhotoError):
        return Refusal(422, error.message, error.remedy)
    if isinstance(error, AlignError):
        return Refusal(409, error.message, error.remedy)
    if isinstance(error, HTTPException) and error.status_code == 405:
        return Refusal(405, "That is nothing that this page does.", "Go back and use its buttons.")
    if isinstance(error, HTTPException):
        return NOT_FOUND
    words = re.sub(r"\s+", " ", f"{type(error).__name__}: {error}")[:300]
    return Refusal(500, f"This is a fault in align: {words}", "Send these words to its makers, if you may.")
