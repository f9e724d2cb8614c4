"""The page in a browser: phone, desktop and print, no network, no complaint, readable by everybody."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import cv2
import pytest

from align.records.job import make_page
from tests.support.answers import made_answer, made_mirror
from tests.support.axe import axe_finds, axe_path
from tests.support.browser import PAPERS, SCREENS, Browser, chromium_path
from tests.support.record_samples import (
    add_made,
    checked_record,
    made_check,
    made_record,
    photos_from_false_to_true,
    small_photo,
    two_mirror_record,
)

pytestmark = pytest.mark.skipif(chromium_path() is None, reason="no Chromium on this machine (see .ci/run)")

VIEWS = [(name, dark) for name in SCREENS for dark in (False, True)]
NAMES = ("sample", "odd", "glass", "two")
LONG_NAME = "Speicherstadtfleetbrückenverwaltungsgebäudehinterhofdurchfahrt"


def pages(folder: Path) -> dict[str, Path]:
    """The sample installation, one with long names, one of glass alone, and two mirrors over two years."""
    photos, lamps = photos_from_false_to_true(folder)
    sample = make_page(checked_record(folder / "sample", photos, lamps))
    odd = made_record(
        folder / "odd" / "record",
        [
            made_answer(made_mirror(), made_mirror(0.3, 30.0, number=2, half_deg=1.0), warnings=(LONG_NAME,)),
            made_answer(made_mirror(0.2), made_mirror(0.0, 29.0, number=2), photos=1),
            *[made_check(0.5 / k, -0.3 / k) for k in range(1, 15)],
            made_answer(made_mirror(0.01, 0.0), made_mirror(0.0, 0.0, number=2)),
        ],
    )
    (odd / "installation.toml").write_text(
        f'format = "align-installation-1"\nname = "{LONG_NAME}"\nnotes = "{LONG_NAME}"\n', encoding="utf-8"
    )
    from tests.support.record_samples import GLASS_ANSWER

    glass = folder / "glass" / "record"
    glass.mkdir(parents=True)
    add_made(glass, small_photo(folder / "LAMPS.jpg"), GLASS_ANSWER)
    two = make_page(two_mirror_record(folder / "two" / "record"))
    return {"sample": sample, "odd": make_page(odd), "glass": make_page(glass), "two": two}


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """All pages, made once."""
    return pages(tmp_path_factory.mktemp("pages"))


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(("screen", "dark"), VIEWS)
def test_nothing_leaves_nothing_complains_nothing_sticks_out(
    made: dict[str, Path], name: str, screen: str, dark: bool
) -> None:
    """No request but the file and its own data, an empty console, no horizontal scrolling."""
    with Browser(chromium_path() or "") as browser:
        browser.show(made[name], SCREENS[screen], dark=dark)
        others = [url for url in browser.requests() if not url.startswith("data:")]
        assert others == [made[name].resolve().as_uri()]
        assert browser.complaints() == []
        width = browser.value("document.documentElement.scrollWidth")
        assert width <= SCREENS[screen][0], sticking_out(browser, SCREENS[screen][0])
        shown = browser.value("[...document.images].every(i => i.complete && i.naturalWidth > 0)")
        assert shown
        assert browser.value("getComputedStyle(document.body).backgroundColor") == (
            "rgb(20, 24, 28)" if dark else "rgb(255, 255, 255)"
        )


def sticking_out(browser: Browser, width: int) -> str:
    """Which elements are wider than the screen, for the message of a failing test."""
    return str(
        browser.value(
            f"[...document.querySelectorAll('body *')].filter(e => e.getBoundingClientRect().right > {width + 1})"
            ".map(e => e.tagName + '.' + e.className + ': ' + e.textContent.slice(0, 40)).join('\\n')"
        )
    )


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(("screen", "dark"), VIEWS)
@pytest.mark.skipif(axe_path() is None, reason="axe-core is not installed (test extra: axe-core-python)")
def test_the_accessibility_checker_finds_nothing(made: dict[str, Path], name: str, screen: str, dark: bool) -> None:
    """All of axe-core's rules, best practices among them; contrast in light and in dark."""
    with Browser(chromium_path() or "") as browser:
        browser.show(made[name], SCREENS[screen], dark=dark)
        found = axe_finds(browser)
        assert found["bad"] == []
        assert found["rules"] > 10


@pytest.mark.parametrize("name", NAMES)
def test_everything_shown_has_words(made: dict[str, Path], name: str) -> None:
    """Images, drawings, table headings and captions; one first heading, none skipped."""
    with Browser(chromium_path() or "") as browser:
        browser.show(made[name], SCREENS["desktop"])
        assert browser.value("[...document.images].filter(i => i.alt.trim().length < 15).length") == 0
        assert browser.value("document.images.length") >= 1
        drawings = browser.value(
            "[...document.querySelectorAll('svg')].map(s => s.getAttribute('role') === 'img' && s"
            ".getAttribute('aria-labelledby').split(' ').every("
            "i => document.getElementById(i).textContent.length > 10))"
        )
        assert all(drawings)
        assert browser.value(
            "[...document.querySelectorAll('table')].every(t => t.caption && "
            "t.querySelector('thead th[scope=col]') && "
            "[...t.tBodies[0].rows].every(r => r.cells[0].matches('th[scope=row]')))"
        )
        levels = browser.value("[...document.querySelectorAll('h1,h2,h3')].map(h => +h.tagName[1])")
        assert levels[0] == 1
        assert levels.count(1) == 1
        ids = browser.value("[...document.querySelectorAll('[id]')].map(e => e.id)")
        assert len(ids) == len(set(ids))


