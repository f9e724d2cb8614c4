"""A set of photos, sighted one by one: of one camera, one sheet, each photo once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ..errors import CameraError, PhotoError, TargetError
from ..optics.camera_model import CameraPrior, maybe_edited, prior_from_focal
from ..optics.robust import median
from ..photo.camera_file import CameraFile, prior_for
from ..photo.facts import Crop, Lens
from ..photo.file import PhotoFile
from ..photo.read import Photo, read_photo
from ..sighting.photo import Sighting, sight
from ..target.sheets import Sheet
from .thresholds import LEAST_COMMON_CORNERS, SAME_VIEW_PX


@dataclass(frozen=True, eq=False)
class Sighted:
    """One photo after sighting, without its pixels: what goes unchanged from here to solve and report.

    mirrors : the number in the joint answer, from 0 at the left, of each of the sighting's reflections; () until
    that is known.
    """

    photo: Path
    size: tuple[int, int]
    prior: CameraPrior
    lens: Lens
    sighting: Sighting
    orientation: int | None = None
    crop: Crop = "whole"  # as `photo.read.Photo` has it
    notes: Sequence[str] = ()
    mirrors: tuple[int, ...] = ()
    file: PhotoFile | None = None
    without_file: CameraPrior | None = None  # the prior without a camera file, where there is one


def sight_photos(
    paths: Sequence[Path | PhotoFile | Photo],
    camera_file: CameraFile | None,
    *,
    own_board: Sheet | None = None,
    scale: float = 1.0,
    progress: Callable[[str], None] | None = None,
    without_sheet: list[Photo] | None = None,
) -> list[Sighted]:
    """Sight every photo, holding the pixels of one at a time.

    paths : of photos, of those that were read before, or photos themselves; without_sheet : photos in which no
    sheet is found are added to this list, without their pixels; where it is None, or no photo shows the sheet, they
    are an error

    Raises
    ------
    AlignError
        A photo cannot be read, shows no sheet or reflection, or does not belong to the others.
    """
    sighted: list[Sighted] = []
    missing: TargetError | None = None
    contents: dict[bytes, str] = {}
    for number, source in enumerate(paths, 1):
        path = source if isinstance(source, Path) else source.path
        if progress and len(paths) > 1:
            progress(f"photo {number} of {len(paths)}: {path.name}")
        photo = source if isinstance(source, Photo) else read_photo(source)
        if len(paths) > 1:
            _check_new(photo, contents)
        try:
            item = _sighted(photo, path, camera_file, own_board, scale)
        except TargetError as error:
            if without_sheet is None:
                raise
            missing = missing or error
            without_sheet.append(replace(photo, gray=photo.gray[:0]))
            continue
        twin = next((other for other in sighted if _is_same_view(other, item.sighting, photo.size)), None)
        if twin is not None:
            words = f"{photo.path.name} is the same photo as {twin.photo.name}, saved again: it counts once."
            sighted[0] = replace(sighted[0], notes=(*sighted[0].notes, words))
            continue
        sighted.append(item)
        _check_same_camera(sighted, photo)
    if missing is not None and not sighted:
        raise missing
    return sighted


def _sighted(
    photo: Photo, path: Path, camera_file: CameraFile | None, own_board: Sheet | None, scale: float
) -> Sighted:
    """Sight one photo, with what it says of its camera."""
    plain = prior_from_focal(photo.size, photo.equivalent_mm, crop=photo.crop)
    if photo.equivalent_mm is None:
        plain = maybe_edited(plain, photo.size)
    prior, other_device = _prior_of(photo, camera_file, plain)
    return Sighted(
        photo=path,
        size=photo.size,
        prior=prior,
        lens=photo.lens,
        sighting=sight(photo, prior, own_board=own_board, scale=scale),
        orientation=photo.orientation,
        crop=photo.crop,
        notes=(*photo.notes, *other_device),
        file=photo.file,
        without_file=None if camera_file is None else plain,
    )


def _prior_of(
    photo: Photo, camera_file: CameraFile | None, plain: CameraPrior
) -> tuple[CameraPrior, tuple[str, ...]]:
    """What is known of a photo's camera; a file of another device tells nothing, and that is said."""
    if camera_file is None:
        return plain, ()
    if camera_file.device and photo.device and camera_file.device.casefold() != photo.device.casefold():
        return plain, (
            f"The camera file was measured with another device ({camera_file.device}) than took {photo.path.name} "
            f"({photo.device}): it is left out, and the camera solved from the photo.",
        )
    return prior_for(camera_file, photo), ()


def _is_same_view(other: Sighted, sighting: Sighting, size: tuple[int, int]) -> bool:
    """Whether all corners lie where another photo has them: it was encoded or scaled anew."""
    if other.sighting.sheet.name != sighting.sheet.name:
        return False
    pairs = list(
        zip(
            (other.sighting.target, *other.sighting.reflections),
            (sighting.target, *sighting.reflections),
            strict=False,
        )
    )
    if len(other.sighting.reflections) != len(sighting.reflections) or not pairs:
        return False
    smaller = min(other.size[0], size[0])
    for one, two in pairs:
        common = np.intersect1d(one.corner_ids, two.corner_ids)
        if len(common) < LEAST_COMMON_CORNERS:
            return False
        first = (one.pixels[np.isin(one.corner_ids, common)] + 0.5) / other.size[0]
        second = (two.pixels[np.isin(two.corner_ids, common)] + 0.5) / size[0]
        if float(median(np.linalg.norm(first - second, axis=1))) * smaller > SAME_VIEW_PX:
            return False
    return True


def _check_new(photo: Photo, seen: dict[bytes, str]) -> None:
    """Refuse a photo whose pixels were given before; `seen` maps digests to file names."""
    import hashlib

    digest = hashlib.blake2b(photo.gray.tobytes()).digest()
    if digest in seen:
        raise PhotoError(
            f"{photo.path.name} is the same photo as {seen[digest]}; counting it twice would feign certainty.",
            "Name each photo once; take another one from elsewhere for a better answer.",
        )
    seen[digest] = photo.path.name


def _check_same_camera(sighted: Sequence[Sighted], photo: Photo) -> None:
    first = sighted[0]
    if first.size != photo.size:
        raise CameraError(
            f"{photo.path.name} has {photo.size[0]} x {photo.size[1]} px but {first.photo.name} has "
            f"{first.size[0]} x {first.size[1]} px.",
            "Photos of one check must come from one camera, held the same way; or check them with --each.",
        )
    if None not in (first.orientation, photo.orientation) and first.orientation != photo.orientation:
        raise CameraError(
            f"{photo.path.name} was taken with the phone held another way up than {first.photo.name}.",
            "Hold the phone the same way up for all photos of one check; or check them with --each.",
        )
    differ = first.lens.differs(photo.lens)
    if differ is not None:
        raise CameraError(
            f"{photo.path.name} was zoomed differently ({differ[1]}) from {first.photo.name} ({differ[0]}).",
            "Take all photos of one check without zooming; or check them with --each.",
        )
    if first.sighting.sheet.name != sighted[-1].sighting.sheet.name:
        raise CameraError(
            f"{photo.path.name} shows the sheet {sighted[-1].sighting.sheet.name!r} but {first.photo.name} "
            f"shows {first.sighting.sheet.name!r}.",
            "Use one sheet for all photos of one check; or check them with --each.",
        )
