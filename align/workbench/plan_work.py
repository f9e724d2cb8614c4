"""Plans at the bench: scene files, their pictures, and what they tell the record. The commands' own functions."""

from __future__ import annotations

import re
from pathlib import Path

from .other_work import photos_of, put_text
from .session import Session
from .shelf import BENCH, Shelf, folder_name
from .worker import Ticket

PLAN = "plan"
FIRST_SCENE = "scene.toml"
#: The page to walk along a clothed scene.
WALK = "as_it_will_look.html"
_SCENE_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 _.-]{0,80}\.toml")


def scenes(session: Session) -> tuple[str, ...]:
    """The scene files of the record's folder."""
    found = session.folder.glob("*.toml") if session.folder.is_dir() else ()
    names = (path.name for path in found if path.name != "installation.toml")
    return tuple(sorted(name for name in names if _SCENE_NAME.fullmatch(name)))


def start_scene(session: Session) -> None:
    """Write the commented example scene, to be changed into one's own; never over one that is there."""
    from ..planning.scene_file import start_file

    session.folder.mkdir(parents=True, exist_ok=True)
    start_file(session.folder / FIRST_SCENE)
    session.changed()


def plan_folder(session: Session, scene: str) -> Path:
    """Where a scene's pictures lie."""
    return session.folder / f"plan-{scene.removesuffix('.toml')}"


def work_out_plan(session: Session, scene: str) -> Ticket:
    """Plan a scene and draw its pictures."""

    def work(ticket: Ticket) -> None:
        from ..planning.job import plan
        from ..planning.pictures.sheets import draw_plan

        session.worker.say(ticket, "looking along every line of sight")
        result = plan(session.folder / scene)
        session.worker.say(ticket, "drawing")
        draw_plan(result, plan_folder(session, scene))

    return session.worker.put(PLAN, f"the plan of {scene}", work)


def plan_pictures(session: Session, scene: str) -> tuple[str, ...]:
    """The names of a plan's pictures."""
    folder = plan_folder(session, scene)
    if not folder.is_dir():
        return ()
    return tuple(sorted(path.name for kind in ("*.png", "as_it_will_look_*.jpg") for path in folder.glob(kind)))


def plan_words(session: Session, scene: str) -> str:
    """A plan in words; "" where there is none."""
    try:
        return (plan_folder(session, scene) / "plan.txt").read_text(encoding="utf-8")
    except OSError:
        return ""


def hand_over(session: Session, scene: str) -> Ticket:
    """Tell the record what each of a scene's mirrors is to be, as `align plan --into` does."""

    def work(ticket: Ticket) -> None:
        from ..planning.job import plan
        from ..records.planned import hand_over as told

        session.worker.say(ticket, "looking along every line of sight")
        result = plan(session.folder / scene)
        with session.lock:
            told(session.folder, result)
            session.read_again()

    return session.worker.put(PLAN, f"the mirrors of {scene} in the record", work)


def photos_shelf(session: Session, scene: str) -> Shelf:
    """The photos of a scene as it stands."""
    return Shelf(session.folder / BENCH / f"plan-{folder_name(scene)}")


def whose(scene: str) -> str:
    """The table that a scene's photos belong to."""
    return f"{PLAN}/{scene}"


def clothe_scene(session: Session, scene: str, camera: str = "") -> Ticket:
    """Draw a scene as it will look, from photos of it as it stands, as `align plan --photos` does."""

    def work(ticket: Ticket) -> None:
        from ..planning.clothes.job import clothe
        from ..planning.pictures.clothed import draw_clothed
        from ..planning.text_clothed import clothed_text

        def say(words: str) -> None:
            session.worker.say(ticket, words)

        shelf = photos_shelf(session, scene)
        photos = photos_of(shelf)
        file = session.folder / camera if camera else None
        clothed = clothe(session.folder / scene, photos, camera=file, progress=say)
        draw_clothed(clothed, plan_folder(session, scene), say)
        put_text(shelf, clothed_text(clothed), len(photos))

    return session.worker.put(whose(scene), f"{scene} as it will look", work)
