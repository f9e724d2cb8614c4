"""Records end to end: entries of real checks, the page's file, pictures that stand alone, the command."""

from __future__ import annotations

import base64
import io
import json
import os
import re
import subprocess
import sys
import time
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from align.checking.job import check
from align.errors import AlignError, PhotoError
from align.photo.strip_metadata import description_of
from align.records.entry import read_entry
from align.records.entry_folders import entry_folders
from align.records.installation import StatedMirror
from align.records.job import add_entry, make_page
from align.records.plain_files import LinkError
from align.records.write_installation import write_mirror
from tests.support.answers import made_answer
from tests.support.commands import invoke
from tests.support.record_samples import (
    MIRROR_SIZE_MM,
    add_made,
    checked_record,
    copy_entry,
    made_check,
    made_record,
    photos_from_false_to_true,
    png_of,
    small_photo,
)
from tests.support.synthetic import SHEETS, degrees_mirror, synthetic_photo
from tests.support.telling_files import SECRETS, telling_jpeg


def command(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    """`align record` in a process of its own."""
    line = [sys.executable, "-m", "align", "record", *map(str, arguments)]
    return subprocess.run(line, capture_output=True, text=True, check=False)


@pytest.fixture(scope="module")
def checked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A record of three real checks and a glass photo, with its page."""
    folder = tmp_path_factory.mktemp("checked")
    photos, lamps = photos_from_false_to_true(folder)
    record = checked_record(folder / "record", photos, lamps)
    make_page(record)
    return record


def test_a_check_becomes_a_whole_entry(checked: Path) -> None:
    """Photo, picture at full resolution, preview, answer, and where the target lay."""
    first = entry_folders(checked)[0]
    entry = read_entry(first)
    photo = entry.photos[0]
    assert entry.result["format"] == "align-check-1"
    assert entry.settings == {"mirror": list(MIRROR_SIZE_MM)}
    assert len(photo.outline_px) > 20
    with Image.open(first / photo.photo) as image, Image.open(first / photo.picture) as picture:
        assert picture.format == "PNG"
        assert picture.width <= image.width
        kept = cv2.imread(str(first / photo.photo))
        assert kept.shape[1] == entry.result["photos"][0]["size"][0]


def test_pictures_stand_alone(checked: Path) -> None:
    """Each with its caption above, all of the entry's picture below, and a description for machines."""
    pictures = sorted((checked / "pictures").glob("*-picture-1.png"))
    assert len(pictures) == 3, "three checks; a glass answer without a drawing has none"
    words = [description_of(path) for path in pictures]
    assert all(re.match(r"Harbour street, \d+ [A-Z][a-z]+ \d{4}: mirror ", text) for text in words)
    assert "out of true" in words[0]
    assert words[-1].endswith("mirror true")
    for path, folder in zip(pictures, entry_folders(checked)[:3], strict=True):
        with Image.open(path) as captioned, Image.open(folder / "picture-1.png") as plain:
            strip = captioned.height - plain.height
            assert captioned.width == plain.width
            assert 0 < strip < 0.2 * captioned.height
            below = captioned.convert("RGB").crop((0, strip, captioned.width, captioned.height))
            assert np.array_equal(np.asarray(below), np.asarray(plain.convert("RGB")))


def test_before_and_after_lie_over_each_other(checked: Path) -> None:
    """The target's outline, found again in both halves, is at the same place to a pixel or two."""
    path = checked / "pictures" / "before-and-after.png"
    assert description_of(path).endswith("target")
    first, _, last = entry_folders(checked)[:3]
    outlines = [np.array(read_entry(folder).photos[0].outline_px) for folder in (first, last)]
    from align.photo.read import read_colour
    from align.records.before_after import register

    photos = [read_colour(folder / "photo-1.jpg") for folder in (first, last)]
    pair = register(*photos, *outlines)
    assert pair.registered
    gray = [cv2.cvtColor(half, cv2.COLOR_RGB2GRAY).astype(np.float32) for half in (pair.before, pair.after)]
    # The target itself: its middle in the later photo's frame, cut as the pair is.
    shift = _offset(photos[1], pair.after)
    low, high = outlines[1].min(axis=0) - shift, outlines[1].max(axis=0) - shift
    part = (slice(int(low[1]), int(high[1])), slice(int(low[0]), int(high[0])))
    moved, _ = cv2.phaseCorrelate(gray[0][part], gray[1][part])
    assert np.hypot(*moved) < 1.5


def _offset(whole: np.ndarray, part: np.ndarray) -> np.ndarray:
    """Where a cut-out lies in its photo [px]."""
    piece = part[100:260, 100:260]
    found = cv2.matchTemplate(whole, piece, cv2.TM_SQDIFF)
    return np.array(cv2.minMaxLoc(found)[2], float) - 100


def test_pictures_are_made_again_only_when_stale(checked: Path) -> None:
    """A second page is quick; a new name of the scene goes into every caption."""
    pictures = sorted((checked / "pictures").glob("*.png"))
    before = {path: path.stat().st_mtime_ns for path in pictures}
    make_page(checked)
    assert {path: path.stat().st_mtime_ns for path in pictures} == before
    file = checked / "installation.toml"
    old = file.read_text(encoding="utf-8")
    file.write_text(old.replace("Harbour street", "Ropewalk yard"), encoding="utf-8")
    make_page(checked)
    assert all("Ropewalk yard" in description_of(path) for path in pictures)
    file.write_text(old, encoding="utf-8")
    make_page(checked)


def test_the_page_says_what_is_so(checked: Path) -> None:
    """Verdict, packing, weight, seam and cautions, as words."""
    page = (checked / "record.html").read_text(encoding="utf-8")
    words = re.sub(r"<style>.*?</style>|<[^>]+>", " ", page, flags=re.DOTALL)
    answers = [read_entry(folder).result for folder in entry_folders(checked)]
    [glass] = [answer["glass"] for answer in answers if answer["format"] == "align-glass-1"]
    # Square on, the seam is 2 t / n_g deep (E. Hecht, Optics: apparent depth), with n_g = 1.52 for float glass.
    seam_mm = 2 * glass["thickness_mm"]["value"] / 1.52
    for expected in (
        "TRUE. The mirror is square to the sheet",
        "Before and after",
        "A small museum, showcase 3",
        "2.0 + 0.5 behind the bottom left corner",
        "The bare mirror weighs about 0.45",
        "EN 572-1",
        "Cut-resistant gloves",
        "licensed glazier",
        "back-silvered",
        f"{seam_mm:.1f} mm",
        "sheet a5",
    ):
        assert expected in words.replace("\N{NO-BREAK SPACE}", " "), expected


def test_nothing_that_a_photo_tells_gets_out(tmp_path: Path) -> None:
    """A photo with place, name and serial number, in a folder with a name: no output has any of them."""
    home = tmp_path / "Jane Doe"
    home.mkdir()
    pixels, _ = synthetic_photo(SHEETS["a5"], (60, -500, 280), [degrees_mirror(0.6, -0.3, 40.0, 3.0)])
    photo = home / "IMG_1.jpg"
    photo.write_bytes(telling_jpeg(np.repeat(pixels[..., None], 3, axis=2), orientation=1))
    folder = tmp_path / "record"
    for _ in range(2):
        add_entry(folder, check(photo), settings={"camera": home / "phone.json"})
    make_page(folder)
    files = [path for path in folder.rglob("*") if path.is_file()]
    assert len(files) >= 11
    for path in files:
        contents = [path.read_bytes()]
        contents += [base64.b64decode(found) for found in re.findall(rb"base64,([A-Za-z0-9+/=]+)", contents[0])]
        for data in contents:
            for secret in SECRETS:
                assert secret not in data, (path, secret)
        if path.suffix in (".png", ".jpg"):
            with Image.open(path) as image:
                assert dict(image.getexif().get_ifd(0x8825)) == {}
    assert read_entry(entry_folders(folder)[0]).photos[0].taken == "2024-05-14 10:12:00"


def test_ten_entries_of_twelve_megapixels(tmp_path: Path) -> None:
    """A quarter of what forty may take, 15 MB and 60 s; each picture captioned anew, with progress shown."""
    pixels, _ = synthetic_photo(
        SHEETS["a5"], (60, -500, 280), [degrees_mirror(0.6, -0.3, 40.0, 3.0)], size=(4032, 3024), noise=0.03
    )
    photo = tmp_path / "IMG_1.jpg"
    cv2.imwrite(str(photo), pixels, [cv2.IMWRITE_JPEG_QUALITY, 92])
    folder = tmp_path / "record"
    picture = cv2.imencode(".png", cv2.cvtColor(pixels, cv2.COLOR_GRAY2BGR), [cv2.IMWRITE_PNG_COMPRESSION, 1])[1]
    answer = made_check(0.6, -0.3).to_json()
    entry = add_entry(folder, answer, settings={}, photos=[photo], pictures=[picture.tobytes()])
    for number in range(9):
        copy_entry(entry, number)
    said: list[str] = []
    # Processor time, as other work may share the machine: two cores need at least half of it, one all of it.
    wall, cores = time.perf_counter(), time.process_time()
    page = make_page(folder, progress=said.append)
    seconds = min(time.perf_counter() - wall, time.process_time() - cores)
    megabytes = page.stat().st_size / 1e6
    print(f"10 entries: {seconds:.1f} s, {megabytes:.1f} MB")
    assert megabytes < 15 / 4
    assert seconds < 60 / 4
    assert len(list((folder / "pictures").glob("*-picture-1.png"))) == 10
    assert "captioned picture 10 of 10" in said
    assert "entry 10 of 10" in said


def test_several_photos_of_one_check(tmp_path: Path) -> None:
    """Each has its files; a photo without a picture shows itself in the preview."""
    photos = [small_photo(tmp_path / f"IMG_{k}.jpg", k) for k in range(2)]
    raw = made_answer(photos=2).to_json()
    path = add_entry(tmp_path / "record", raw, settings={}, photos=photos, pictures=[png_of(photos[0]), None])
    entry = read_entry(path)
    assert [photo.picture for photo in entry.photos] == ["picture-1.png", ""]
    assert [photo.preview for photo in entry.photos] == ["preview-1.jpg", "preview-2.jpg"]
    page = make_page(tmp_path / "record").read_text(encoding="utf-8")
    assert page.count("<img") == 3


def test_pictures_come_in_any_form(tmp_path: Path) -> None:
    """Bytes or a file; a JPEG becomes a PNG; metadata goes."""
    photo = small_photo(tmp_path / "IMG.jpg")
    drawn = tmp_path / "drawn.jpg"
    drawn.write_bytes(telling_jpeg())
    path = add_entry(
        tmp_path / "record", made_check(0.1, 0.1).to_json(), settings={}, photos=[photo], pictures=[drawn]
    )
    data = (path / "picture-1.png").read_bytes()
    assert not any(secret in data for secret in SECRETS)
    with Image.open(io.BytesIO(data)) as image:
        assert image.format == "PNG"


def test_an_entry_needs_its_photo(tmp_path: Path) -> None:
    """A photo that is gone is an error, and no entry."""
    with pytest.raises(PhotoError):
        add_entry(tmp_path / "record", made_check(0.1, 0.1).to_json(), settings={})
    assert entry_folders(tmp_path / "record") == []


def test_pages_of_odd_records_can_be_made(tmp_path: Path) -> None:
    """One check only; a glass answer only; names with markup; pictures that are gone."""
    one = made_record(tmp_path / "one" / "record", [made_check(0.6, -0.3)])
    (one / "installation.toml").write_text(
        'format = "align-installation-1"\nname = "<script>alert(1)</script> & more"\n', encoding="utf-8"
    )
    page = make_page(one).read_text(encoding="utf-8")
    assert "<script" not in page
    assert "&lt;script&gt;" in page
    for file in entry_folders(one)[0].glob("p*-1.*"):
        file.unlink()
    page = make_page(one, tmp_path / "elsewhere.html").read_text(encoding="utf-8")
    assert "is missing, or no longer what was written" in page
    assert "<img" not in page


def test_a_page_that_cannot_be_written_is_an_error(tmp_path: Path) -> None:
    """The folder is not there, and the old page stays."""
    folder = made_record(tmp_path / "record", [made_check(0.6, -0.3)])
    with pytest.raises(AlignError, match="cannot be written"):
        make_page(folder, folder / "installation.toml" / "page.html")


def test_the_command_starts_and_makes_a_record(tmp_path: Path) -> None:
    """--start, then entries, then the page; progress on stderr, the result on stdout."""
    folder = tmp_path / "record"
    done = command("--start", folder)
    assert done.returncode == 0
    assert (folder / "installation.toml").is_file()
    done = command("--start", folder)
    assert done.returncode == 1
    assert "exists already" in done.stderr
    done = command(folder)
    assert done.returncode == 1
    assert "align check PHOTO --into" in done.stderr
    add_made(folder, small_photo(tmp_path / "IMG.jpg"), made_check(0.6, -0.3))
    done = command(folder, "--out", tmp_path / "page.html")
    assert done.returncode == 0
    assert "entry 1 of 1" in done.stderr
    assert "page.html" in done.stdout
    assert "<html" in (tmp_path / "page.html").read_text(encoding="utf-8")


@pytest.mark.parametrize("arguments", [[], ["a", "--start", "b"], ["--start", "b", "--out", "c.html"]])
def test_wrong_usage_is_exit_code_2(arguments: list[str], tmp_path: Path) -> None:
    """Neither, both, or an option that does not belong."""
    done = command(*arguments)
    assert done.returncode == 2
    assert not os.path.exists("b")


def test_check_into_a_folder(tmp_path: Path) -> None:
    """The contract's --into, by the command itself."""
    pixels, _ = synthetic_photo(SHEETS["a5"], (60, -500, 280), [degrees_mirror(0.6, -0.3, 40.0, 3.0)])
    cv2.imwrite(str(tmp_path / "IMG.jpg"), pixels)
    line = [sys.executable, "-m", "align", "check", str(tmp_path / "IMG.jpg"), "--mirror", "300x150"]
    into = ["--into", str(tmp_path / "record")]
    done = subprocess.run([*line, *into, "--start"], capture_output=True, text=True, check=False)
    assert done.returncode == 3, done.stderr
    assert done.stdout.endswith(f"Added to {tmp_path / 'record'} as entry 1.\n")
    entry = read_entry(entry_folders(tmp_path / "record")[0])
    assert entry.settings["mirror_size_mm"] == [300.0, 150.0]
    assert entry.photos[0].picture == "picture-1.png"


def test_the_form_counts_and_the_second_check_needs_no_options(tmp_path: Path) -> None:
    """Wanted turn, size and tolerance from installation.toml; the command line wins, and that is noted."""
    pixels, _ = synthetic_photo(SHEETS["a5"], (60, -500, 280), [degrees_mirror(0.02, 12.0, 40.0, 3.0)])
    photo, folder = tmp_path / "IMG.jpg", tmp_path / "record"
    cv2.imwrite(str(photo), pixels)
    write_mirror(folder, StatedMirror("arcade", 300, 150, want_turn_deg=12.0, tolerance_deg=0.5))
    done = invoke("check", photo, "--into", folder)
    assert done.exit_code == 0, done.stdout + done.stderr
    assert "Keep this answer" not in done.stdout
    assert done.stdout.endswith(f"Added to {folder} as entry 1 (arcade).\n")
    assert "wanted 12°" in make_page(folder).read_text(encoding="utf-8").replace("\N{NO-BREAK SPACE}", " ")
    done = invoke("check", photo, "--into", folder, "--tolerance", "0.4", "--want-turn", "0", "--json")
    answer = json.loads(done.stdout)
    assert (answer["tolerance_deg"], answer["want_turn_deg"], answer["verdict"]) == (0.4, 0.0, "out of square")
    assert answer["record"]["entry"] == 2
    assert any("tolerance was stated as 0.4" in words for words in answer["record"]["notes"])
    assert invoke("check", photo, "--mirror-name", "arcade").exit_code == 2


def test_the_command_removes_and_notes(tmp_path: Path) -> None:
    """And the page says so."""
    folder = made_record(tmp_path / "record")
    done = invoke("record", folder, "--note", "2", "the sheet had slipped", "--remove", "2")
    assert done.exit_code == 0, done.stderr
    assert "the sheet had slipped" in done.stdout
    assert "Entry 2 was taken out" in done.stdout
    assert not (folder / "record.html").exists()
    assert invoke("record", folder).exit_code == 0
    page = (folder / "record.html").read_text(encoding="utf-8")
    assert "Entry 2 of" in page
    assert "was taken out; it lies in the folder “removed”. Note: the sheet had slipped" in page
    assert invoke("record", folder, "--remove", "2").exit_code == 1
    assert invoke("record", "--start", tmp_path / "x", "--remove", "2").exit_code == 2


@pytest.mark.skipif(sys.platform == "win32", reason="links need rights there")
@pytest.mark.parametrize(
    "linked", ["record.html", "pictures", "pictures/entry-0001-picture-1.png", "entries", "removed"]
)
def test_links_in_a_record_are_neither_followed_nor_overwritten(tmp_path: Path, linked: str) -> None:
    """Page, pictures, and the folders of entries: refused, and what they point to stays as it was."""
    folder = made_record(tmp_path / "record")
    outside = tmp_path / "outside"
    if linked in ("pictures", "entries", "removed"):
        outside.mkdir()
        (outside / "mine").write_bytes(b"mine")
    else:
        outside.write_bytes(b"mine")
    if linked == "entries":
        (folder / "entries").rename(tmp_path / "entries")
    (folder / linked).parent.mkdir(exist_ok=True)
    (folder / linked).symlink_to(outside)
    with pytest.raises(LinkError, match="is a link"):
        make_page(folder)
    if outside.is_dir():
        assert [path.name for path in outside.iterdir()] == ["mine"]
    else:
        assert outside.read_bytes() == b"mine"


def test_a_preview_that_is_a_link_is_not_embedded(tmp_path: Path) -> None:
    """The page has no picture of what lies outside, and says that the file is not what was written."""
    folder = made_record(tmp_path / "record", [made_check(0.6, -0.3)])
    preview = folder / "entries" / "entry-0001" / "preview-1.jpg"
    preview.rename(tmp_path / "private.jpg")
    preview.symlink_to(tmp_path / "private.jpg")
    page = make_page(folder).read_text(encoding="utf-8")
    assert "<img" not in page
    assert "preview-1.jpg is missing, or no longer what was written" in page
