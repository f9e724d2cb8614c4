"""Reading photographs, against Pillow's own upright images; damaged, strange and hostile files; privacy."""

from __future__ import annotations

import io
import struct
import subprocess
import sys
import zlib

import numpy as np
import pillow_heif
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import ExifTags, Image, ImageOps

from align.errors import PhotoError
from align.photo import thresholds
from align.photo.read import read_colour, read_photo
from align.photo.thresholds import MAX_JPEG_MEGAPIXELS, MAX_MEGAPIXELS, MIN_SIDE_PX

SIZE = (320, 240)
ORIENTATION, MAKE, MODEL = ExifTags.Base.Orientation, ExifTags.Base.Make, ExifTags.Base.Model


def picture(size=SIZE):
    """A smooth colour picture that differs under every turn and flip."""
    x, y = np.meshgrid(np.linspace(0, 1, size[0]), np.linspace(0, 1, size[1]))
    channels = [200 * x + 20, 150 * y + 60, 120 * x * y + 30]
    return Image.fromarray(np.round(np.stack(channels, axis=2)).astype(np.uint8))


def exif_of(orientation=1, **facts):
    """EXIF with an orientation and facts of the inner directory by their names."""
    exif = Image.Exif()
    exif[ORIENTATION] = orientation
    # Not by `get_ifd`, whose dictionary older Pillows do not write.
    exif[ExifTags.IFD.Exif] = {ExifTags.Base[name].value: value for name, value in facts.items()}
    return exif


def encoded(image, kind="JPEG", **options):
    buffer = io.BytesIO()
    if "exif" in options:
        options["exif"] = options["exif"].tobytes()
    image.save(buffer, kind, **({"quality": 95} if kind == "JPEG" else {}), **options)
    return buffer.getvalue()


@pytest.fixture
def written(tmp_path):
    """Write bytes under a name and return the path."""

    def write(data, name="photo.jpg"):
        path = tmp_path / name
        path.write_bytes(data)
        return path

    return write


def grey(image):
    """What a grey reader must give, within the rounding of the two decoders."""
    return np.asarray(image.convert("L")).astype(int)


def assert_same(found, expected, within=2):
    assert found.dtype == np.uint8
    assert found.shape == expected.shape
    assert np.abs(found.astype(int) - expected).max() <= within


# Orientation -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF", "WEBP"])
def test_upright_as_pillow_turns_it(written, kind, orientation):
    # EXIF tag 274, CIPA DC-008 section 4.6.5 (orientation); Pillow's exif_transpose is the outside reading.
    path = written(encoded(picture(), kind, exif=exif_of(orientation)), f"p.{kind.lower()}")
    with Image.open(path) as image:
        expected = ImageOps.exif_transpose(image)
        assert_same(read_photo(path).gray, grey(expected))
        assert_same(read_colour(path), np.asarray(expected.convert("RGB")).astype(int))
    assert read_photo(path).size == (SIZE if orientation < 5 else SIZE[::-1])


@pytest.mark.slow
@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_heic_is_turned_once(written, orientation):
    # HEIC carries a turn of its own (irot); its EXIF orientation must not be applied a second time.
    heif = pillow_heif.from_pillow(picture())
    buffer = io.BytesIO()
    heif.save(buffer, quality=95, exif=exif_of(orientation).tobytes())
    path = written(buffer.getvalue(), "photo.heic")
    pillow_heif.register_heif_opener()
    with Image.open(path) as image:
        expected = ImageOps.exif_transpose(image)
        assert_same(read_photo(path).gray, grey(expected))
        assert_same(read_colour(path), np.asarray(expected.convert("RGB")).astype(int))


@pytest.mark.slow
@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
@pytest.mark.parametrize("kind", ["JPEG", "TIFF", "HEIF"])
def test_the_orientation_that_was_applied_is_kept(written, kind, orientation):
    import pillow_heif

    pillow_heif.register_heif_opener()
    buffer = io.BytesIO()
    picture().save(buffer, kind, exif=exif_of(orientation).tobytes(), quality=95)
    photo = read_photo(written(buffer.getvalue(), f"p.{kind.lower()}"))
    assert photo.orientation == orientation
    assert photo.size == (SIZE if orientation < 5 else SIZE[::-1])


@pytest.mark.parametrize("orientation", [0, 9, 77])
def test_unknown_orientations_are_upright(written, orientation):
    path = written(encoded(picture(), exif=exif_of(orientation)))
    assert_same(read_photo(path).gray, grey(Image.open(path)))


