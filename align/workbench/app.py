"""The served pages: which address shows what, and what may be sent to it."""

from __future__ import annotations

import asyncio
import re
from collections.abc import AsyncIterator, Awaitable, Callable
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import (
    FileResponse,
    HTMLResponse,
    JSONResponse,
    RedirectResponse,
    Response,
    StreamingResponse,
)
from starlette.routing import Route

from ..errors import AlignError, PhotoError
from ..records.installation import StatedMirror
from . import other_work, thresholds
from .form import FIELDS, MAIN, MORE, FormErrors, mirror_from_form, written_of
from .guard import RECORD_POLICY, App, Doors, Guard, Refusal, refuse
from .pages import HERE, page, refusal_page, table_contents, waiting_shown
from .receiving import Refused, file_in_form, limited, spooled
from .session import Session, Table
from .shelf import Shelf
from .worker import Ticket

STATIC = {
    "icon.svg": "image/svg+xml",
    "bench.css": "text/css; charset=utf-8",
    "bench.js": "text/javascript; charset=utf-8",
}
#: A page that nothing was said to for so long gets a sign of life, so that networks keep its line open [s].
HEARTBEAT_S = 15.0
NOT_FOUND = Refusal(404, "There is no such page here.", "Begin at the first one.")

Handler = Callable[[Request], Awaitable[Response]]
Keep = Callable[[bytes], Any]


class Bell:
    """Wakes every page that listens when something has changed; rung from any thread."""

    def __init__(self) -> None:
        self._loop: asyncio.AbstractEventLoop | None = None
        self._event = asyncio.Event()

    def ring(self) -> None:
        """Something has changed."""
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._wake)

    def _wake(self) -> None:
        self._event.set()
        self._event = asyncio.Event()

    async def heard(self, timeout_s: float) -> bool:
        """Wait for the next change; False where none came."""
        self._loop = asyncio.get_running_loop()
        try:
            await asyncio.wait_for(self._event.wait(), timeout_s)
        except asyncio.TimeoutError:
            return False
        return True


