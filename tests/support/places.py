"""Where the repository's own folders are, and those that may lie beside it."""

from __future__ import annotations

from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SAMPLES = ROOT / "sample_images"
BENCH = ROOT / "tests" / "bench"
SCENE_EXAMPLE = ROOT / "align" / "planning" / "templates" / "harbour_street.toml"
#: Real photographs, and renders by another script; tests that use them skip where they are absent.
REAL, SECOND = ROOT.parent / "shared" / "real", ROOT.parent / "shared" / "second"