# What the file says of its camera ----------------------------------------------------------------------


def test_camera_facts(written):
    exif = exif_of(
        FocalLengthIn35mmFilm=26, FocalLength=5.1, DateTimeOriginal="2026:05:04 10:20:30", ExifImageWidth=320
    )
    exif[MAKE], exif[MODEL] = "Maker", "Phone 7\0"
    photo = read_photo(written(encoded(picture(), exif=exif)))
    assert (photo.equivalent_mm, photo.focal_mm) == (26.0, pytest.approx(5.1))
    assert (photo.device, photo.date) == ("Maker Phone 7", "2026:05:04 10:20:30")


def test_stripped_photo_has_no_facts(written):
    photo = read_photo(written(encoded(picture())))
    assert (photo.equivalent_mm, photo.focal_mm, photo.device, photo.date) == (None, None, "", "")
    assert photo.crop == "whole"


def test_zero_focal_length_means_unknown(written):
    # CIPA DC-008: FocalLengthIn35mmFilm 0 stands for unknown.
    assert read_photo(written(encoded(picture(), exif=exif_of(FocalLengthIn35mmFilm=0)))).equivalent_mm is None


@pytest.mark.parametrize(
    ("size", "facts", "crop"),
    [
        ((400, 300), {}, "whole"),
        ((300, 400), {}, "whole"),
        ((600, 400), {}, "whole"),
        ((640, 360), {"FocalLengthIn35mmFilm": 26}, "middle"),
        ((300, 300), {"FocalLength": 5.1}, "middle"),
        ((640, 360), {}, "screen"),  # a screenshot, for all that can be told
        ((300, 300), {}, "screen"),
        ((400, 260), {}, "part"),
        ((400, 300), {"ExifImageWidth": 4000, "ExifImageHeight": 3000}, "whole"),  # only made smaller
        ((400, 300), {"ExifImageWidth": 3000, "ExifImageHeight": 4000}, "whole"),  # turned by an editor
        ((400, 300), {"ExifImageWidth": 4000, "ExifImageHeight": 2250}, "part"),
    ],
)
def test_crop_is_told_from_the_shape(written, size, facts, crop):
    # Sensors are 4:3 or 3:2; common practice, no source.
    assert read_photo(written(encoded(picture(size), exif=exif_of(**facts)))).crop == crop


def test_places_and_names_are_never_read(written, monkeypatch):
    exif = exif_of(FocalLengthIn35mmFilm=26, BodySerialNumber="SERIAL-1234")
    exif[ExifTags.Base.Artist] = "Someone Private"
    exif[ExifTags.IFD.GPSInfo] = {1: "N", 2: (51.0, 30.0, 12.3)}  # latitude
    path = written(encoded(picture(), exif=exif))
    assert Image.open(path).getexif().get_ifd(ExifTags.IFD.GPSInfo)  # the file does hold a place
    asked = []
    original = Image.Exif.get_ifd

    def watched(self, tag):
        asked.append(tag)
        return original(self, tag)

    monkeypatch.setattr(Image.Exif, "get_ifd", watched)
    photo = read_photo(path)
    read_colour(path)
    assert ExifTags.IFD.Exif in asked
    assert ExifTags.IFD.GPSInfo not in asked
    # The file's own place is no metadata, and pytest numbers its folders.
    kept = repr({name: value for name, value in vars(photo).items() if name not in ("path", "gray")})
    assert "Private" not in kept
    assert "SERIAL" not in kept
    assert "51" not in kept


# Kinds of pixels ---------------------------------------------------------------------------------------


def test_sixteen_bit_png(written):
    values = np.tile(np.linspace(0, 65535, 320).astype(np.uint16), (240, 1))
    path = written(encoded(Image.fromarray(values), "PNG"), "deep.png")
    assert Image.open(path).mode == "I;16"
    assert_same(read_photo(path).gray, np.round(values / 257.0), within=1)


def test_cmyk_jpeg(written):
    path = written(encoded(picture().convert("CMYK")))
    with Image.open(path) as image:
        assert image.mode == "CMYK"
        expected = grey(image.convert("RGB"))
    assert_same(read_photo(path).gray, expected)
    # It is the picture, not its negative.
    assert np.abs(read_photo(path).gray - grey(picture())).mean() < 5


