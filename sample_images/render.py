"""Render the sample photographs: python -m sample_images.render [NAME...]   (needs the `render` extra).

    --list             name, height of a reflected square, note; renders nothing
    --preview FOLDER   quarter-size pictures into FOLDER, to judge a scene by

A small museum's harbour-street diorama; its arcade ends in a mirror that doubles the street. Each photo comes
with NAME.truth.json: what was true when it was taken. Without names, all are rendered.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tests.rendering.framing import framing_of, phone_camera
from tests.rendering.phone import PhoneSpec
from tests.rendering.photograph import photograph
from tests.rendering.spec import Lamp, Mirror, RenderCamera, SceneSpec

HERE = Path(__file__).resolve().parent


LARGE, SMALL, LITTLE = (4032, 3024), (3264, 2448), (2016, 1512)
HALL = {"width_mm": 300.0, "height_mm": 150.0}  # for the a5 sheet
YARD = {"width_mm": 390.0, "height_mm": 190.0}  # for A4 and US Letter
TUNNEL = {"width_mm": 104.0, "height_mm": 62.0}  # for the card

LANTERNS = (
    Lamp((-124.0, -18.0, 64.0), 1.7),
    Lamp((121.0, 2.0, 72.0), 1.7),
    Lamp((34.0, 20.0, 122.0), 1.5),
)


@dataclass(frozen=True)
class Sample:
    """One sample photo: where the phone is (mm, degrees), the sheet, the mirror."""

    mirror: Mirror
    note: str
    view: tuple[float, float, float]  # distance from the aim [mm], elevation [deg], azimuth [deg]
    aim_mm: tuple[float, float, float] = (0.0, -15.0, 12.0)
    sheet: str = "a5"
    size_px: tuple[int, int] = SMALL
    lamps: tuple[Lamp, ...] = ()
    day: float = 1.0
    portrait: bool = False
    lens: int | None = None  # photos with the same number are of one phone; None: a phone of its own
    more: tuple[Mirror, ...] = ()  # mirrors besides the first; then the floor is bare


def _corner(
    corner_mm: float, width_mm: float, leans_deg: tuple[float, float], turns_deg: tuple[float, float]
) -> tuple[Mirror, ...]:
    """Two mirrors that meet at (0, corner_mm), the left one first, 1.5 mm apart, for their leans differ."""
    mirrors = []
    for side, lean, turn in zip((-1, 1), leans_deg, turns_deg, strict=True):
        mirror = Mirror(corner_mm, lean, turn, 4.0, width_mm=width_mm, height_mm=210.0)
        middle = mirror.foot_point + side * (width_mm / 2 + 0.75) * mirror.across
        mirrors.append(replace(mirror, x_mm=float(middle[0]), distance_mm=float(middle[1])))
    return tuple(mirrors)


CORNER = _corner(94.0, 250.0, (0.20, -0.35), (44.7, -45.3))

SAMPLES: dict[str, Sample] = {
    "arcade_leaning": Sample(
        Mirror(38.0, 0.62, -0.35, 4.0, **HALL),
        "The mirror's top overhangs the street by two thirds of a degree. The photo of the README.",
        (520, 33, 6),
        size_px=LARGE,
    ),
    "arcade_true": Sample(
        Mirror(41.0, 0.02, -0.015, 4.0, **HALL),
        "The same mirror after the shims went in: square.",
        (500, 35, -5),
    ),
    "arcade_front_coated": Sample(
        Mirror(30.0, -0.40, 0.22, 0.0, **HALL),
        "A front-coated mirror: no glass before the silver, no ghosts. It leans back.",
        (480, 36, 9),
    ),
    "arcade_turned": Sample(
        Mirror(45.0, 0.15, 2.1, 3.0, **HALL),
        "The mirror's left edge stands nearer: it is turned by two degrees.",
        (510, 32, -9),
    ),
    "street_far": Sample(
        Mirror(250.0, 0.35, -0.80, 6.0, **HALL),
        "The target lies a quarter of a metre before thick glass and the phone is far away.",
        (940, 29, 4),
        (0.0, 40.0, 20.0),
        size_px=LARGE,
    ),
    "tunnel_card": Sample(
        Mirror(14.0, 0.90, 0.50, 2.0, **TUNNEL),
        "The narrow passage: the card-sized sheet before a small mirror of thin glass.",
        (230, 34, 5),
        (0.0, -8.0, 6.0),
        "card",
    ),
    "yard_a4": Sample(
        Mirror(55.0, -0.25, -1.2, 5.0, **YARD),
        "The ropewalk yard: an A4 sheet before a wide mirror.",
        (590, 37, -7),
        sheet="a4",
    ),
    "arcade_portrait": Sample(
        Mirror(36.0, 0.45, 0.60, 4.0, **HALL),
        "The phone held upright: the picture is stored on its side, with EXIF orientation 6.",
        (560, 36, 4),
        portrait=True,
    ),
    "arcade_low": Sample(
        Mirror(25.0, 0.55, -0.45, 4.0, **HALL),
        "The phone held low, at the height of the eaves: the target is strongly foreshortened.",
        (480, 16, 3),
        size_px=LARGE,
    ),
    "arcade_letter": Sample(
        Mirror(48.0, -0.70, 0.90, 3.0, **YARD),
        "A US Letter sheet; the mirror leans back.",
        (600, 34, 8),
        sheet="letter",
    ),
    "arcade_angled": Sample(
        Mirror(62.0, 0.30, 12.0, 4.0, **HALL),
        "The mirror is turned by 12 degrees on purpose, to send the street round a corner (--want-turn 12).",
        (520, 36, -8),
        (-5.0, -10.0, 12.0),
    ),
    "arcade_lamps": Sample(
        Mirror(40.0, 0.38, -0.55, 4.0, **HALL),
        "Dusk, three lanterns lit: each shows its ghosts in the glass.",
        (500, 34, 7),
        size_px=LARGE,
        lamps=LANTERNS,
        day=0.55,
    ),
    **{
        f"three_heights_{number}": Sample(
            Mirror(33.0, 0.28, -0.18, 4.0, **HALL),
            f"One of three photos of one mirror from three heights, to be checked together ({number}).",
            view,
            size_px=LITTLE,
            lens=40,
        )
        for number, view in enumerate(((540, 25, -9), (500, 36, 8), (490, 49, 2)), 1)
    },
    "before_packing": Sample(
        Mirror(42.0, 0.55, 0.40, 4.0, **HALL),
        "From a tripod, before the packing went in.",
        (510, 35, 4),
        size_px=LITTLE,
        lens=41,
    ),
    "after_packing": Sample(
        Mirror(42.0, 0.01, -0.02, 4.0, **HALL),
        "From the same tripod, after the packing went in.",
        (510, 35, 4),
        size_px=LITTLE,
        lens=41,
    ),
    "two_mirrors": Sample(
        CORNER[0],
        "A corner of two mirrors, each turned by 45 degrees on purpose (--want-turn 45 --want-turn -45).",
        (480, 36, 1),
        (0.0, 30.0, 0.0),
        "a6",
        LITTLE,
        more=CORNER[1:],
    ),
}


def scene_of(name: str) -> tuple[SceneSpec, PhoneSpec]:
    """Scene and phone of one sample; its lens errors are drawn from its own place in the list."""
    sample = SAMPLES[name]
    number = list(SAMPLES).index(name)
    rng = np.random.default_rng([7, number if sample.lens is None else sample.lens])
    phone = PhoneSpec(
        quality=86,
        turned=sample.portrait,
        taken=f"2024:05:14 {10 + (12 + 3 * number) // 60:02d}:{(12 + 3 * number) % 60:02d}:00",
    )
    distance, elevation, azimuth = sample.view
    roll = (90.0 if sample.portrait else 0.0) + float(rng.uniform(-1.2, 1.2))
    camera = phone_camera(
        sample.aim_mm,
        distance,
        elevation,
        azimuth,
        rng=rng,
        size_px=sample.size_px,
        roll_deg=roll,
        phone=phone,
    )
    spec = SceneSpec(
        camera,
        (sample.mirror, *sample.more),
        sample.sheet,
        lamps=sample.lamps,
        decor="plain" if sample.more else "harbour",
        day=sample.day,
        seed=11 + number,
        note=sample.note,
    )
    return spec, phone


def quarter(camera: RenderCamera) -> RenderCamera:
    """The same view on a quarter of the pixels each way."""
    (width, height), (x, y) = camera.size_px, camera.centre_px
    return replace(
        camera,
        size_px=(width // 4, height // 4),
        focal_px=camera.focal_px / 4,
        centre_px=((x + 0.5) / 4 - 0.5, (y + 0.5) / 4 - 0.5),
    )


def show_list() -> None:
    """Print the samples."""
    for name, sample in SAMPLES.items():
        framing = framing_of(scene_of(name)[0])
        size = f"{framing.reflected_square_px:.0f} px"
        print(f"{name:20} {size:>6} {'' if framing.complete else 'INCOMPLETE '}{sample.note}")


def main(arguments: list[str]) -> None:
    """Command line."""
    if arguments[:1] == ["--list"]:
        show_list()
        return
    folder, preview = HERE, arguments[:1] == ["--preview"]
    if preview:
        folder, arguments = Path(arguments[1]), arguments[2:]
        folder.mkdir(parents=True, exist_ok=True)
    for name in arguments or list(SAMPLES):
        spec, phone = scene_of(name)
        if not framing_of(spec).complete:
            raise SystemExit(f"{name}: target or reflection is not wholly in view")
        if preview:
            spec = replace(spec, camera=quarter(spec.camera))
        photograph(spec, folder / f"{name}.jpg", phone, light_rays=96 if preview else 256)


if __name__ == "__main__":
    main(sys.argv[1:])
