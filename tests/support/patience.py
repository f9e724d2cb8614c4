"""How long to wait on a machine that others use too."""

from __future__ import annotations

import os


def patient(seconds: float) -> float:
    """A span that an idle machine keeps [s], as long as a busy one may take for it: by its load on each core."""
    if not hasattr(os, "getloadavg"):
        return seconds
    return seconds * max(1.0, os.getloadavg()[0] / (os.cpu_count() or 1))