@pytest.mark.parametrize("mode", ["L", "1", "P", "LA", "RGBA"])
def test_other_pixel_kinds(written, mode):
    path = written(encoded(picture().convert(mode), "PNG"), "p.png")
    with Image.open(path) as image:
        assert_same(read_photo(path).gray, grey(image.convert("RGB")))


def test_grey_jpeg(written):
    path = written(encoded(picture().convert("L")))
    assert_same(read_photo(path).gray, grey(Image.open(path)))


def test_transparent_parts_are_white(written):
    image = picture().convert("RGBA")
    image.putalpha(0)
    assert (read_photo(written(encoded(image, "PNG"), "clear.png")).gray == 255).all()


def test_progressive_jpeg(written):
    path = written(encoded(picture(), progressive=True))
    assert_same(read_photo(path).gray, grey(Image.open(path)))


# Names and places of files -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name", ["Straße – spiegel ü.jpg", "鏡 写真.jpg", "no extension", "wrong.png", "📷.JPG", 'a\'b "c".jpg']
)
def test_any_name_will_do(written, name):
    assert read_photo(written(encoded(picture()), name)).path.name == name
    assert read_photo(str(written(encoded(picture()), name))).size == SIZE


def test_folder(tmp_path):
    with pytest.raises(PhotoError, match="is a folder"):
        read_photo(tmp_path)


def test_missing_file(tmp_path):
    with pytest.raises(PhotoError, match="no file"):
        read_photo(tmp_path / "nothing.jpg")


def test_zero_bytes(written):
    with pytest.raises(PhotoError, match="0 bytes"):
        read_photo(written(b""))


@pytest.mark.parametrize(
    "data",
    [b"hello", b"%PDF-1.4\n", b"<html>404</html>", b"\xff\xd8\xff", b"\0\0\0\x18ftypheic" + b"\0" * 40],
)
def test_no_image(written, data):
    for reader in (read_photo, read_colour):
        with pytest.raises(PhotoError) as error:
            reader(written(data))
        assert "original file" in error.value.remedy


# Cut off and damaged -----------------------------------------------------------------------------------


def files():
    """One file of each kind, big enough that half of it holds pixels."""
    rng = np.random.default_rng(0)
    noisy = Image.fromarray(rng.integers(0, 255, (240, 320, 3), dtype=np.uint8))
    heif = io.BytesIO()
    pillow_heif.from_pillow(noisy).save(heif, quality=90)
    small = exif_of()
    return {
        "JPEG": encoded(noisy, exif=small),
        "progressive JPEG": encoded(noisy, progressive=True),
        "PNG": encoded(noisy, "PNG"),
        "TIFF": encoded(noisy, "TIFF"),
        "WEBP": encoded(noisy, "WEBP", quality=90),
        "HEIC": heif.getvalue(),
    }


FILES = files()


@pytest.mark.parametrize("kind", FILES)
@pytest.mark.parametrize("share", [0.3, 0.6, 0.95])
def test_cut_off_files_are_refused(written, kind, share):
    data = FILES[kind]
    path = written(data[: int(len(data) * share)])
    for reader in (read_photo, read_colour):
        with pytest.raises(PhotoError):
            reader(path)


@pytest.mark.parametrize("progressive", [False, True])
@pytest.mark.parametrize("small", [False, True])
def test_a_cut_off_photo_with_a_whole_thumbnail_is_refused(written, small, progressive):
    # Phones put a thumbnail, a whole JPEG with an end marker of its own, into the EXIF header.
    whole = FILES["progressive JPEG"] if progressive else FILES["JPEG"]
    thumbnail = encoded(picture((160, 120)))
    if small:  # the thumbnail's end marker is then among the file's last 64 kB
        whole = encoded(picture((640, 480)), progressive=progressive)
    header = b"Exif\0\0" + b"II*\0\x08\0\0\0\0\0\0\0\0\0" + thumbnail
    segment = b"\xff\xe1" + struct.pack(">H", len(header) + 2) + header
    photo = whole[:2] + segment + whole[2:]
    assert read_photo(written(photo)).size == ((640, 480) if small else SIZE)
    with pytest.raises(PhotoError, match="cut off"):
        read_photo(written(photo[:-200]))