class Bench:
    """All handlers, over one session."""

    def __init__(self, session: Session, doors: Doors, bell: Bell) -> None:
        self.session, self.doors, self.bell = session, doors, bell
        self._cleaning = asyncio.Lock()

    def routes(self) -> list[Route]:
        """Addresses and what they lead to."""
        get, both = ["GET"], ["GET", "POST"]
        table, lamps = "/mirror/{key}", "/mirror/{key}/lamps"
        return [
            Route("/", self.first, methods=get),
            Route("/static/{name}", self.static, methods=get),
            Route("/new", self.new_mirror, methods=both),
            Route("/sheet/{name}.pdf", self.sheet, methods=get),
            Route("/phone", self.phone, methods=get),
            Route("/phone/code.svg", self.code, methods=get),
            Route("/record", self.record, methods=both),
            Route("/record/page", self.record_page, methods=get),
            Route("/plan", self.plan, methods=both),
            Route("/plan/{scene}/{picture}", self.plan_picture, methods=get),
            Route("/camera", self.camera, methods=get),
            Route("/camera/{deed}", self.camera_deed, methods=["GET", "PUT", "POST"]),
            Route(table, self.table, methods=get),
            Route(f"{table}/part", self.table_part, methods=get),
            Route(f"{table}/known", self.known, methods=both),
            Route(f"{table}/photos", self.photos, methods=["PUT", "POST"]),
            Route(f"{table}/picture/{{number:int}}.jpg", self.picture, methods=get),
            Route(lamps, self.lamps, methods=get),
            Route(f"{lamps}/{{deed}}", self.lamps_deed, methods=["GET", "PUT", "POST"]),
            Route("/events", self.events, methods=get),
        ]

    # Whole pages --------------------------------------------------------------------------------------

    async def first(self, request: Request) -> Response:
        """All mirrors."""
        return self._page("first.html.j2", "mirrors", tables=self.session.tables)

    async def table(self, request: Request) -> Response:
        """One mirror."""
        table = self._table(request)
        return self._page(
            "table.html.j2", "mirrors", **await run_in_threadpool(table_contents, self.session, table)
        )

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

    async def phone(self, request: Request) -> Response:
        """How a phone gets here: the code, shown on this computer only."""
        here = (request.client.host if request.client else "") in ("127.0.0.1", "::1")
        shown = self.doors.phone_address if here and self.doors.shown else ""
        return self._page("phone.html.j2", "phone", address=shown, listens=bool(self.doors.shown))

    async def code(self, request: Request) -> Response:
        """The code as a drawing."""
        import io

        import segno

        if not self.doors.shown:
            raise HTTPException(404)
        drawn = io.BytesIO()
        segno.make(self.doors.phone_address, error="m").save(drawn, kind="svg", scale=8, border=4, light="white")
        return Response(drawn.getvalue(), media_type="image/svg+xml")

    async def record(self, request: Request) -> Response:
        """The record's page: made anew when it is asked for by its button, then shown."""
        if request.method == "POST":
            ticket = other_work.make_record(self.session)
            done = await run_in_threadpool(self.session.worker.wait, ticket, thresholds.FORM_WAIT_S)
            return RedirectResponse("/record/page" if done and ticket.state == "done" else "/record", 303)
        made = (self.session.folder / "record.html").is_file()
        return self._page("record.html.j2", "record", made=made, **self._work_at(other_work.RECORD))

    async def record_page(self, request: Request) -> Response:
        """The page itself, as `align record` made it."""
        path = self.session.folder / "record.html"
        if not path.is_file():
            return RedirectResponse("/record", 303)
        return FileResponse(path, media_type="text/html", headers={"content-security-policy": RECORD_POLICY})

    async def plan(self, request: Request) -> Response:
        """Scene files, and the pictures of those that were planned."""
        session = self.session
        if request.method == "POST":
            scene = (await self._written(request)).get("scene", "")
            if not scene:
                await run_in_threadpool(other_work.start_scene, session)
            elif scene in other_work.scenes(session):
                await self._waited(other_work.work_out_plan(session, scene))
            return RedirectResponse("/plan", 303)
        plans = [
            (scene, other_work.plan_pictures(session, scene), other_work.plan_words(session, scene))
            for scene in other_work.scenes(session)
        ]
        return self._page(
            "plan.html.j2", "plan", plans=plans, folder=session.folder, **self._work_at(other_work.PLAN)
        )

    async def plan_picture(self, request: Request) -> Response:
        """One picture of a plan."""
        scene, picture = request.path_params["scene"], request.path_params["picture"]
        if scene not in other_work.scenes(self.session) or picture not in other_work.plan_pictures(
            self.session, scene
        ):
            raise HTTPException(404)
        return FileResponse(other_work.plan_folder(self.session, scene) / picture)

    async def sheet(self, request: Request) -> Response:
        """A sheet to print."""
        from ..target.sheets import SHEETS

        name = request.path_params["name"]
        if name not in SHEETS:
            raise HTTPException(404)
        return Response(await run_in_threadpool(_sheet_pdf, name), media_type="application/pdf")

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
            number, ticket = await self._received(request, lambda data: self.session.take_photo(table, data))
        if request.method == "PUT":
            return JSONResponse({"photo": number, "place": self.session.worker.place(ticket)}, 201)
        await self._waited(ticket)
        return RedirectResponse(f"/mirror/{table.key}", 303)

    async def picture(self, request: Request) -> Response:
        """The picture of an answer."""
        table, number = self._table(request), request.path_params["number"]
        answer = next((item for item in table.series.answers if item.number == number), None)
        path = None if answer is None else await run_in_threadpool(self.session.picture, table, answer)
        if path is None:
            raise HTTPException(404)
        saved = {"content-disposition": f'attachment; filename="{table.key[:-7]}-{number}.jpg"'}
        return FileResponse(
            path, media_type="image/jpeg", headers=saved if "save" in request.query_params else None
        )

    async def lamps(self, request: Request) -> Response:
        """The photos of a mirror's lamps, and which glass they tell."""
        table = self._table(request)
        at = f"/mirror/{table.key}/lamps"
        return self._set_page("lamps.html.j2", table.lamps, at, f"{table.key}/lamps", "mirrors", table=table)

    async def lamps_deed(self, request: Request) -> Response:
        """A photo of lamps, or what is to be done with them."""
        table = self._table(request)
        at = f"/mirror/{table.key}/lamps"
        return await self._deed(request, table.lamps, at, lambda: other_work.find_glass(self.session, table))

    async def camera(self, request: Request) -> Response:
        """The photos of a camera, and what they tell."""
        return self._set_page("camera.html.j2", self.session.camera, "/camera", other_work.CAMERA, "camera")

    async def camera_deed(self, request: Request) -> Response:
        """A photo for the camera, or what is to be done with them."""
        return await self._deed(
            request, self.session.camera, "/camera", lambda: other_work.measure_camera(self.session)
        )

    def _set_page(self, template: str, shelf: Shelf, at: str, whose: str, here: str, **more: Any) -> Response:
        answer = other_work.answer_of(shelf)
        pictured = shelf.picture(1) is not None
        found = {"photos": len(shelf.photos()), "answer": answer, "pictured": pictured, "at": at}
        return self._page(template, here, **{**found, **self._work_at(whose), **more})

    async def _deed(self, request: Request, shelf: Shelf, at: str, start: Callable[[], Ticket]) -> Response:
        deed = request.path_params["deed"]
        if request.method == "GET":
            path = shelf.picture(1) if deed == "picture.jpg" else None
            if path is None:
                raise HTTPException(404)
            return FileResponse(path, media_type="image/jpeg")
        if deed == "photos":
            with self.session.place():
                number = await self._received(
                    request, lambda data: other_work.add_to_set(self.session, shelf, data)
                )
            if request.method == "PUT":
                return JSONResponse({"photo": number, "place": 0}, 201)
        elif deed == "answer" and request.method == "POST":
            await self._waited(start())
        elif deed == "anew" and request.method == "POST":
            await run_in_threadpool(other_work.clear_set, self.session, shelf)
        else:
            raise HTTPException(404)
        return RedirectResponse(at, 303)

    async def _received(self, request: Request, keep: Keep) -> Any:
        """Receive a photo's bytes, then clean and keep one at a time."""
        limit = thresholds.MOST_PHOTO_BYTES
        chunks = limited(request.stream(), request.headers.get("content-length"), limit)
        if request.method == "PUT":
            file = await spooled(chunks)
        else:
            file = await file_in_form(chunks, request.headers.get("content-type", ""))
        with file:
            async with self._cleaning:
                return await run_in_threadpool(_kept, file, keep)

    # Parts --------------------------------------------------------------------------------------------

    async def events(self, request: Request) -> Response:
        """A line a change: pages that hear it ask for what they show."""
        return StreamingResponse(self._changes(), media_type="text/event-stream")

    async def _changes(self) -> AsyncIterator[str]:
        yield f"data: {self.session.version}\n\n"
        while True:
            heard = await self.bell.heard(HEARTBEAT_S)
            yield f"data: {self.session.version}\n\n" if heard else ": still here\n\n"

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


def _kept(file: Any, keep: Keep) -> Any:
    file.seek(0)
    return keep(file.read())


def _sheet_pdf(name: str) -> bytes:
    import tempfile

    from ..target.pdf import write_sheet_pdf

    with tempfile.TemporaryDirectory() as folder:
        return Path(write_sheet_pdf(name, Path(folder) / "sheet.pdf")).read_bytes()


def application(session: Session, doors: Doors, bell: Bell) -> App:
    """The whole application, behind its guard."""
    bench = Bench(session, doors, bell)

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
