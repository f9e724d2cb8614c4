"""Take the pictures of docs/at_the_mirror.md: python -m docs.figures.make_page_pictures

A server is started, a mirror begun, and the sample photos sent to it from a browser, as a person does.
"""

from __future__ import annotations

import io
import tempfile
from pathlib import Path

from PIL import Image

from tests.support.browser import SCREENS, Browser, chromium_path
from tests.support.laid_photos import photo_of_sheet
from tests.support.places import SAMPLES
from tests.support.served import Served

HERE = Path(__file__).parent
#: Pages are long: so much of each is shown, in CSS px.
PHONE_HEIGHT, DESKTOP_HEIGHT, LIVE_HEIGHT = 1010, 1240, 890
COLOURS = 200


def shot(browser: Browser, height: int | None = None, ratio: int = 1) -> Image.Image:
    """The page as a picture, cut at a height."""
    picture = Image.open(io.BytesIO(browser.screenshot())).convert("RGB")
    return picture if height is None else picture.crop((0, 0, picture.width, min(height * ratio, picture.height)))


def saved(picture: Image.Image, name: str) -> None:
    """Write a small PNG."""
    picture.quantize(COLOURS, dither=Image.Dither.NONE).save(HERE / name, optimize=True)


def beside(pictures: list[Image.Image], gap: int = 40) -> Image.Image:
    """Pictures in a row on grey."""
    width = sum(picture.width for picture in pictures) + gap * (len(pictures) + 1)
    row = Image.new("RGB", (width, max(picture.height for picture in pictures) + 2 * gap), (150, 152, 155))
    left = gap
    for picture in pictures:
        row.paste(picture, (left, gap))
        left += picture.width + gap
    return row


def live_page(browser: Browser) -> None:
    """The live part on a phone, a sample photo reduced to a camera's size before the camera."""
    with tempfile.TemporaryDirectory() as folder:
        picture = Path(folder) / "camera.png"
        with Image.open(SAMPLES / "arcade_leaning.jpg") as photo:
            photo.resize((1920, 1440), Image.Resampling.BOX).save(picture)
        with Served(Path(folder) / "Harbour street", "", picture) as served:
            width, height = SCREENS["phone"][:2]
            browser.show(served.address + served.start_mirror(), (width, height, 2))
            browser.wait_for("document.querySelector('#live-heading')?.textContent === 'Out of true'", 120)
            browser.wait_for("document.querySelector('#verdict')?.textContent === 'Out of true'", 120)
            browser.wait_for("!document.querySelector('.queue')", 60)
            browser.settle()
            taken = shot(browser, LIVE_HEIGHT, 2)
            size = (taken.width * 2 // 3, taken.height * 2 // 3)
            saved(taken.resize(size, Image.Resampling.LANCZOS), "page_live.png")
            browser.show("about:blank", (width, height, 2))


def map_page(browser: Browser, served: Served, folder: Path) -> None:
    """What the page shows of a mirror's flatness: the sheet in four places before a camera on a stand."""
    page = served.address + served.start_mirror("shop mirror")
    browser.show(page, (*SCREENS["phone"][:2], 2))
    for number, place in enumerate(((0.0, 0.0), (-60.0, -5.0), (60.0, -5.0), (0.0, -40.0)), 1):
        path = folder / f"place-{number}.jpg"
        path.write_bytes(photo_of_sheet(*place))
        browser.value(f"document.querySelector('#sheet-{'left' if number == 1 else 'moved'}').click()")
        browser.choose_files("#choose", [path])
        browser.wait_for(f"document.querySelector('.of')?.textContent.startsWith('Photo {number},')", 120)
    browser.wait_for("[...document.images].every(i => i.complete && i.naturalWidth > 0)", 60)
    browser.settle()
    top, bottom = browser.value(
        "(() => { const map = document.querySelector('img[src*=\"/map/\"]').closest('figure');"
        " return [map.previousElementSibling, map].map((e, i) =>"
        " e.getBoundingClientRect()[i ? 'bottom' : 'top'] + scrollY); })()"
    )
    taken = shot(browser)
    taken = taken.crop((0, int(2 * top) - 20, taken.width, min(int(2 * bottom) + 20, taken.height)))
    size = (taken.width * 2 // 3, taken.height * 2 // 3)
    saved(taken.resize(size, Image.Resampling.LANCZOS), "page_map.png")


def main() -> None:
    """Start, send, look, write."""
    program = chromium_path()
    assert program is not None, "no Chromium here"
    with tempfile.TemporaryDirectory() as folder, Served(Path(folder) / "Harbour street") as served:
        page = served.address + served.start_mirror()
        phones, width, height = [], *SCREENS["phone"][:2]
        with Browser(program, loopback=True) as browser:
            live_page(browser)
            for name, verdict in (("arcade_leaning", "Out of true"), ("arcade_true", "True")):
                browser.show(page, (width, height, 2))
                browser.choose_files("#choose", [SAMPLES / f"{name}.jpg"])
                browser.wait_for(f"document.querySelector('#verdict')?.textContent === '{verdict}'", 60)
                browser.wait_for("[...document.images].every(i => i.complete && i.naturalWidth > 0)", 60)
                browser.settle()
                phones.append(shot(browser, PHONE_HEIGHT, 2))
                if name == "arcade_leaning":
                    browser.set_screen(SCREENS["desktop"], dark=True)
                    browser.settle()
                    saved(shot(browser, DESKTOP_HEIGHT), "page_desktop.png")
            map_page(browser, served, Path(folder))
        row = beside(phones)
        saved(row.resize((row.width * 2 // 3, row.height * 2 // 3), Image.Resampling.LANCZOS), "page_phone.png")


if __name__ == "__main__":
    main()
