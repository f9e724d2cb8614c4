"""The served pages in a browser: the whole road at phone and desktop size, readable by everybody."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from align.checking.job import check
from align.checking.wording import CORNER_WORDS, shim_is_needed, shim_size_words
from align.drawing.wording import size_with_uncertainty
from tests.support.axe import axe_finds, axe_path
from tests.support.browser import SCREENS, Browser, chromium_path
from tests.support.laid_photos import photo_of_sheet
from tests.support.places import SAMPLES
from tests.support.served import OURS, Served

pytest.importorskip("starlette")
pytest.importorskip("uvicorn")
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(chromium_path() is None, reason="no Chromium on this machine (see .ci/run)"),
]

Road = tuple[Served, dict[str, str]]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One browser for all tests."""
    with Browser(chromium_path() or "", loopback=True) as one:
        yield one


@pytest.fixture(scope="module", params=list(SCREENS))
def road(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory, browser: Browser
) -> Iterator[Road]:
    """The whole road, walked once at each size; what the page said on the way."""
    with Served(tmp_path_factory.mktemp("road") / "record") as served:
        yield served, walked(served, browser, request.param)


def walked(served: Served, browser: Browser, screen: str) -> dict[str, str]:
    """Start a mirror, send the leaning photo, read the packing, send the true one, open the record."""
    browser.show("about:blank", SCREENS[screen])
    said, browser.events = {"screen": screen}, []
    browser.show(f"{served.address}/", SCREENS[screen])
    browser.value("document.querySelector('a[href=\"/new\"]').click()")
    browser.wait_for("document.querySelector('#width_mm') !== null")
    for entry, written in (("name", "arcade mirror"), ("width_mm", "300"), ("height_mm", "150")):
        browser.value(f"document.querySelector('#{entry}').value = '{written}'")
    browser.value("document.querySelector('form.known button').click()")
    browser.wait_for("document.querySelector('#choose') !== null && document.readyState === 'complete'")
    said["mirror"] = str(browser.value("location.pathname"))
    for name, verdict in (("arcade_leaning", "Out of true"), ("arcade_true", "True")):
        browser.choose_files("#take" if name == "arcade_true" else "#choose", [SAMPLES / f"{name}.jpg"])
        browser.wait_for(f"document.querySelector('#verdict')?.textContent === '{verdict}'", 60)
        browser.wait_for("[...document.images].every(i => i.complete && i.naturalWidth > 0)", 60)
        said[name] = str(browser.value("document.querySelector('#answer').innerText"))
        said[f"{name} aloud"] = str(browser.wait_for("document.querySelector('#settled').textContent"))
    browser.show(f"{served.address}/record", SCREENS[screen])
    browser.value("document.querySelector('#make').click()")
    browser.wait_for("location.pathname === '/record/page' && document.readyState === 'complete'", 60)
    said["record"] = str(browser.value("document.body.innerText"))
    form = {**OURS, "Content-Type": "application/x-www-form-urlencoded"}
    assert served.request("POST", "/plan", "scene=", form)[0] == 303
    said["complaints"] = "\n".join(browser.complaints())
    browser.events = []
    return said


def test_the_packing_is_read(road: Road) -> None:
    """Verdict, both numbers with their ±, which packing behind which corner: as `align.check` answers."""
    words = road[1]["arcade_leaning"]
    (mirror,) = check(SAMPLES / "arcade_leaning.jpg", mirror_size_mm=(300, 150)).mirrors
    assert size_with_uncertainty(mirror.lean_deg, "°", 3) in words
    assert size_with_uncertainty(mirror.turn_deg, "°", 3) in words
    assert len(mirror.shims.shims) == 4
    for shim in mirror.shims.shims:
        corner = CORNER_WORDS[shim.place].capitalize()
        size = shim_size_words(shim) if shim_is_needed(shim) else "nothing"
        assert re.search(rf"{corner}\s+{re.escape(size)}", words), corner
    assert "Put the packing in, then photograph again." in words


def test_true_is_read_and_when_to_stop(road: Road) -> None:
    """What changed since, and that it is done."""
    words = road[1]["arcade_true"]
    assert "Stop here" in words
    assert "The mirror has moved since photo 1." in words
    assert "The lean is right." in words
    assert "The turn is right." in words


def test_only_settled_answers_are_read_aloud(road: Road) -> None:
    """The status says verdict and numbers of the answer that stands, nothing of sending and waiting."""
    said = road[1]
    assert said["arcade_leaning aloud"].startswith("Photo 1: Out of true. Lean towards you")
    assert said["arcade_true aloud"].startswith("Photo 2: True.")


