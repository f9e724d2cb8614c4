"""The photos of one glass answer as the lamps' fit takes them: linear light, spots, boards, and each mirror's
view.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from ..bundle.photo_set import Sighted
from ..optics.geometry import mirror_normal
from ..photo.file import PhotoFile
from ..photo.read import Photo, colour_of
from ..sighting.boards import Board
from ..solve.joint import Solution
from .ghost_geometry import Lamp, MirrorView
from .lamps import Light, Mask, Spot, find_spots, light_of, same_place, white_paper_light
from .pairing import lamps_of, own_ghost

#: The solve's offset of the front face moves by no more than this for each mm of glass: the silvering's own depth.
MOST_OFFSET_PER_MM = 1.0


@dataclass(frozen=True, eq=False)
class LitPhoto:
    """A photo's linear light, which of it is a lower bound, its bright spots, its boards, and its view of each
    mirror.
    """

    path: Path
    views: tuple[MirrorView, ...]
    light: Light
    full: Mask
    spots: tuple[Spot, ...]
    boards: tuple[Board, ...]

    @property
    def long_side_px(self) -> int:
        """The longer side of the photo [px]."""
        return int(max(self.light.shape))

    def strangers(self, lamp: Lamp, mirror: int) -> list[Spot]:
        """Spots that are neither a lamp's reflection nor may be ghosts of it."""
        view = self.views[mirror]
        return [spot for spot in self.spots if spot is not lamp.reflected and not own_ghost(spot, lamp, view)]


def lit_photo(item: Sighted, views: tuple[MirrorView, ...]) -> LitPhoto:
    """A photo with the sheet: spots brighter than its white paper."""
    light, full = _light_of(item.file)
    sighting = item.sighting
    boards = (sighting.target, *sighting.reflections)
    boards += tuple(inter_reflection.board for inter_reflection in sighting.inter_reflections)
    spots = find_spots(light, white_paper_light(light, sighting.target.outline_px))
    return LitPhoto(item.photo, views, light, full, spots, boards)


def _light_of(file: PhotoFile | None) -> tuple[Light, Mask]:
    """The linear light of a photo that was read before, and where it is burnt out."""
    if file is None:
        raise ValueError("expected a photo that was read from a file")
    return light_of(colour_of(file))


def dark_twin(photo: Photo, lit: Sequence[LitPhoto]) -> LitPhoto | None:
    """A photo without the sheet, by the view of one that was taken from its very place; None without such."""
    light, full = _light_of(photo.file)
    spots = find_spots(light)
    for other in lit:
        if other.light.shape == light.shape and same_place(spots, other.spots):
            return LitPhoto(photo.path, other.views, light, full, spots, other.boards)
    return None


def lamps_by_mirror(item: LitPhoto) -> list[list[Lamp]]:
    """The lamps of a photo in each mirror; a reflection is of the mirror that explains it best."""
    found = [list(lamps_of(item.spots, view, item.long_side_px)) for view in item.views]
    best: dict[int, float] = {}
    for lamps in found:
        for lamp in lamps:
            if lamp.direct is not None:
                key = id(lamp.reflected)
                best[key] = min(best.get(key, lamp.cost), lamp.cost)
    taken = {id(lamp.direct) for lamps in found for lamp in lamps if lamp.direct is not None}
    kept = []
    for lamps in found:
        paired = [lamp for lamp in lamps if lamp.direct is not None and lamp.cost <= best[id(lamp.reflected)]]
        # A spot that is another mirror's lamp or reflection is no lone reflection of this one.
        alone = [
            lamp
            for lamp in lamps
            if lamp.direct is None and id(lamp.reflected) not in best and id(lamp.reflected) not in taken
        ]
        kept.append(paired + alone)
    return kept


def mirror_views(solution: Solution, photo: int) -> tuple[MirrorView, ...]:
    """A photo's camera before each solved mirror."""
    return tuple(mirror_view(solution, photo, number) for number in range(solution.mirror_count))


def mirror_view(solution: Solution, photo: int, mirror: int = 0) -> MirrorView:
    """A photo's camera before a solved mirror, for any thickness of its glass.

    Corners and thickness go together: were the glass thicker, the same corners would have the front face nearer.
    How much the solve's own covariance says, as the mean of the other parameters given one (regression).
    """
    rotation, translation = solution.state.cam_from_target(photo)
    solved = solution.mirror(mirror)
    lean, turn, offset, thickness = (
        solved.lean_rad, solved.turn_rad, solved.offset_mm, max(solved.thickness_mm, 0.0),
    )  # fmt: skip
    by_lean, by_turn, by_offset = solved.covariance[:3, 3] / max(float(solved.covariance[3, 3]), 1e-12)
    by_offset = min(max(float(by_offset), -MOST_OFFSET_PER_MM), MOST_OFFSET_PER_MM)

    def given(thickness_mm: float) -> MirrorView:
        more = thickness_mm - thickness
        normal = mirror_normal(lean + more * float(by_lean), turn + more * float(by_turn))
        point = -(offset + more * by_offset) * normal
        return MirrorView(
            solution.camera, rotation, translation, normal, point, thickness_mm, solution.glass_index, given
        )

    return given(thickness)
