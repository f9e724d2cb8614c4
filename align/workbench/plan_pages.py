"""The pages of plans: scene files, their pictures, photos of the scene as it stands."""

from __future__ import annotations

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, RedirectResponse, Response
from starlette.routing import Route

from . import other_work, plan_work
from .guard import WALK_POLICY
from .side_pages import DEEDS, SidePages


class PlanPages(SidePages):
    """Their handlers."""

    def plan_routes(self) -> list[Route]:
        """Addresses and what they lead to."""
        get, seen = ["GET"], "/plan/{scene}/seen"
        return [
            Route("/plan", self.plan, methods=["GET", "POST"]),
            Route("/plan/{scene}/walk", self.walk, methods=get),
            Route(seen, self.seen, methods=get),
            Route(f"{seen}/{{deed}}", self.seen_deed, methods=DEEDS),
            Route("/plan/{scene}/{picture}", self.plan_picture, methods=get),
        ]

    async def plan(self, request: Request) -> Response:
        """Scene files, and the pictures of those that were planned."""
        session = self.session
        if request.method == "POST":
            written = await self._written(request)
            scene, deed = written.get("scene", ""), written.get("deed", "")
            if not scene:
                await run_in_threadpool(plan_work.start_scene, session)
            elif scene in plan_work.scenes(session):
                start = plan_work.hand_over if deed == "tell" else plan_work.work_out_plan
                await self._waited(start(session, scene))
            return RedirectResponse("/plan", 303)
        plans = [
            (scene, plan_work.plan_pictures(session, scene), plan_work.plan_words(session, scene))
            for scene in plan_work.scenes(session)
        ]
        return self._page(
            "plan.html.j2", "plan", plans=plans, folder=session.folder, **self._work_at(plan_work.PLAN)
        )

    async def plan_picture(self, request: Request) -> Response:
        """One picture of a plan."""
        scene, picture = request.path_params["scene"], request.path_params["picture"]
        if scene not in plan_work.scenes(self.session) or picture not in plan_work.plan_pictures(
            self.session, scene
        ):
            raise HTTPException(404)
        return FileResponse(plan_work.plan_folder(self.session, scene) / picture)

    def _scene(self, request: Request) -> str:
        scene: str = request.path_params["scene"]
        if scene not in plan_work.scenes(self.session):
            raise HTTPException(404)
        return scene

    async def seen(self, request: Request) -> Response:
        """Photos of a scene as it stands, and how it will look."""
        scene = self._scene(request)
        shelf = plan_work.photos_shelf(self.session, scene)
        return self._set_page(
            "seen.html.j2",
            shelf,
            f"/plan/{scene}/seen",
            plan_work.whose(scene),
            "plan",
            scene_file=scene,
            cameras=other_work.camera_files(self.session),
            pictures=[name for name in plan_work.plan_pictures(self.session, scene) if name.endswith(".jpg")],
        )

    async def seen_deed(self, request: Request) -> Response:
        """A photo of a scene as it stands, or what is to be done with them."""
        scene, camera = self._scene(request), ""
        if request.method == "POST" and request.path_params["deed"] == "answer":
            camera = (await self._written(request)).get("camera", "")
            camera = camera if camera in other_work.camera_files(self.session) else ""
        shelf = plan_work.photos_shelf(self.session, scene)
        return await self._deed(
            request, shelf, f"/plan/{scene}/seen", lambda: plan_work.clothe_scene(self.session, scene, camera)
        )

    async def walk(self, request: Request) -> Response:
        """The page to walk along a scene; its script runs apart from these pages."""
        path = plan_work.plan_folder(self.session, self._scene(request)) / plan_work.WALK
        if not path.is_file():
            return RedirectResponse(f"/plan/{request.path_params['scene']}/seen", 303)
        return FileResponse(path, media_type="text/html", headers={"content-security-policy": WALK_POLICY})
