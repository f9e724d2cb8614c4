"""The camera file: round trip, what is wrong with a bad one, and which photos it is for."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from align.errors import AlignError, CameraError, FileFormatError
from align.optics.camera_model import CAMERA_PARAMETERS, camera_from_parameters
from align.photo.camera_file import FORMAT, prior_for, read_camera_file, write_camera_file
from align.photo.read import Photo
from tests.support.camera_files import MEAN, SD, camera_file


def photo_of(size=(4000, 3000), focal_mm=5.1, equivalent_mm=26.0, orientation=None):
    gray = np.broadcast_to(np.uint8(0), size[::-1])
    return Photo(Path("street.jpg"), gray, equivalent_mm, focal_mm, "whole", "Maker Phone 7", "", orientation)


@pytest.fixture
def written(tmp_path):
    """Write text or an object as a camera file and return the path."""

    def write(content):
        path = tmp_path / "camera.json"
        path.write_text(content if isinstance(content, str) else json.dumps(content), encoding="utf-8")
        return path

    return write


# Round trip --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("focal_mm", [5.1, None])
def test_what_is_written_is_read(written, focal_mm):
    original = camera_file(focal_mm=focal_mm, equivalent_mm=26.0, orientation=6)
    again = read_camera_file(written(original.to_json()))
    np.testing.assert_allclose(again.mean, original.mean, rtol=1e-14)
    np.testing.assert_allclose(again.sd, original.sd, rtol=1e-14)
    for name in ("size", "device", "focal_mm", "equivalent_mm", "orientation", "date", "photos", "model"):
        assert getattr(again, name) == getattr(original, name)
    assert again.rms_px == pytest.approx(original.rms_px, abs=1e-4)  # four decimals are kept


def test_the_file_is_readable_by_people(written):
    raw = json.loads(written(camera_file().to_json()).read_text(encoding="utf-8"))
    assert raw["format"] == FORMAT == "align-camera-1"
    # The focal length in pixels with its uncertainty in pixels: 0.1 % of 3012.5.
    assert raw["parameters"]["focal_px"] == {"value": pytest.approx(3012.5), "sd": pytest.approx(3.0125)}
    assert list(raw["parameters"])[1:] == list(CAMERA_PARAMETERS[1:])


def test_the_prior_is_the_file_and_not_a_view_of_it():
    camera = camera_file()
    prior = camera.prior()
    assert prior.source == "file"
    prior.mean[0] = 0
    assert camera.mean[0] == MEAN[0]


def known_together():
    """(8, 8) a covariance of SD's size in which everything but k3 hangs together."""
    loose = np.random.default_rng(4).normal(size=(8, 12))
    covariance = loose @ loose.T
    scale = SD / np.sqrt(np.diag(covariance))
    return covariance * scale[:, None] * scale[None, :]


def test_the_covariance_is_written_and_read(tmp_path):
    original = camera_file(covariance=known_together())
    path = write_camera_file(original, tmp_path / "camera.json")
    raw = json.loads(path.read_text(encoding="utf-8"))
    # In pixels for people: the focal length's variance is its sd, 3.0125 px, squared.
    assert raw["covariance"]["focal_px"][0] == pytest.approx(3.0125**2)
    again = read_camera_file(path)
    np.testing.assert_allclose(again.covariance, original.covariance, rtol=1e-12, atol=1e-30)
    np.testing.assert_allclose(again.prior().covariance, original.covariance, rtol=1e-12, atol=1e-30)
    assert read_camera_file(write_camera_file(camera_file(), path)).covariance is None


