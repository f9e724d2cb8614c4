"""The live part of the page in a browser: a picture file in place of a camera."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import pytest

from tests.support.axe import axe_finds, axe_path
from tests.support.browser import SCREENS, Browser, chromium_path
from tests.support.film import drawn_scene, frame_at
from tests.support.patience import patient
from tests.support.served import Served

pytest.importorskip("starlette")
pytest.importorskip("uvicorn")
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(chromium_path() is None, reason="no Chromium on this machine (see .ci/run)"),
]

SCENE = drawn_scene(11, (), swing_mm=0.0)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One browser for all tests."""
    with Browser(chromium_path() or "", loopback=True) as one:
        yield one


def shown_to_camera(path: Path, pixels: np.ndarray) -> None:
    """Put a picture before the camera, whole at once."""
    cv2.imwrite(str(path.with_name("next.png")), pixels)
    os.replace(path.with_name("next.png"), path)


def test_needle_number_and_what_is_missing(browser: Browser, tmp_path: Path) -> None:
    """The verdict in large type, two needles, a settled answer read aloud once, and plain words for less; on the
    phone, then on the computer's screen in the dark."""
    picture = tmp_path / "camera.png"
    shown_to_camera(picture, frame_at(SCENE, 0.0, 1, (1600, 900)))
    with Served(tmp_path / "record", "", picture) as served:
        mirror = served.start_mirror()
        browser.events = []
        browser.show(f"{served.address}{mirror}", SCREENS["phone"])
        browser.wait_for("document.querySelector('#live-heading')?.textContent === 'Out of true'", 60)
        assert browser.value("document.querySelectorAll('#live svg g[id^=needle]').length") == 2
        number = browser.value("document.querySelector('.live-number').textContent")
        assert "±" in number
        browser.wait_for("document.querySelector('#verdict')?.textContent === 'Out of true'", 60)
        said = browser.wait_for("document.querySelector('#settled').textContent")
        assert said.startswith("The camera's answer of ")
        assert browser.value("document.querySelectorAll('#live [role=status], #live [aria-live]').length") == 0
        browser.wait_for("document.querySelector('#live-pace').textContent.includes(' a second')")
        for name, screen in SCREENS.items():
            browser.set_screen(screen, dark=name == "desktop")
            browser.settle()
            assert browser.value("document.documentElement.scrollWidth") <= screen[0]
            if axe_path() is not None:
                assert axe_finds(browser)["bad"] == []
        plain = served.get(mirror)[1]
        assert '<noscript><meta http-equiv="refresh"' in plain
        assert "needle-lean-1-now" in plain
        shown_to_camera(picture, np.full((900, 1600), 100, np.uint8))
        browser.wait_for("document.querySelector('#live-heading')?.textContent === 'No sheet in view'", 30)
        assert browser.value("document.querySelector('#settled').textContent") == said
        assert browser.complaints() == []
        browser.show("about:blank", SCREENS["phone"])
        assert served.interrupt() < patient(3.0)