def test_the_record_holds_both_answers(road: Road) -> None:
    """Opened from the page; nothing in all of this made the browser complain."""
    said = road[1]
    assert "TRUE." in said["record"]
    assert "arcade mirror" in said["record"]
    assert said["complaints"] == ""


PAGES = ("/", "/new", "MIRROR", "MIRROR/known", "MIRROR/print", "MIRROR/lamps", "/camera", "/plan")
PAGES += ("/plan/scene.toml/seen", "/phone", "/record", "/nothing")


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.skipif(axe_path() is None, reason="axe-core is not installed (test extra: axe-core-python)")
def test_the_accessibility_checker_finds_nothing(road: Road, browser: Browser, dark: bool) -> None:
    """On every page at this size, in light or in dark; nothing sticks out sideways, nothing complains."""
    served, said = road
    screen = SCREENS[said["screen"]]
    for page in PAGES:
        path = page.replace("MIRROR", said["mirror"])
        browser.events = []
        browser.show(f"{served.address}{path}", screen, dark=dark)
        complaints = [words for words in browser.complaints() if "404" not in words or path != "/nothing"]
        assert complaints == [], path
        assert browser.value("document.documentElement.scrollWidth") <= screen[0], path
        found = axe_finds(browser)
        assert found["bad"] == [], path
        assert found["rules"] > 10, path


def test_touch_targets_are_large_enough(road: Road, browser: Browser) -> None:
    """What is pressed with a thumb: 44 px at least, more than WCAG 2.2's 24 (success criterion 2.5.8)."""
    served, said = road
    browser.show(f"{served.address}{said['mirror']}", SCREENS[said["screen"]])
    heights = browser.value(
        "[...document.querySelectorAll('.choice label, nav a')].map(e => e.getBoundingClientRect().height)"
    )
    assert len(heights) == 7
    assert min(heights) >= 40


def test_labels_in_drawings_do_not_collide(road: Road, browser: Browser) -> None:
    """No text lies on another, none leaves its drawing, none is smaller than eleven pixels."""
    served, said = road
    browser.show(f"{served.address}{said['mirror']}", SCREENS[said["screen"]])
    found = browser.value(
        """[...document.querySelectorAll('svg.drawing')].flatMap(s => {
            const frame = s.getBoundingClientRect();
            const boxes = [...s.querySelectorAll('text')].map(t => [t.textContent, t.getBoundingClientRect()]);
            const out = boxes.filter(([w, b]) => b.left < frame.left - 1 || b.right > frame.right + 1
                || b.top < frame.top - 1 || b.bottom > frame.bottom + 1).map(([w, b]) => w + ' leaves');
            const on = boxes.flatMap(([w, b], i) => boxes.slice(i + 1).filter(([v, c]) =>
                b.left < c.right - 1 && c.left < b.right - 1 && b.top < c.bottom - 3 && c.top < b.bottom - 3)
                .map(([v, c]) => w + ' on ' + v));
            const small = [...s.querySelectorAll('text')].filter(t => parseFloat(t.getAttribute('font-size'))
                * frame.width / s.viewBox.baseVal.width < 10.9).map(t => t.textContent + ' is small');
            return [...out, ...on, ...small];
        })"""
    )
    assert found == []


def test_a_photo_that_is_none_is_refused_on_the_page(road: Road, browser: Browser, tmp_path: Path) -> None:
    """In the page's own words, as an alert; the answer that stands is left alone."""
    served, said = road
    (tmp_path / "letter.jpg").write_text("Dear reader", encoding="utf-8")
    browser.show(f"{served.address}{said['mirror']}", SCREENS[said["screen"]])
    browser.value("document.querySelector('#sheet-turned').click()")
    browser.choose_files("#choose", [tmp_path / "letter.jpg"])
    words = browser.wait_for("document.querySelector('[data-problem]').textContent")
    assert "cannot be read as a photo" in words
    assert browser.value("document.querySelector('[data-problem]').getAttribute('role')") == "alert"
    assert browser.value("document.querySelector('#verdict').textContent") == "True"
    assert browser.value("document.querySelector('#sheet-turned').checked"), "it holds for the photo in its place"


def test_a_page_that_is_open_elsewhere_shows_the_answer_too(road: Road, browser: Browser) -> None:
    """The computer's page hears of a photo that another, the phone's, has sent."""
    served, said = road
    served.mirror = said["mirror"]
    browser.show(f"{served.address}{said['mirror']}", SCREENS[said["screen"]])
    before = browser.value("document.querySelector('.of').textContent")
    status, words, _ = served.send(SAMPLES / "arcade_lamps.jpg")
    assert status == 201, words
    browser.wait_for(f"document.querySelector('.of').textContent !== {before!r}", 60)
    assert "Photo" in browser.wait_for("document.querySelector('#settled').textContent")


