"""Mitsuba, started once with the variant the renderer needs.

The tracer is vectorised, so it wants the LLVM variant: Mitsuba's scalar ones cannot run it. LLVM 16 or newer
has to be found; Debian's libllvm19 is looked for when DRJIT_LIBLLVM_PATH does not say where it is.
"""

from __future__ import annotations

import os
from pathlib import Path
from types import ModuleType

VARIANT = "llvm_ad_rgb"
_DEBIAN_LLVM = Path("/usr/lib/x86_64-linux-gnu/libLLVM.so.19.1")


def start() -> tuple[ModuleType, ModuleType]:
    """(mitsuba, drjit), ready for use. Raises ImportError if Mitsuba is not installed."""
    if _DEBIAN_LLVM.exists():
        os.environ.setdefault("DRJIT_LIBLLVM_PATH", str(_DEBIAN_LLVM))
    import drjit
    import mitsuba

    if mitsuba.variant() != VARIANT:
        mitsuba.set_variant(VARIANT)
    return mitsuba, drjit
