"""The accessibility checker of the test extra, run on the page that a browser shows."""

from __future__ import annotations

import importlib.util
import os
from pathlib import Path
from typing import Any

from tests.support.browser import Browser


def axe_path() -> Path | None:
    """axe-core: the file that AXE_JS names, else the one in the test extra's package."""
    if os.environ.get("AXE_JS"):
        return Path(os.environ["AXE_JS"])
    spec = importlib.util.find_spec("axe_core_python")
    folders = list(spec.submodule_search_locations or []) if spec else []
    return next((Path(folder) / "axe.min.js" for folder in folders), None)


def axe_finds(browser: Browser) -> dict[str, Any]:
    """All of axe-core's rules, best practices among them: how many passed, what is wrong, what it is unsure of."""
    script = axe_path()
    assert script is not None
    browser.value(script.read_text(encoding="utf-8") + ";1")
    found: dict[str, Any] = browser.value(
        "axe.run(document).then(r => ({rules: r.passes.length,"
        " bad: r.violations.map(v => v.id + ': ' + v.nodes.map(n => n.html.slice(0, 120)).join(' | ')),"
        " unsure: r.incomplete.map(v => v.id)}))"
    )
    return found
