"""The answer drawn on the photo: legible on a phone, no label over another, nothing that is not so."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from align import check
from align.checking.picture import draw_check, exaggeration, save_check_picture, view_of
from align.checking.result import CheckResult
from align.checking.strip import caption_lines, legend_lines
from align.drawing.canvas import Canvas, Words, dashes, text_width, wrapped
from align.drawing.labels import Box, LabelPlacer
from align.drawing.palette import DARK, ORANGE, PURPLE, SKY_BLUE, WHITE, YELLOW
from align.drawing.thresholds import SMALLEST_TEXT_SHARE
from align.errors import PhotoError, ReflectionError
from align.target.sheets import SHEETS
from tests.support.places import SAMPLES
from tests.support.synthetic import degrees_mirror, synthetic_photo, write_photo

EYE = (60.0, -500.0, 280.0)
#: A phone shows a picture about this wide, and text is read from this height on [mm].
SCREEN_MM, READABLE_MM = 70.0, 2.5


@pytest.fixture(scope="module")
def answers(tmp_path_factory: pytest.TempPathFactory) -> dict[str, CheckResult]:
    """Real answers of many looks: true, leaning, portrait, small reflection, two mirrors."""
    folder = tmp_path_factory.mktemp("pictures")
    size_mm = (300.0, 200.0)

    def answer(name: str, mirrors: list[np.ndarray], eye: tuple[float, ...] = EYE, **how: object) -> CheckResult:
        known = how.pop("known", size_mm)
        pixels, _ = synthetic_photo(SHEETS["a5"], eye, mirrors, **how)  # type: ignore[arg-type]
        path = write_photo(folder / f"{name}.png", pixels)
        return check(path, mirror_size_mm=known)  # type: ignore[arg-type]

    return {
        "true": answer("true", [degrees_mirror(0.004, 0.003)]),
        "leaning": answer("leaning", [degrees_mirror(0.6, -0.35)]),
        "size unknown": answer("unknown", [degrees_mirror(-1.5, 0.8)], known=None),
        "portrait": answer("portrait", [degrees_mirror(-3.0, 0.0, 20.0)], size=(1200, 1600)),
        "small": answer("small", [degrees_mirror(-0.8, 0.9, 300.0)], (60.0, -700.0, 330.0), size=(2400, 1800)),
        "two": answer(
            "two",
            [degrees_mirror(0.3, 22.0, 150.0), degrees_mirror(-0.1, -22.0, 150.0)],
            (0.0, -600.0, 330.0),
            size=(2000, 1500),
            aim=(0.0, 60.0, 0.0),
            mirror_size_mm=(200.0, 200.0),
        ),
    }


NAMES = ("true", "leaning", "size unknown", "portrait", "small", "two")


class Seen:
    """What a drawing wrote and where its labels lie."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.words: list[tuple[int, Words]] = []
        self.placers: list[LabelPlacer] = []
        write, place = Canvas.write, LabelPlacer.__init__

        def spy_write(canvas: Canvas, words: Words) -> None:
            self.words.append((canvas.width, words))
            write(canvas, words)

        def spy_place(placer: LabelPlacer, *how: object) -> None:
            self.placers.append(placer)
            place(placer, *how)  # type: ignore[arg-type]

        monkeypatch.setattr(Canvas, "write", spy_write)
        monkeypatch.setattr(LabelPlacer, "__init__", spy_place)


