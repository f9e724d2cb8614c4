"""From a planned scene to a photograph of it: `align plan`'s mirror with the target lying before it."""

from __future__ import annotations

import math

from align.planning.scene import Scene

from .spec import Mirror, RenderCamera, SceneSpec

#: Middle of the target's far edge in that scene.
SHEET_AT_MM = (30.0, 495.0)
#: A street that arrives at the mirror and is wanted to run on: the round trip's scene file.
SCENE = """\
name = "Round trip"
[floor]
x = [-300, 300]
y = [0, 560]
above_room_mm = 900
[mirror]
at = [30, 520]
width_mm = 260
height_mm = 200
lean_deg = {lean}
turn_deg = {turn}
glass_mm = {glass}
{measured}
[viewers]
x = [-300, 300]
y = [-900, -400]
spacing_mm = 200
[[path]]
name = "street"
points = [[{start}, 220], [30, 520]]
width_mm = 60
run_on_deg = {wanted}
"""


def planned_spec(scene: Scene, sheet_at_mm: tuple[float, float], camera: RenderCamera, seed: int) -> SceneSpec:
    """The scene's mirror as it is planned, seen from a target that lies square to the scene.

    Parameters
    ----------
    sheet_at_mm : (x, y) of the middle of the target's far edge, in the scene's frame
    camera : in the target's frame

    The mirror stands with its middle in line with the sheet's; what else is in the scene is left out.
    """
    planned = scene.mirror
    # The plane at the middle of the sheet, along y, from the sheet's far edge.
    beyond = (planned.foot_point - [*sheet_at_mm, 0.0]) @ planned.normal / planned.normal[1]
    mirror = Mirror(
        distance_mm=float(beyond),
        lean_deg=math.degrees(planned.lean),
        turn_deg=math.degrees(planned.turn),
        thickness_mm=planned.glass_mm,
        width_mm=planned.width_mm,
        height_mm=planned.height_mm,
        index=planned.index,
        x_mm=0.0,
    )
    return SceneSpec(camera, (mirror,), "a5", seed=seed, note="round trip of a plan")
