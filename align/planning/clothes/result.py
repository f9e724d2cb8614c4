"""A clothed scene: what its photos cover, and what is seen of it from anywhere."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..scene import Scene
from ..thresholds import WORTH_NAMING
from .faces import stands_on_floor
from .places import eye_at, window_of
from .posed import PosedPhoto
from .tracing import Sight, World, sights_of

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Coverage:
    """How much of a face the photos do not show: shares of its area.

    name : `fish warehouse, back`; filled_share : filled in from beside; unseen_share : hatched
    """

    name: str
    area_mm2: float
    filled_share: float
    unseen_share: float


@dataclass(frozen=True, eq=False)
class Clothed:
    """A scene clothed with photos.

    photos : where each was taken from; notes : for the reader
    """

    scene: Scene
    photos: tuple[PosedPhoto, ...]
    world: World
    notes: tuple[str, ...] = ()

    def seen_from(
        self, at_mm: tuple[float, float], height_mm: float, *, columns: int = 640, finer: int = 2
    ) -> tuple[Sight, Sight]:
        """What eyes so high above the room's floor see from a place (x, y): with the mirrors, and before any hangs.

        columns : width of the picture [px]; finer : each pixel is the mean of finer x finer rays
        """
        eye = eye_at(self.scene, at_mm, height_mm)
        return sights_of(self.world, self.scene.mirrors, eye, *window_of(self.scene, eye), columns, finer)

    @property
    def coverage(self) -> tuple[Coverage, ...]:
        """Of every face, the largest first."""
        found = [
            Coverage(texture.face.name, texture.face.area_mm2, texture.filled_share, texture.unseen_share)
            for texture in self.world.textures.values()
        ]
        return tuple(sorted(found, key=lambda face: -face.area_mm2))

    @property
    def not_covered(self) -> tuple[Coverage, ...]:
        """Faces of which a share worth naming is in no photo, the largest such part first."""
        least = WORTH_NAMING * sum(face.area_mm2 for face in self.coverage)
        some = [face for face in self.coverage if face.area_mm2 * face.unseen_share >= least]
        return tuple(sorted(some, key=lambda face: -face.area_mm2 * face.unseen_share))

    @property
    def unseen_share(self) -> float:
        """Of all faces' area, what no photo shows."""
        return self._share([face.unseen_share for face in self.coverage])

    @property
    def filled_share(self) -> float:
        """Of all faces' area, what is filled in from beside."""
        return self._share([face.filled_share for face in self.coverage])

    def _share(self, shares: list[float]) -> float:
        return float(np.average(shares, weights=[face.area_mm2 for face in self.coverage]))

    @property
    def off_the_floor(self) -> tuple[str, ...]:
        """Names of things that are not clothed because they stand off the scene's floor."""
        return tuple(box.name for box in self.world.bodies if not stands_on_floor(self.scene, box))

    @property
    def missing_cutouts(self) -> tuple[str, ...]:
        """Names of cut-outs that no photo shows."""
        return tuple(picture.cutout.name for picture in self.world.cutouts if not picture.views)

    def to_json(self) -> dict[str, Any]:
        """The plan's "clothed" entry."""
        return {
            "photos": [
                {
                    "file": photo.name,
                    "sheet": photo.sheet.name,
                    "eye_mm": [round(float(value), 1) for value in photo.eye],
                    "rms_px": round(photo.rms_px, 3),
                    "astray_mm": round(photo.astray_mm, 2),
                }
                for photo in self.photos
            ],
            "unseen_share": round(self.unseen_share, 4),
            "filled_share": round(self.filled_share, 4),
            "faces": [
                {
                    "name": face.name,
                    "unseen_share": round(face.unseen_share, 4),
                    "filled_share": round(face.filled_share, 4),
                }
                for face in self.coverage
            ],
            "off_the_floor": list(self.off_the_floor),
            "cutouts_not_shown": list(self.missing_cutouts),
            "notes": list(self.notes),
        }