@pytest.mark.parametrize("share", [0.4, 0.55, 0.7, 0.85])
def test_a_jpeg_damaged_in_the_middle_is_refused(written, capfd, share):
    # libjpeg decodes on with its blocks shifted; libjpeg's own words, jdhuff.c and jdmarker.c, are the sign.
    data = encoded(picture((640, 480)))
    place = int(len(data) * share)
    path = written(data[:place] + data[place + 40 :])
    with pytest.raises(PhotoError, match="damaged"):
        read_photo(path)
    print("heard", file=sys.stderr, flush=True)
    assert capfd.readouterr().err == "heard\n"  # nothing of the library's, and the stream is back


@pytest.mark.parametrize("share", [0.2, 0.5, 0.8])
def test_a_png_damaged_in_the_middle_is_refused(written, share):
    # Found by tests/bench/corrupted.py (images:2665): Pillow failed while it looked for the metadata, and asked for
    # the pixels once more it gave what it had decoded by then. Every chunk has a check sum (PNG, W3C, section 5.3).
    for data in (FILES["PNG"], encoded(picture((640, 480)), "PNG")):
        place = int(len(data) * share)
        path = written(data[:place] + bytes(300) + data[place + 300 :], "photo.png")
        for reader in (read_photo, read_colour):
            with pytest.raises(PhotoError, match="damaged"):
                reader(path)


def test_zeros_before_a_jpegs_end_are_no_damage(written):
    # Some phones fill up the data with zeros before the end marker; common practice, no source.
    data = encoded(picture())
    filled = data[:-2] + bytes(106) + data[-2:]
    assert np.array_equal(read_photo(written(filled)).gray, read_photo(written(data, "plain.jpg")).gray)
    with pytest.raises(PhotoError, match="damaged"):
        read_photo(written(data[:-2] + bytes(range(1, 100)) + data[-2:], "leftover.jpg"))


def test_photos_are_read_without_a_standard_error_stream(written):
    path = written(encoded(picture()))
    program = (
        "import os, sys; os.close(2); from align.photo.read import read_photo; print(read_photo(sys.argv[1]).size)"
    )
    done = subprocess.run([sys.executable, "-c", program, str(path)], stdout=subprocess.PIPE, text=True, check=True)
    assert done.stdout.split() == ["(320,", "240)"]


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.sampled_from(sorted(FILES)), st.data())
def test_damage_is_answered_or_refused_but_never_a_crash(tmp_path_factory, kind, data):
    damaged = bytearray(FILES[kind])
    for _ in range(data.draw(st.integers(1, 6))):
        place = data.draw(st.integers(0, min(len(damaged) - 1, 900)) | st.integers(0, len(damaged) - 1))
        damaged[place] = data.draw(st.integers(0, 255))
    path = tmp_path_factory.mktemp("damaged") / "photo.jpg"
    path.write_bytes(bytes(damaged))
    for reader, dimensions in ((read_photo, 2), (read_colour, 3)):
        try:
            result = reader(path)
        except PhotoError:
            continue
        pixels = result.gray if dimensions == 2 else result
        assert pixels.ndim == dimensions
        assert pixels.dtype == np.uint8


def test_a_heic_photo_whose_pixels_end_early_is_refused(written):
    # The HEIF reader raises EOFError here, which is no OSError. Where in the file depends on who wrote it.
    for place in range(60, 400):
        data = bytearray(FILES["HEIC"])
        data[place] = 0
        try:
            Image.open(io.BytesIO(bytes(data))).load()
        except EOFError:
            break
        except Exception:
            continue
    else:
        pytest.skip("this HEIF reader does not notice")
    for reader in (read_photo, read_colour):
        with pytest.raises(PhotoError):
            reader(written(bytes(data), "photo.heic"))


# Sizes -------------------------------------------------------------------------------------------------


def png_header(width, height):
    """A PNG that announces a size and holds next to nothing."""

    def chunk(kind, content):
        return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(b"")) + chunk(b"IEND", b"")


def test_a_decompression_bomb_is_refused_by_its_header(written):
    path = written(png_header(60000, 60000), "bomb.png")
    for reader in (read_photo, read_colour):
        with pytest.raises(PhotoError, match=f"3600 megapixels; at most {MAX_MEGAPIXELS}"):
            reader(path)


def test_previews_are_too_small(written):
    for size in ((MIN_SIDE_PX - 1, 400), (400, MIN_SIDE_PX - 1)):
        with pytest.raises(PhotoError, match="only"):
            read_photo(written(encoded(picture(size))))
    assert read_photo(written(encoded(picture((MIN_SIDE_PX, MIN_SIDE_PX))))).size == (
        MIN_SIDE_PX,
        MIN_SIDE_PX,
    )


