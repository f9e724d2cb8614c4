"""align: is the mirror at the end of the street true, and of the right glass?

    import align

    result = align.check("photo.jpg", mirror_size_mm=(300, 200))
    print(align.check_text(result))

Names are imported when first used, so that `import align` costs nothing.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .calibration.job import calibrate, camera_file_of
    from .calibration.picture import save_calibration_picture
    from .calibration.result import Calibration
    from .calibration.text import calibration_text
    from .checking.flatness_picture import save_flatness_picture
    from .checking.job import check
    from .checking.picture import draw_check, save_check_picture
    from .checking.result import CheckResult, MirrorResult
    from .checking.settings import CheckSettings, Mount
    from .checking.text import check_text
    from .errors import (
        AlignError,
        CameraError,
        FileFormatError,
        PhotoError,
        ReflectionError,
        SolveError,
        TargetError,
    )
    from .ghosts.job import glass_of
    from .ghosts.picture import save_glass_picture
    from .ghosts.result import GlassResult
    from .ghosts.text import glass_text
    from .photo.camera_file import CameraFile, read_camera_file, write_camera_file
    from .planning.clothes.job import clothe
    from .planning.clothes.result import Clothed
    from .planning.job import plan
    from .planning.pictures.clothed import draw_clothed
    from .planning.pictures.sheets import draw_plan
    from .planning.result import PlanResult
    from .planning.text import plan_text
    from .planning.text_clothed import clothed_text
    from .quantity import Quantity
    from .records.form import settings_for
    from .records.installation import Installation, StatedMirror, read_installation
    from .records.job import add_entry, make_page, start_record
    from .records.write_installation import write_mirror, write_scene
    from .target.pdf import write_sheet_pdf
    from .target.sheets import SHEETS, Sheet

#: Which module each public name lives in.
_HOMES = {
    "check": "checking.job",
    "calibrate": "calibration.job",
    "calibration_text": "calibration.text",
    "save_calibration_picture": "calibration.picture",
    "camera_file_of": "calibration.job",
    "read_camera_file": "photo.camera_file",
    "write_camera_file": "photo.camera_file",
    "check_text": "checking.text",
    "draw_check": "checking.picture",
    "save_check_picture": "checking.picture",
    "save_flatness_picture": "checking.flatness_picture",
    "write_sheet_pdf": "target.pdf",
    "glass_of": "ghosts.job",
    "glass_text": "ghosts.text",
    "save_glass_picture": "ghosts.picture",
    "plan": "planning.job",
    "plan_text": "planning.text",
    "draw_plan": "planning.pictures.sheets",
    "clothe": "planning.clothes.job",
    "Clothed": "planning.clothes.result",
    "draw_clothed": "planning.pictures.clothed",
    "clothed_text": "planning.text_clothed",
    "SHEETS": "target.sheets",
    "Sheet": "target.sheets",
    "CheckSettings": "checking.settings",
    "Mount": "checking.settings",
    "CheckResult": "checking.result",
    "Calibration": "calibration.result",
    "GlassResult": "ghosts.result",
    "PlanResult": "planning.result",
    "CameraFile": "photo.camera_file",
    "MirrorResult": "checking.result",
    "Quantity": "quantity",
    "settings_for": "records.form",
    "add_entry": "records.job",
    "make_page": "records.job",
    "start_record": "records.job",
    "Installation": "records.installation",
    "StatedMirror": "records.installation",
    "read_installation": "records.installation",
    "write_mirror": "records.write_installation",
    "write_scene": "records.write_installation",
    "AlignError": "errors",
    "PhotoError": "errors",
    "FileFormatError": "errors",
    "CameraError": "errors",
    "TargetError": "errors",
    "ReflectionError": "errors",
    "SolveError": "errors",
}

__all__ = [
    "SHEETS",
    "AlignError",
    "Calibration",
    "CameraError",
    "CameraFile",
    "CheckResult",
    "CheckSettings",
    "Clothed",
    "FileFormatError",
    "GlassResult",
    "Installation",
    "MirrorResult",
    "Mount",
    "PhotoError",
    "PlanResult",
    "Quantity",
    "ReflectionError",
    "Sheet",
    "SolveError",
    "StatedMirror",
    "TargetError",
    "add_entry",
    "calibrate",
    "calibration_text",
    "camera_file_of",
    "check",
    "check_text",
    "clothe",
    "clothed_text",
    "draw_check",
    "draw_clothed",
    "draw_plan",
    "glass_of",
    "glass_text",
    "make_page",
    "plan",
    "plan_text",
    "read_camera_file",
    "read_installation",
    "save_calibration_picture",
    "save_check_picture",
    "save_flatness_picture",
    "save_glass_picture",
    "settings_for",
    "start_record",
    "write_camera_file",
    "write_mirror",
    "write_scene",
    "write_sheet_pdf",
]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(f".{_HOMES[name]}", __name__), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