def test_a_file_is_written_whole_or_not_at_all(tmp_path, monkeypatch):
    path = write_camera_file(camera_file(), tmp_path / "camera.json")
    before = path.read_bytes()

    def fail(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.replace", fail)
    with pytest.raises(AlignError, match="cannot be written: No space left on device"):
        write_camera_file(camera_file(photos=3), path)
    assert path.read_bytes() == before
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize(
    "spoil",
    [
        lambda rows: rows.pop("k1"),
        lambda rows: rows["k1"].pop(),
        lambda rows: rows["k1"].__setitem__(3, math.inf),
        lambda rows: rows["k1"].__setitem__(3, 4 * rows["k1"][3]),  # not the k1 uncertainty's square
        lambda rows: rows["k1"].__setitem__(4, rows["k1"][4] + 1e-5),  # not symmetric
        lambda rows: [rows[a].__setitem__(k, 9e-5) for a, k in (("k1", 4), ("k2", 3))],  # correlation 11
        lambda rows: rows.clear(),
    ],
)
def test_a_covariance_that_contradicts_is_refused(written, spoil):
    raw = camera_file(covariance=known_together()).to_json()
    spoil(raw["covariance"])
    with pytest.raises(FileFormatError, match="damaged"):
        read_camera_file(written(raw))


# Bad files ---------------------------------------------------------------------------------------------


def changed(path, value):
    """The good file's object with one entry replaced (None: removed)."""
    raw = camera_file().to_json()
    *way, last = path
    place = raw
    for step in way:
        place = place[step]
    if value is None:
        del place[last]
    else:
        place[last] = value
    return raw


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("", "cannot be read as a camera file"),
        ("{", "cannot be read as a camera file"),
        ("[" * 100000, "cannot be read as a camera file"),
        ("[]", "expected format 'align-camera-1', found 'list'"),
        ("{}", "expected format 'align-camera-1', found None"),
        (changed(["format"], "align-camera-2"), "found 'align-camera-2'"),
        (changed(["parameters"], None), "damaged: 'parameters'"),
        (changed(["parameters", "k1"], None), "damaged: 'k1'"),
        (changed(["parameters", "k1"], 3), "damaged"),
        (changed(["parameters", "k1", "value"], "much"), "damaged: could not convert"),
        (changed(["parameters", "k1", "value"], math.nan), "damaged: numbers must be finite"),
        (changed(["parameters", "k1", "sd"], -1.0), "damaged"),
        (changed(["parameters", "focal_px", "value"], -3000.0), "the focal length positive"),
        (changed(["parameters", "focal_px", "value"], 0), "the focal length positive"),
        (changed(["size"], [4000]), "damaged"),
        (changed(["size"], "large"), "damaged"),
        (changed(["size"], [math.inf, 3000]), "damaged"),
        (changed(["size"], [0, 3000]), "damaged"),
        (changed(["photos"], "nine"), "damaged"),
        (changed(["focal_mm"], []), "damaged"),
        (changed(["equivalent_mm"], -26.0), "damaged: focal lengths"),
        (changed(["orientation"], 9), "damaged: the orientation"),
    ],
)
def test_bad_files_are_refused_with_their_fault(written, content, message):
    with pytest.raises(FileFormatError) as error:
        read_camera_file(written(content))
    assert message in error.value.message
    assert "align camera PHOTO... --out CAMERA.json" in error.value.remedy


def test_missing_file_folder_and_binary(tmp_path):
    binary = tmp_path / "photo.jpg"
    binary.write_bytes(b"\xff\xd8\xff\xe0" * 10)
    with pytest.raises(FileFormatError, match=r"There is no file .*nothing\.json"):
        read_camera_file(tmp_path / "nothing.json")
    for path in (tmp_path, binary):
        with pytest.raises(FileFormatError, match="cannot be read as a camera file"):
            read_camera_file(path)


@pytest.mark.slow
@given(
    st.recursive(
        st.none() | st.booleans() | st.floats() | st.text(max_size=5),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
        max_leaves=8,
    ),
    st.sampled_from(
        [*camera_file(covariance=np.diag(SD**2)).to_json()][1:]  # all but the format
    ),
)
def test_any_rubbish_in_any_place_is_read_or_refused(tmp_path_factory, rubbish, place):
    path = tmp_path_factory.mktemp("rubbish") / "camera.json"
    path.write_text(json.dumps({**camera_file().to_json(), place: rubbish}), encoding="utf-8")
    try:
        camera = read_camera_file(path)
    except FileFormatError:
        return
    assert camera.mean.shape == camera.sd.shape == (8,)
    assert np.isfinite(camera.mean).all()
    assert min(camera.size) > 0


# Which photos it is for --------------------------------------------------------------------------------


def test_a_photo_of_the_same_size_and_lens():
    prior = prior_for(camera_file(), photo_of())
    np.testing.assert_array_equal(prior.mean, MEAN)
    np.testing.assert_array_equal(prior.sd, SD)


@pytest.mark.parametrize("focal_mm", [None, 5.1, 5.15])
def test_the_same_lens_or_one_that_nobody_knows(focal_mm):
    assert prior_for(camera_file(), photo_of(focal_mm=focal_mm)).source == "file"
    assert prior_for(camera_file(focal_mm=None), photo_of(focal_mm=focal_mm)).source == "file"


def test_another_lens_is_refused():
    with pytest.raises(CameraError) as error:
        prior_for(camera_file(), photo_of(focal_mm=9.0))
    assert error.value.message == ("The camera file is for a lens of 5.1 mm; street.jpg was taken with 9 mm.")
    assert "same size and lens" in error.value.remedy


def test_digital_zoom_is_refused():
    # Cut and enlarged by the phone: the same lens and the same size, but twice the equivalent focal length.
    camera = camera_file(equivalent_mm=26.0)
    assert prior_for(camera, photo_of(equivalent_mm=27.0)).source == "file"  # whole millimetres are rounded
    with pytest.raises(CameraError, match=r"for a lens of 26 mm \(35 mm equivalent\).* taken with 52 mm"):
        prior_for(camera, photo_of(equivalent_mm=52.0))


# What turned pixels are to a sensor of 4000 x 3000 px: the upright photo's place of a sensor's pixel (x, y),
# by CIPA DC-008's table for tag 274 (3: upside down; 6: row 0 is the right side; 8: row 0 is the left side).
UPRIGHT = {
    1: lambda x, y: (x, y),
    3: lambda x, y: (3999 - x, 2999 - y),
    6: lambda x, y: (2999 - y, x),
    8: lambda x, y: (y, 3999 - x),
}