def test_a_sheet_that_was_turned_then_moved(road: Road, browser: Browser, tmp_path: Path) -> None:
    """What is said of the sheet goes with the photo and is asked anew for the next; the map of flatness has its
    words and its alternative text, with a script and without."""
    served, said = road
    if said["screen"] != "phone":
        pytest.skip("once is enough")
    mirror = served.start_mirror("turned mirror")
    browser.show(f"{served.address}{mirror}", SCREENS["phone"])
    assert browser.value("getComputedStyle(document.querySelector('.lies')).display") == "none"
    sent = (("left", {}), ("turned", {"turned_deg": 90.0}), ("anew", {"seed": 2}), ("moved", {"x_mm": -60.0}))
    for number, (lie, place) in enumerate(sent, 1):
        (tmp_path / "photo.jpg").write_bytes(photo_of_sheet(**place))
        browser.value(f"document.querySelector('#sheet-{lie}').click()")
        browser.choose_files("#choose", [tmp_path / "photo.jpg"])
        browser.wait_for(f"document.querySelector('.of')?.textContent.startsWith('Photo {number},')", 60)
        assert browser.value("document.querySelector('[name=sheet]:checked').value") == "left"
        said[lie] = str(browser.value("document.querySelector('#answer').innerText"))
    assert "The sheet was turned since photo 1 and the mirror left alone, as you said" in said["turned"]
    assert "Begun afresh, as you said" in said["anew"]
    assert "The sheet was moved since photo 3" in said["moved"]
    assert "The rest is extrapolated" in said["moved"] or "the map shows the whole mirror" in said["moved"]
    browser.wait_for("[...document.images].every(i => i.complete && i.naturalWidth > 0)", 60)
    alt = browser.value("document.querySelector('img[src*=\"/map/\"]').alt")
    assert alt.startswith("Map of the mirror's face from the front. ")
    assert "measured" in alt
    assert "extrapolated" in alt
    for words in ("--", "WIDTHx"):
        assert words not in said["turned"] + said["moved"], "an option of the command line"
    assert browser.value("document.documentElement.scrollWidth") <= SCREENS["phone"][0]
    if axe_path() is not None:
        browser.value("document.querySelector('.lies').open = true")
        assert axe_finds(browser)["bad"] == []
    plain = served.get(mirror)[1]
    assert plain.count('type="radio" name="sheet"') == 4
    assert f'src="{mirror}/map/4-1.jpg" alt="Map of' in plain
    status, _, headers = served.get(f"{mirror}/map/4-1.jpg?save")
    assert (status, headers["content-type"]) == (200, "image/jpeg")
    assert headers["content-disposition"].endswith('"turned-mirror-4-flatness-1.jpg"')
    for missing in ("3-1", "4-2", "9-1"):
        assert served.get(f"{mirror}/map/{missing}.jpg")[0] == 404


def test_without_a_script_nothing_sticks_out(road: Road, browser: Browser) -> None:
    """The plain file inputs beside their labels, and the button that sends them."""
    served, said = road
    browser.call("Emulation.setScriptExecutionDisabled", value=True)
    try:
        browser.set_screen(SCREENS[said["screen"]])
        browser.call("Page.navigate", url=f"{served.address}{said['mirror']}")
        browser.wait_for(
            "!!document.querySelector('html:not(.scripted) .send') && document.readyState === 'complete'"
        )
        assert browser.value("document.documentElement.scrollWidth") <= SCREENS[said["screen"]][0]
        assert browser.value("document.querySelector('.send').getBoundingClientRect().height") >= 40
    finally:
        browser.call("Emulation.setScriptExecutionDisabled", value=False)


def test_a_phone_comes_in_by_the_code(browser: Browser, tmp_path: Path) -> None:
    """The code's address opens the page by a cookie that no script reads; without it the door is shut; a photo goes
    its way from there, and the page shows the phone no code."""
    with Served(tmp_path / "record", "127.0.0.2") as served:
        there = f"http://127.0.0.2:{served.port}"
        browser.show(f"{there}/", SCREENS["phone"])
        assert "opens with the code" in browser.value("document.body.innerText")
        browser.show(f"{there}/enter/{served.token}", SCREENS["phone"])
        browser.wait_for(
            "location.pathname === '/' && document.querySelector('h1').textContent === 'Begin with a mirror'"
        )
        assert browser.value("document.cookie") == ""
        served.start_mirror()
        browser.show(f"{there}{served.mirror}", SCREENS["phone"])
        browser.choose_files("#take", [SAMPLES / "arcade_true.jpg"])
        browser.wait_for("document.querySelector('#verdict')?.textContent === 'True'", 60)
        browser.show(f"{there}/phone", SCREENS["phone"])
        assert served.token not in browser.value("document.documentElement.outerHTML")