@pytest.mark.parametrize("name", NAMES)
def test_text_is_legible_on_a_phone(
    answers: dict[str, CheckResult], name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every word is at least 2.5 mm high on a screen 70 mm wide, and none is cut off at the right."""
    seen = Seen(monkeypatch)
    draw_check(answers[name])
    for width, words in seen.words:
        assert words.size_px / width * SCREEN_MM >= READABLE_MM * 0.98
        assert words.left + text_width(words.text, words.size_px, words.bold) <= width


@pytest.mark.parametrize("name", NAMES)
def test_no_label_lies_over_another(
    answers: dict[str, CheckResult], name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Labels are apart, on the picture, and each thing that needs one has one."""
    seen = Seen(monkeypatch)
    result = answers[name]
    draw_check(result)
    boxes = seen.placers[0].placed
    assert not [(a, b) for i, a in enumerate(boxes) for b in boxes[i + 1 :] if a.overlaps(b)]
    packed = [
        mirror.shims.shims
        for mirror in result.mirrors
        if mirror.verdict != "square" and any(shim.is_needed for shim in mirror.shims.shims)
    ]
    edges = sum(shim.is_needed or not shim.is_per_100 for shims in packed for shim in shims)
    assert len(boxes) == 1 + len(result.mirrors) + edges


@pytest.mark.parametrize("name", NAMES)
def test_labels_hide_neither_sheet_nor_pointers(
    answers: dict[str, CheckResult], name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No label lies over the sheet or its reflection, or over a line from a label to what it names."""
    seen = Seen(monkeypatch)
    result = answers[name]
    draw_check(result)
    (placer,) = seen.placers
    if name == "two":  # eight corners, four of which share two places: pointers must run under labels there
        placer.pointers.clear()
    overlay, view = result.overlays[0], view_of(result.overlays[0])
    for outline in (overlay.direct_outline_px, *(mirror.outline_px for mirror in overlay.mirrors)):
        edge = view.to_picture(outline)
        inside = np.concatenate([edge.mean(axis=0) + share * (edge - edge.mean(axis=0)) for share in (0.4, 0.8, 1)])
        for box in placer.placed:
            assert not [p for p in inside if box.left < p[0] < box.right and box.top < p[1] < box.bottom]
    for number, box in enumerate(placer.placed):
        for other, (start, end) in enumerate(placer.pointers):
            way = np.linspace(start, end, 50)[: 50 if other != number else 0]
            assert not [p for p in way if box.left < p[0] < box.right and box.top < p[1] < box.bottom]


def test_the_corner_without_packing_is_named(
    answers: dict[str, CheckResult], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Three corners have their millimetres, the fourth says that nothing goes there; the print is a sheet."""
    seen = Seen(monkeypatch)
    draw_check(answers["leaning"])
    labels = [words.text for _, words in seen.words]
    assert labels.count("no packing") == 1
    assert "sheet" in labels
    assert not any("target" in text for text in labels)


def test_edges_of_unknown_size_are_named_where_they_are(
    answers: dict[str, CheckResult], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without --mirror each label lies at that side of the reflection of which it speaks; no outline is drawn."""
    seen = Seen(monkeypatch)
    result = answers["size unknown"]
    picture = draw_check(result)
    labels = {words.text: words for _, words in seen.words}
    outline = view_of(result.overlays[0]).to_picture(result.overlays[0].mirrors[0].outline_px)
    top, right = ("2.63 mm", "1.39 mm")
    assert [shim.place for shim in result.mirrors[0].shims.shims] == [
        "behind_top_per_100_height",
        "behind_right_per_100_width",
    ]
    assert labels[right].left > outline[:, 0].max()
    assert labels[top].top < outline[:, 1].min()
    strip = picture[: round(view_of(result.overlays[0]).height * view_of(result.overlays[0]).scale)]
    assert not (np.abs(strip.astype(int) - YELLOW).max(axis=2) < 8).any()


@pytest.mark.parametrize("name", NAMES)
def test_numbers_have_units(answers: dict[str, CheckResult], name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A number with a decimal point is followed by mm or a degree sign, wherever it stands."""
    import re

    seen = Seen(monkeypatch)
    draw_check(answers[name])
    text = " ".join(words.text.replace("\N{NO-BREAK SPACE}", " ") for _, words in seen.words)
    text = re.sub(r"--want-turn -?[\d.]+", "", text)  # to be typed
    assert not re.findall(r"\d\.\d+(?!\d)(?! mm|°)", text)


def test_outlines_are_where_the_things_are(answers: dict[str, CheckResult]) -> None:
    """Along the reflection's outline the picture is orange, along the target's blue, on the photo."""
    result = answers["size unknown"]
    overlay = result.overlays[0]
    view, picture = view_of(overlay), draw_check(result)
    for outline, colour in ((overlay.mirrors[0].outline_px, ORANGE), (overlay.direct_outline_px, SKY_BLUE)):
        x, y = np.round(view.to_picture(outline)).astype(int).T
        close = np.abs(picture[y, x].astype(int) - colour).max(axis=1) < 30
        assert close.mean() > 0.6
    inside = np.round(view.to_picture(overlay.direct_outline_px.mean(axis=0)[None])).astype(int)[0]
    patch = picture[inside[1] - 40 : inside[1] + 40, inside[0] - 40 : inside[0] + 40]
    assert patch.min() < 60
    assert patch.max() > 200


def test_true_mirror_shows_no_packing(answers: dict[str, CheckResult]) -> None:
    """Nothing to pack is drawn, labelled or explained, and nothing is enlarged until it looks off."""
    result = answers["true"]
    picture = draw_check(result)
    assert not (np.abs(picture.astype(int) - PURPLE).max(axis=2) < 8).any()
    larger = exaggeration(result, view_of(result.overlays[0]), result.overlays[0], picture.shape[1])
    assert larger == 1
    words = [line for line, _, _ in legend_lines(result, result.overlays[0], larger)]
    assert words[0] == "the reflection if the mirror were true"
    assert not any("packing" in line for line in words)


def test_large_differences_are_shown_as_they_are(answers: dict[str, CheckResult]) -> None:
    """Nothing is exaggerated that can be seen as it is, and then nothing is said of it."""
    result = answers["two"]
    picture_width = draw_check(result).shape[1]
    larger = exaggeration(result, view_of(result.overlays[0]), result.overlays[0], picture_width)
    assert larger == 1
    assert "larger" not in legend_lines(result, result.overlays[0], larger)[0][0]


def test_edges_are_explained_only_where_drawn(answers: dict[str, CheckResult]) -> None:
    """An outline of known size stands at an assumed place, and says so; without --mirror there is none."""
    lines = {
        name: legend_lines(answers[name], answers[name].overlays[0], 1) for name in ("leaning", "size unknown")
    }
    assert ("the mirror's edges: size as stated, place assumed", YELLOW, False) in lines["leaning"]
    assert not any("edges" in words for words, _, _ in lines["size unknown"])
    assert ("packing at that edge, not to scale: how far off the edge is, is not known", PURPLE, False) in lines[
        "size unknown"
    ]


def test_mirrors_of_unlike_size(answers: dict[str, CheckResult], tmp_path: Path) -> None:
    """Each mirror of a photo has its own size: its packing, its outline; as many as mirrors are expected."""
    path = Path(answers["two"].overlays[0].file)
    alone = [check(path, mirror_size_mm=size).mirrors for size in ((200.0, 150.0), (120.0, 180.0))]
    both = check(path, mirror_size_mm=((200.0, 150.0), (120.0, 180.0)))
    for number in (0, 1):
        assert both.mirrors[number].shims == alone[number][number].shims
    shapes = [np.ptp(mirror.mirror_px, axis=0) for mirror in both.overlays[0].mirrors]
    assert shapes[1][1] > shapes[0][1]
    assert check(path, mirror_size_mm=(None, (120.0, 180.0))).mirrors[0].shims.mount == "per 100 mm"
    with pytest.raises(ReflectionError, match="The sizes of 3 mirrors were named, but 2 mirrors could be seen"):
        check(path, mirror_size_mm=((200.0, 150.0), None, (120.0, 180.0)))


def test_mirrors_in_a_corner_end_at_each_other() -> None:
    """Assumed places do not run through another mirror: the two faces of the corner meet where they do."""
    result = check(SAMPLES / "two_mirrors.jpg", mirror_size_mm=(250.0, 210.0), want_turn_deg=(45.0, -45.0))
    left, right = (mirror.mirror_px for mirror in result.overlays[0].mirrors)
    assert np.linalg.norm(left[2] - right[3]) < 25


def test_caption_says_the_answer(answers: dict[str, CheckResult]) -> None:
    """Verdict, lean, turn, packing and flatness, in this order, after the heading."""
    texts = [text for text, _, _ in caption_lines(answers["leaning"], "Harbour street, 3 May")]
    assert texts[0] == "Harbour street, 3 May"
    assert texts[1].startswith("OUT OF TRUE.")
    assert [text.split()[0] for text in texts[2:]] == ["Lean", "Turn", "Pack:", "Flat"]


@pytest.mark.parametrize("name", NAMES)
def test_picture_sizes(answers: dict[str, CheckResult], name: str) -> None:
    """Large enough for a phone's screen, small enough to send."""
    height, width = draw_check(answers[name]).shape[:2]
    assert 750 <= width <= 2400
    assert 1200 <= max(height, width) <= 4000


@pytest.mark.parametrize("suffix", [".png", ".jpg"])
def test_files_carry_no_metadata(answers: dict[str, CheckResult], tmp_path: Path, suffix: str) -> None:
    """The photo's EXIF, location above all, never reaches the picture."""
    path = save_check_picture(answers["leaning"], tmp_path / f"answer{suffix}")
    with Image.open(path) as image:
        assert not image.getexif()
        assert not set(image.info) - {"jfif", "jfif_version", "jfif_unit", "jfif_density", "dpi"}


def test_turned_photo_is_drawn_upright(tmp_path: Path) -> None:
    """A photo that EXIF turns gives the picture of the same photo stored upright."""
    pixels, _ = synthetic_photo(SHEETS["a5"], EYE, [degrees_mirror(0.6, -0.35)], size=(1200, 1600))
    upright = write_photo(tmp_path / "upright.png", pixels)
    turned = tmp_path / "turned.png"
    exif = Image.Exif()
    exif[0x0112] = 6  # to be shown turned clockwise by a quarter
    exif.get_ifd(0x8769)[0xA405] = 26  # the lens, as the upright one names it
    Image.fromarray(np.ascontiguousarray(np.rot90(pixels))).save(turned, exif=exif)
    first, second = (draw_check(check(path)) for path in (upright, turned))
    assert first.shape == second.shape
    assert np.abs(first.astype(int) - second).mean() < 1.0


def test_photo_that_changed_is_refused(answers: dict[str, CheckResult], tmp_path: Path) -> None:
    """A picture of another photo under the same name would lie."""
    other = write_photo(tmp_path / "other.png", np.full((700, 900), 128, np.uint8))
    with pytest.raises(PhotoError, match="has changed since it was checked"):
        draw_check(answers["leaning"], path=other)


def test_photo_at_another_place(answers: dict[str, CheckResult], tmp_path: Path) -> None:
    """The same photo elsewhere is as good."""
    result = answers["leaning"]
    moved = tmp_path / "moved.png"
    moved.write_bytes(Path(result.overlays[0].file).read_bytes())
    gone = replace(result, overlays=(replace(result.overlays[0], file="gone.png"),))
    assert np.array_equal(draw_check(gone, path=moved), draw_check(result))


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**6), st.integers(1, 30))
def test_labels_keep_apart_wherever_they_belong(seed: int, count: int) -> None:
    """Any number of labels at any anchors: apart and on the picture, or left out."""
    rng = np.random.default_rng(seed)
    placer = LabelPlacer(800.0, 500.0, rng.uniform(0, 800, (200, 2)))
    for _ in range(count):
        anchors = [tuple(place) for place in rng.uniform(-100, 900, (3, 2))]
        placer.place(anchors, (float(rng.uniform(30, 300)), 30.0))
    boxes = placer.placed
    assert all(box.within(Box(0, 0, 800, 500)) for box in boxes)
    assert not any(a.overlaps(b) for i, a in enumerate(boxes) for b in boxes[i + 1 :])


def test_label_stays_near_when_there_is_room() -> None:
    """An empty picture puts the label beside its anchor."""
    placed = LabelPlacer(800.0, 500.0, np.zeros((0, 2))).place([(400.0, 250.0)], (100.0, 30.0))
    assert placed is not None
    x, y = placed[0].nearest_to(400.0, 250.0)
    assert 0 < np.hypot(x - 400, y - 250) < 30


def test_dashes_are_as_long_as_asked() -> None:
    """Dash and gap are measured along the line, around corners too."""
    corner = np.array([[0.0, 0.0], [50.0, 0.0], [50.0, 50.0]])
    pieces = dashes(corner, 20.0, 10.0)
    lengths = [np.linalg.norm(np.diff(piece, axis=0), axis=1).sum() for piece in pieces]
    assert lengths == pytest.approx([20.0, 20.0, 20.0, 10.0])
    assert len(pieces[1]) == 2
    assert pieces[2][0] == pytest.approx([50.0, 10.0])


def test_wrapping_loses_no_word() -> None:
    """Lines are no wider than allowed, and joined give the text again."""
    text = "the reflection if the mirror were true; difference shown 50 times larger"
    lines = wrapped(text, 40, 500)
    assert " ".join(lines) == text
    assert all(text_width(line, 40) <= 500 for line in lines)


def test_points_that_cannot_be_drawn_are_left_out() -> None:
    """Points behind the camera (NaN) or far outside leave the picture as it was, without an error."""
    canvas = Canvas(np.full((300, 400, 3), 90, np.uint8))
    canvas.polyline(np.array([[np.nan, 1.0], [1e9, 2.0], [5.0, np.inf]]), ORANGE, closed=True)
    canvas.polygon(np.array([[np.nan, 1.0], [1.0, 2.0]]), ORANGE, 0.5)
    assert (canvas.finished() == 90).all()


def _luminance(colour: tuple[int, int, int]) -> float:
    """Relative luminance, WCAG 2.2 definition."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in np.array(colour) / 255]
    return float(np.dot([0.2126, 0.7152, 0.0722], linear))


@pytest.mark.parametrize("colour", [WHITE, ORANGE, YELLOW, SKY_BLUE, PURPLE])
def test_colours_stand_out_from_the_dark_boxes(colour: tuple[int, int, int]) -> None:
    """Contrast of at least 4.5 : 1 (WCAG 2.2, 1.4.3), so that hue need not be told."""
    assert (_luminance(colour) + 0.05) / (_luminance(DARK) + 0.05) >= 4.5


def test_smallest_text_share_is_two_and_a_half_millimetres() -> None:
    """The constant says what its comment says."""
    assert abs(SMALLEST_TEXT_SHARE * SCREEN_MM - READABLE_MM) < 1e-9
