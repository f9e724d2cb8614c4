"""JPEG decoding: Pillow's pixels, damage told by the call itself, in any number of threads at once."""

from __future__ import annotations

import io
import threading

import numpy as np
import pytest
from PIL import Image

from align.errors import PhotoError
from align.photo.decode import Damaged, decode_colour, decode_gray, refuse_damaged_inks
from align.photo.read import read_photo


def picture(size: tuple[int, int] = (640, 480)) -> Image.Image:
    x, y = np.meshgrid(np.linspace(0, 1, size[0]), np.linspace(0, 1, size[1]))
    shades = np.stack([200 * x + 20, 150 * y + 60, 120 * x * y + 30], axis=2)
    return Image.fromarray(np.round(shades).astype(np.uint8))


def jpeg(image: Image.Image | None = None, **how: object) -> bytes:
    file = io.BytesIO()
    (image or picture()).save(file, "JPEG", **({"quality": 90} | how))
    return file.getvalue()


@pytest.mark.parametrize(
    "how", [{}, {"progressive": True}, {"subsampling": 0}, {"subsampling": 1}, {"restart_marker_blocks": 7}]
)
def test_pixels_are_pillows(how):
    data = jpeg(**how)
    with Image.open(io.BytesIO(data)) as image:
        assert np.abs(decode_colour(data).astype(int) - np.asarray(image)).max() <= 1
    with Image.open(io.BytesIO(data)) as image:
        image.draft("L", None)
        assert np.array_equal(decode_gray(data), np.asarray(image))


def test_half_size_is_half_rounded_up():
    data = jpeg(picture((641, 479)))
    assert decode_gray(data, halved=True).shape == (240, 321)
    assert decode_colour(data, halved=True).shape == (240, 321, 3)


@pytest.mark.parametrize("colours", ["RGB", "L", "CMYK"])
@pytest.mark.parametrize("share", [0.4, 0.7, 0.9])
def test_damage_and_a_lost_end_raise(colours, share):
    data = jpeg(picture().convert(colours))
    place = int(len(data) * share)
    decode = refuse_damaged_inks if colours == "CMYK" else decode_gray
    decode(data)
    for spoiled in (data[:place], data[:place] + data[place + 40 :], data[:-2]):
        with pytest.raises(Damaged):
            decode(spoiled)


def test_zeros_before_the_end_do_not_hide_damage():
    # The decoder's last words are of the zeros; what it said before them must not be lost.
    data = jpeg()
    filled = data[:-2] + bytes(106) + data[-2:]
    assert np.array_equal(decode_gray(filled), decode_gray(data))
    place = len(data) // 2
    for hidden in range(10, 60, 10):
        spoiled = data[:place] + data[place + hidden :]
        with pytest.raises(Damaged):
            decode_gray(spoiled[:-2] + bytes(2000) + spoiled[-2:])


def test_two_photos_in_a_row_from_each_of_four_threads(tmp_path):
    """Every good one is read and every damaged one refused; a decoder that is overheard mixes them up."""
    data = jpeg(picture((1600, 1200)))
    place = len(data) // 2
    good, damaged = tmp_path / "good.jpg", tmp_path / "damaged.jpg"
    good.write_bytes(data)
    damaged.write_bytes(data[:place] + data[place + 40 :])
    together, outcomes = threading.Barrier(4), []

    def read(first: bool) -> None:
        for number in range(10):
            path = good if (number % 2 == 0) == first else damaged
            together.wait(timeout=30)
            try:
                outcomes.append((path, read_photo(path).size == (1600, 1200)))
            except PhotoError:
                outcomes.append((path, False))

    threads = [threading.Thread(target=read, args=(number % 2 == 0,)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(outcomes) == 40
    assert all(read_it is (path == good) for path, read_it in outcomes)
