"""The pages beside the mirrors': lamps, camera, record, plan, phone, sheets."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from . import other_work, thresholds
from .form_fields import CAMERA, SCENE
from .guard import LOOPBACK_HOSTS, RECORD_POLICY
from .handling import Handling
from .shelf import Shelf
from .worker import Ticket

DEEDS = ["GET", "PUT", "POST"]


class SidePages(Handling):
    """Their handlers."""

    def side_routes(self) -> list[Route]:
        """Addresses and what they lead to."""
        get, both = ["GET"], ["GET", "POST"]
        lamps = "/mirror/{key}/lamps"
        return [
            Route("/sheet/{name}.pdf", self.sheet, methods=get),
            Route("/phone", self.phone, methods=get),
            Route("/phone/code.svg", self.code, methods=get),
            Route("/record", self.record, methods=both),
            Route("/record/page", self.record_page, methods=get),
            Route("/record/remove", self.remove, methods=["POST"]),
            Route("/record/note", self.note, methods=["POST"]),
            Route("/record/scene", self.scene, methods=["POST"]),
            Route("/mirror/{key}/units", self.units, methods=["POST"]),
            Route("/camera", self.camera, methods=get),
            Route("/camera/{deed}", self.camera_deed, methods=DEEDS),
            Route("/mirror/{key}/print", self.print, methods=get),
            Route("/mirror/{key}/print/{deed}", self.print_deed, methods=DEEDS),
            Route(lamps, self.lamps, methods=get),
            Route(f"{lamps}/{{deed}}", self.lamps_deed, methods=DEEDS),
        ]

    async def phone(self, request: Request) -> Response:
        """How a phone gets here: the code, shown on this computer only."""
        shown = self.doors.phone_address if self.doors.shown and _on_this_computer(request) else ""
        return self._page("phone.html.j2", "phone", address=shown, listens=bool(self.doors.shown))

    async def code(self, request: Request) -> Response:
        """The code as a drawing."""
        import io

        import segno

        if not self.doors.shown or not _on_this_computer(request):
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
        entries = await run_in_threadpool(other_work.entries_of, self.session)
        at_work = self._work_at(other_work.RECORD)
        stated = self.session.installation
        written = {field.entry: getattr(stated, field.entry) for field in SCENE}
        return self._page(
            "record.html.j2", "record", made=made, entries=entries, fields=SCENE, written=written, **at_work
        )

    async def remove(self, request: Request) -> Response:
        """Take an entry out of the record."""
        written = await self._written(request)
        await run_in_threadpool(other_work.take_out, self.session, _entry(written), written.get("why", ""))
        return RedirectResponse("/record", 303)

    async def note(self, request: Request) -> Response:
        """Give an entry of the record a note."""
        written = await self._written(request)
        await run_in_threadpool(other_work.give_note, self.session, _entry(written), written.get("note", ""))
        return RedirectResponse("/record", 303)

    async def scene(self, request: Request) -> Response:
        """What the record says of the scene."""
        await run_in_threadpool(other_work.save_scene, self.session, await self._written(request))
        return RedirectResponse("/record", 303)

    async def units(self, request: Request) -> Response:
        """Show lengths in millimetres or in inches."""
        table = self._table(request)
        units = "in" if (await self._written(request)).get("units") == "in" else "mm"
        await run_in_threadpool(self.session.show_in, units)
        return RedirectResponse(f"/mirror/{table.key}", 303)

    async def record_page(self, request: Request) -> Response:
        """The page itself, as `align record` made it."""
        path = self.session.folder / "record.html"
        if not path.is_file():
            return RedirectResponse("/record", 303)
        return FileResponse(path, media_type="text/html", headers={"content-security-policy": RECORD_POLICY})

    async def sheet(self, request: Request) -> Response:
        """A sheet to print."""
        from ..target.sheets import SHEETS

        name = request.path_params["name"]
        if name not in SHEETS:
            raise HTTPException(404)
        return Response(await run_in_threadpool(_sheet_pdf, name), media_type="application/pdf")

    async def lamps(self, request: Request) -> Response:
        """The photos of a mirror's lamps, and which glass they tell."""
        table = self._table(request)
        at = f"/mirror/{table.key}/lamps"
        return self._set_page("lamps.html.j2", table.lamps, at, f"{table.key}/lamps", "mirrors", table=table)

    async def lamps_deed(self, request: Request) -> Response:
        """A photo of lamps, or what is to be done with them."""
        table = self._table(request)
        at = f"/mirror/{table.key}/lamps"
        without: dict[str, float | None] = {}
        if request.method == "POST" and request.path_params["deed"] == "answer":
            without = other_work.without_sheet(await self._written(request))
        return await self._deed(
            request, table.lamps, at, lambda: other_work.find_glass(self.session, table, **without)
        )

    async def camera(self, request: Request) -> Response:
        """The photos of a camera, and what they tell."""
        return self._set_page(
            "camera.html.j2",
            self.session.camera,
            "/camera",
            other_work.CAMERA,
            "camera",
            fields=CAMERA,
            written=dict.fromkeys((field.entry for field in CAMERA), ""),
        )

    async def camera_deed(self, request: Request) -> Response:
        """A photo for the camera, or what is to be done with them."""
        stated: dict[str, Any] = {}
        if request.method == "POST" and request.path_params["deed"] == "answer":
            stated = other_work.stated_in(CAMERA, await self._written(request))
        return await self._deed(
            request, self.session.camera, "/camera", lambda: other_work.measure_camera(self.session, stated)
        )

    async def print(self, request: Request) -> Response:
        """Photos of a known thing beside a mirror's sheet, and how large the sheet is printed by them."""
        table = self._table(request)
        shelf = other_work.print_shelf(table)
        return self._set_page(
            "print.html.j2",
            shelf,
            f"/mirror/{table.key}/print",
            f"{table.key}/print",
            "mirrors",
            table=table,
            things=other_work.things_beside(),
        )

    async def print_deed(self, request: Request) -> Response:
        """A photo of a known thing beside the sheet, or what is to be done with it."""
        table, deed = self._table(request), request.path_params["deed"]
        at, thing = f"/mirror/{table.key}/print", ""
        if request.method == "POST" and deed == "answer":
            thing = (await self._written(request)).get("thing", "")
        if request.method == "POST" and deed == "keep":
            await run_in_threadpool(other_work.keep_rule, self.session, table)
            return RedirectResponse(f"/mirror/{table.key}", 303)
        shelf = other_work.print_shelf(table)
        return await self._deed(request, shelf, at, lambda: other_work.measure_print(self.session, table, thing))

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
                    request, lambda data, _: other_work.add_to_set(self.session, shelf, data)
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


def _entry(written: dict[str, str]) -> int:
    """The number of an entry that a form names."""
    number = written.get("entry", "")
    if not number.isascii() or not number.isdigit() or len(number) > 9:
        raise HTTPException(404)
    return int(number)


def _on_this_computer(request: Request) -> bool:
    """Whether the page was opened by loopback's name, which the guard lets only this computer use."""
    return request.headers["host"].rpartition(":")[0] in LOOPBACK_HOSTS


def _sheet_pdf(name: str) -> bytes:
    import tempfile

    from ..target.pdf import write_sheet_pdf

    with tempfile.TemporaryDirectory() as folder:
        return Path(write_sheet_pdf(name, Path(folder) / "sheet.pdf")).read_bytes()
