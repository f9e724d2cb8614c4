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
    from .calibration.result import Calibration
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
    from .photo.camera_file import CameraFile, read_camera_file, write_camera_file
    from .planning.job import plan
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
    "camera_file_of": "calibration.job",
    "read_camera_file": "photo.camera_file",
    "write_camera_file": "photo.camera_file",
    "check_text": "checking.text",
    "draw_check": "checking.picture",
    "save_check_picture": "checking.picture",
    "write_sheet_pdf": "target.pdf",
    "plan": "planning.job",
    "SHEETS": "target.sheets",
    "Sheet": "target.sheets",
    "CheckSettings": "checking.settings",
    "Mount": "checking.settings",
    "CheckResult": "checking.result",
    "Calibration": "calibration.result",
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
    "FileFormatError",
    "Installation",
    "MirrorResult",
    "Mount",
    "PhotoError",
    "Quantity",
    "ReflectionError",
    "Sheet",
    "SolveError",
    "StatedMirror",
    "TargetError",
    "add_entry",
    "calibrate",
    "camera_file_of",
    "check",
    "check_text",
    "draw_check",
    "make_page",
    "plan",
    "read_camera_file",
    "read_installation",
    "save_check_picture",
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