@pytest.mark.parametrize("screen", SCREENS)
def test_text_in_drawings_is_large_enough(made: dict[str, Path], screen: str) -> None:
    """Ten pixels at least, on a phone too."""
    with Browser(chromium_path() or "") as browser:
        browser.show(made["sample"], SCREENS[screen])
        heights = browser.value(
            "[...document.querySelectorAll('svg text')].map(t => parseFloat(t.getAttribute('font-size')) *"
            " t.ownerSVGElement.getBoundingClientRect().width / 360)"
        )
        assert min(heights) >= 10


@pytest.mark.parametrize("screen", SCREENS)
@pytest.mark.parametrize("name", NAMES)
def test_labels_in_drawings_do_not_collide(made: dict[str, Path], name: str, screen: str) -> None:
    """No text lies on another, none leaves its drawing."""
    with Browser(chromium_path() or "") as browser:
        browser.show(made[name], SCREENS[screen])
        collisions = browser.value(
            """[...document.querySelectorAll('svg')].flatMap(s => {
                const frame = s.getBoundingClientRect();
                const boxes = [...s.querySelectorAll('text')].map(
                    t => [t.textContent, t.getBoundingClientRect()]);
                const out = boxes.filter(([w, b]) => b.left < frame.left - 1 || b.right > frame.right + 1
                    || b.top < frame.top - 1 || b.bottom > frame.bottom + 1).map(([w, b]) => w + ' leaves');
                const on = boxes.flatMap(([w, b], i) => boxes.slice(i + 1).filter(([v, c]) =>
                    b.left < c.right - 1 && c.left < b.right - 1
                    && b.top < c.bottom - 3 && c.top < b.bottom - 3)
                    .map(([v, c]) => w + ' on ' + v));
                return [...out, ...on];
            })"""
        )
        assert collisions == []


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("name", NAMES)
def test_print_fits_its_paper(made: dict[str, Path], name: str, paper: str, tmp_path: Path) -> None:
    """As wide as the paper less its margins, in dark ink on white whatever the screen's mode, a few pages."""
    width = round((PAPERS[paper][0] - 2 * 15 / 25.4) * 96)
    with Browser(chromium_path() or "") as browser:
        browser.show(made[name], (width, 1000, 1), dark=True, media="print")
        assert browser.value("document.documentElement.scrollWidth") <= width, sticking_out(browser, width)
        assert browser.value("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
        file = tmp_path / "page.pdf"
        file.write_bytes(browser.pdf(PAPERS[paper]))
        assert browser.complaints() == []
    counted = re.findall(rb"/Type\s*/Page\b(?!s)", file.read_bytes())
    assert 1 <= len(counted) <= (8 if name in ("odd", "two") else 5)
    if shutil.which("pdftoppm"):
        assert half_empty(file) == []
    if shutil.which("pdftotext"):
        words = subprocess.run(["pdftotext", str(file), "-"], capture_output=True, text=True, check=True).stdout
        assert "Cautions" in words


def half_empty(file: Path) -> list[str]:
    """Pages but the last one of which the lowest two fifths hold nothing."""
    subprocess.run(["pdftoppm", "-r", "20", "-gray", str(file), str(file.with_suffix(""))], check=True)
    sheets = sorted(file.parent.glob(f"{file.stem}-*.pgm"))
    found = []
    for sheet in sheets[:-1]:
        pixels = cv2.imread(str(sheet), cv2.IMREAD_GRAYSCALE)
        if pixels[3 * pixels.shape[0] // 5 :].min() > 200:
            found.append(sheet.name)
    return found


def test_a_record_of_two_mirrors_opens_with_a_summary(made: dict[str, Path]) -> None:
    """Both mirrors in one table at the top, then a part each; the removed entry and the corrected note are told."""
    with Browser(chromium_path() or "") as browser:
        browser.show(made["two"], SCREENS["desktop"])
        rows = browser.value("[...document.querySelector('table').tBodies[0].rows].map(r => r.innerText)")
        assert len(rows) == 2
        assert "lean by 0.12" in rows[0].replace("\N{NO-BREAK SPACE}", " ")
        headings = browser.value("[...document.querySelectorAll('h2')].map(h => h.innerText)")
        assert [h for h in headings if h.endswith("mirror")] == ["arcade mirror", "yard mirror"]
        words = browser.value("document.body.innerText").replace("\N{NO-BREAK SPACE}", " ")
        assert "OUT OF TRUE: arcade mirror. True: yard mirror." in words
        assert "Lean: moved, 0.12° ± 0.03° since 3 November 2024 (entry 3). Its top came towards you." in words
        assert "Entry 5 of 31 January 2025 was taken out" in words
        assert "before: “after the heating was repared”" in words
        assert "2025-07-20, 10:56 (checked 2025-07-26)" in words
        assert "0 %" not in re.sub(r"\d0 %|95 %", "", words)


def test_the_page_holds_no_address(made: dict[str, Path]) -> None:
    """Nothing that a later browser could fetch: no script, no link but the empty icon, data only."""
    for page in made.values():
        text = page.read_text(encoding="utf-8")
        assert "<script" not in text
        assert re.findall(r"""(?:src|href)="(?!data:)""", text) == []
        assert "url(" not in text.replace("url(#", "")
        assert "@import" not in text
        assert "http" not in re.sub(r'<meta http-equiv="[^"]*"', "", text)