# Halved ------------------------------------------------------------------------------------------------


@pytest.fixture
def little_room(monkeypatch):
    """As if JPEGs beyond 0.05 megapixels were those of 200 megapixels."""
    monkeypatch.setattr(thresholds, "MAX_MEGAPIXELS", 0.05)
    monkeypatch.setattr(thresholds, "MAX_JPEG_MEGAPIXELS", 0.5)
    monkeypatch.setattr(thresholds, "MIN_SIDE_PX", 100)


@pytest.mark.parametrize("orientation", [1, 6])
@pytest.mark.parametrize("kind", ["JPEG", "progressive JPEG", "CMYK", "grey", "MPO"])
def test_large_jpegs_are_read_at_half_size(written, little_room, kind, orientation):
    image = picture((401, 300))
    how = {"exif": exif_of(orientation, FocalLengthIn35mmFilm=26, ExifImageWidth=401, ExifImageHeight=300)}
    if kind == "progressive JPEG":
        how["progressive"] = True
    if kind == "MPO":
        how |= {"save_all": True, "append_images": [picture((100, 75))], "quality": 95}
    image = {"CMYK": image.convert("CMYK"), "grey": image.convert("L")}.get(kind, image)
    path = written(encoded(image, "MPO" if kind == "MPO" else "JPEG", **how))
    photo, colour = read_photo(path), read_colour(path)
    with Image.open(path) as image:
        full = ImageOps.exif_transpose(image.convert("RGB") if kind == "CMYK" else image)
    half = np.asarray(full.convert("RGB").resize(photo.size, Image.Resampling.BOX)).astype(int)
    assert photo.size == ((201, 150) if orientation == 1 else (150, 201))
    assert_same(colour, half, within=4)
    assert_same(photo.gray, grey(Image.fromarray(half.astype(np.uint8))), within=4)
    assert photo.halved_from == ((401, 300) if orientation == 1 else (300, 401))
    assert (photo.crop, photo.equivalent_mm) == ("whole", 26.0)
    [note] = photo.notes
    assert f"{photo.halved_from[0]} x {photo.halved_from[1]} px" in note
    assert f"{photo.size[0]} x {photo.size[1]} px" in note


def test_other_large_pictures_are_refused(written, little_room):
    path = written(encoded(picture((400, 300)), "PNG"), "large.png")
    bomb = written(encoded(picture((1000, 600))), "bomb.jpg")
    for reader in (read_photo, read_colour):
        with pytest.raises(PhotoError, match=r"0 megapixels; at most 0\.05 are read, or 0\.5 of a JPEG"):
            reader(path)
        with pytest.raises(PhotoError, match=r"1 megapixels; at most 0\.5 are read"):
            reader(bomb)
    assert read_photo(written(encoded(picture((200, 150))))).notes == []


def test_limits_hold_phones_largest_photos_and_little_more():
    assert 16320 * 12240 < MAX_JPEG_MEGAPIXELS * 1e6 <= 220e6
    assert 12000 * 9000 < MAX_MEGAPIXELS * 1e6 <= 120e6


# Focal lengths that no lens has ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("facts", "told"),
    [
        ({"FocalLengthIn35mmFilm": 65535}, "65535 mm"),
        ({"FocalLengthIn35mmFilm": 1}, "1 mm"),
        ({"FocalLength": 65535.0, "FocalLengthIn35mmFilm": 65535}, "65535 mm and 65535 mm"),
    ],
)
def test_a_focal_length_that_no_lens_has_is_named_and_not_believed(written, facts, told):
    photo = read_photo(written(encoded(picture(), exif=exif_of(**facts))))
    assert (photo.equivalent_mm, photo.focal_mm) == (None, None)
    [note] = photo.notes
    assert f"photo.jpg names a focal length of {told}, which no lens has" in note


def test_a_panorama_is_told_by_its_projection_whatever_names_it(written):
    data = encoded(picture())
    for projection, refused in (("equirectangular", True), ("cylindrical", True), ("rectilinear", False)):
        for form in (
            f'any:ProjectionType="{projection}"',
            f"<any:ProjectionType>{projection}</any:ProjectionType>",
        ):
            body = f"<x:xmpmeta {form}/>".encode()
            path = written(data[:2] + b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body + data[2:])
            if refused:
                with pytest.raises(PhotoError, match="is a panorama"):
                    read_photo(path)
            else:
                assert read_photo(path).size == SIZE