@pytest.mark.parametrize("before", UPRIGHT)
@pytest.mark.parametrize("after", UPRIGHT)
def test_the_camera_is_turned_exactly_where_both_files_name_their_orientation(before, after):
    sizes = {o: (4000, 3000) if o < 5 else (3000, 4000) for o in UPRIGHT}
    sensor = camera_from_parameters(MEAN)
    points = np.random.default_rng(0).uniform([-0.5, -0.4, 1], [0.5, 0.4, 1], (200, 3))
    x, y = sensor.project(points).T
    # The camera file is of photos that lie as `before`: its camera, from the sensor's, is checked first.
    stored = prior_for(camera_file(orientation=1), photo_of(sizes[before], orientation=before))
    made = camera_file(mean=stored.mean, sd=stored.sd, size=sizes[before], orientation=before)
    prior = prior_for(made, photo_of(sizes[after], orientation=after))
    turned = {1: (1, 1, False), 3: (-1, -1, False), 6: (-1, 1, True), 8: (1, -1, True)}[after]
    seen = (points[:, [1, 0, 2]] if turned[2] else points) * [turned[0], turned[1], 1]
    np.testing.assert_allclose(prior.camera.project(seen), np.column_stack(UPRIGHT[after](x, y)), atol=1e-8)
    np.testing.assert_allclose(np.sort(prior.sd), np.sort(SD))  # no uncertainty is added
    assert (prior.sd[1] == pytest.approx(SD[1])) == (after in (1, 3))


@pytest.mark.parametrize("size", [(2000, 1500), (4000, 2250), (3000, 3000)])
def test_another_size_is_refused(size):
    with pytest.raises(CameraError) as error:
        prior_for(camera_file(), photo_of(size))
    assert "for photos of 4000 x 3000 px" in error.value.message
    assert f"street.jpg has {size[0]} x {size[1]} px" in error.value.message


@pytest.mark.parametrize("clockwise", [True, False])
def test_a_photo_turned_by_a_quarter_is_within_the_uncertainty(clockwise):
    """Turn the pixels of the real camera either way: what a turned camera would be lies in the prior."""
    prior = prior_for(camera_file(), photo_of((3000, 4000)))
    points = np.random.default_rng(0).uniform([-0.5, -0.4, 1], [0.5, 0.4, 1], (200, 3))
    pixels = camera_from_parameters(MEAN).project(points)
    if clockwise:
        turned_pixels = np.column_stack([2999 - pixels[:, 1], pixels[:, 0]])
        turned_points = points[:, [1, 0, 2]] * [-1, 1, 1]
        true = [MEAN[0], 2999 - MEAN[2], MEAN[1], MEAN[3], MEAN[4], MEAN[6], -MEAN[5], MEAN[7]]
    else:
        turned_pixels = np.column_stack([pixels[:, 1], 3999 - pixels[:, 0]])
        turned_points = points[:, [1, 0, 2]] * [1, -1, 1]
        true = [MEAN[0], MEAN[2], 3999 - MEAN[1], MEAN[3], MEAN[4], -MEAN[6], MEAN[5], MEAN[7]]
    true = np.array(true)
    # First: `true` really is the turned camera.
    np.testing.assert_allclose(camera_from_parameters(true).project(turned_points), turned_pixels, atol=1e-8)
    # Then: it is within one standard deviation, and the uncertainty grew only where the turn is not known.
    assert (np.abs(true - prior.mean) <= prior.sd * (1 + 1e-9)).all()
    np.testing.assert_allclose(prior.sd[[0, 3, 4, 7]], SD[[0, 3, 4, 7]], rtol=1e-14)
    assert prior.sd[1] == pytest.approx(math.hypot(3.0, 1490.75 - 1499.5))
    assert prior.sd[2] == pytest.approx(math.hypot(2.0, 2010.25 - 1999.5))


def turned_parameters(mean, clockwise):
    """The camera of photos turned by a quarter, as in the test above."""
    k = mean
    if clockwise:
        return np.array([k[0], 2999 - k[2], k[1], k[3], k[4], k[6], -k[5], k[7]])
    return np.array([k[0], k[2], 3999 - k[1], k[3], k[4], -k[6], k[5], k[7]])


def test_the_covariance_turns_with_the_photo():
    """Draw cameras from the file, turn half of them either way: mean and covariance of all."""
    covariance = known_together()
    prior = prior_for(camera_file(covariance=covariance), photo_of((3000, 4000)))
    rng = np.random.default_rng(1)
    drawn = rng.multivariate_normal(MEAN, covariance, 40000, method="svd")
    turned = np.array([turned_parameters(one, k % 2 == 0) for k, one in enumerate(drawn)])
    scale = np.where(prior.sd > 0, prior.sd, 1.0)
    np.testing.assert_allclose((turned.mean(axis=0) - prior.mean) / scale, 0, atol=0.025)
    sample = np.cov(turned.T) / scale[:, None] / scale[None, :]
    np.testing.assert_allclose(prior.covariance / scale[:, None] / scale[None, :], sample, atol=0.03)
    np.testing.assert_allclose(np.sqrt(np.diag(prior.covariance)), prior.sd)
