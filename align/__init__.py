"""align: is the mirror at the end of the street plumb, square and of the right glass?

    import align

    result = align.check("photo.jpg", mirror_size_mm=(300, 200))
    print(align.check_text(result))

Names are imported when first used, so that `import align` costs nothing.
"""

from __future__ import annotations

import importlib
import sys
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .calibrate import calibrate, camera_file_of
    from .camera_file import CameraFile, read_camera_file, write_camera_file
    from .check import check
    from .errors import (
        AlignError,
        CameraError,
        FileFormatError,
        PhotoError,
        ReflectionError,
        SolveError,
        TargetError,
    )
    from .figures import draw_check, save_check_picture
    from .plan import plan
    from .results import CheckResult, MirrorResult, Quantity
    from .results_camera import Calibration
    from .sheet_pdf import write_sheet_pdf
    from .shims import Mount
    from .target import SHEETS, Sheet
    from .text import check_text

#: Which module each public name lives in.
_HOMES = {
    "check": "check",
    "calibrate": "calibrate",
    "camera_file_of": "calibrate",
    "read_camera_file": "camera_file",
    "write_camera_file": "camera_file",
    "check_text": "text",
    "draw_check": "figures",
    "save_check_picture": "figures",
    "write_sheet_pdf": "sheet_pdf",
    "plan": "plan",
    "SHEETS": "target",
    "Sheet": "target",
    "Mount": "shims",
    "CheckResult": "results",
    "Calibration": "results_camera",
    "CameraFile": "camera_file",
    "MirrorResult": "results",
    "Quantity": "results",
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
    "FileFormatError",
    "MirrorResult",
    "Mount",
    "PhotoError",
    "Quantity",
    "ReflectionError",
    "Sheet",
    "SolveError",
    "TargetError",
    "calibrate",
    "camera_file_of",
    "check",
    "check_text",
    "draw_check",
    "plan",
    "read_camera_file",
    "save_check_picture",
    "write_camera_file",
    "write_sheet_pdf",
]


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(f".{_HOMES[name]}", __name__), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})


class _Package(ModuleType):
    """This package, which keeps `align.check` the function although a module of that name exists.

    Importing a submodule sets it as an attribute of its package; for names in _HOMES that is left out, so
    that they mean the same before and after. `from align.check import ...` works all the same.
    """

    def __setattr__(self, name: str, value: Any) -> None:
        if not (name in _HOMES and isinstance(value, ModuleType)):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package
