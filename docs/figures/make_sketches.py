"""Draw the sketches of docs/guide.md and docs/theory.md: python docs/figures/make_sketches.py

Large type, colours that colour-blind readers can tell apart (the Okabe-Ito set), every angle exaggerated.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
import numpy as np
from matplotlib.patches import Arc, Polygon

HERE = Path(__file__).resolve().parent
BLUE, ORANGE, GREEN, PURPLE, GREY, BLACK = "#0072B2", "#D55E00", "#009E73", "#CC79A7", "#777777", "#000000"
plt.rcParams.update({"font.size": 17, "font.family": "DejaVu Sans", "savefig.dpi": 100})


def panel(axes: Any, title: str, x: tuple[float, float], y: tuple[float, float]) -> None:
    """An empty panel to scale."""
    axes.set_title(title, fontsize=18, pad=10)
    axes.set_xlim(*x)
    axes.set_ylim(*y)
    axes.set_aspect("equal")
    axes.axis("off")


def line(axes: Any, start: Any, end: Any, colour: str = BLACK, width: float = 3, style: str = "-") -> None:
    """A straight line."""
    axes.plot([start[0], end[0]], [start[1], end[1]], style, color=colour, lw=width, solid_capstyle="butt")


def arrow(axes: Any, start: Any, end: Any, colour: str = BLACK) -> None:
    """An arrow from start to end."""
    axes.annotate("", end, start, arrowprops={"arrowstyle": "-|>", "color": colour, "lw": 2.5})


def save(figure: Any, name: str) -> None:
    """Write one figure as PNG."""
    figure.savefig(HERE / name, bbox_inches="tight", pad_inches=0.15, facecolor="white")
    plt.close(figure)


def phone(axes: Any, place: Any, towards: Any, size: float = 26) -> None:
    """A phone as a short thick line that looks towards a point."""
    direction = np.subtract(towards, place) / np.linalg.norm(np.subtract(towards, place))
    across = np.array([-direction[1], direction[0]]) * size
    line(axes, np.array(place) - across, np.array(place) + across, BLACK, 9)


def lean_and_turn() -> None:
    """Side view with lean > 0, plan view with turn > 0."""
    figure, (side, plan) = plt.subplots(1, 2, figsize=(13, 6.4))
    panel(side, "From the side: lean > 0", (-215, 65), (-45, 185))
    line(side, (-205, 0), (45, 0), GREY, 4)
    line(side, (0, 0), (0, 150), GREY, 2, "--")
    lean = math.radians(16)
    top = (-150 * math.sin(lean), 150 * math.cos(lean))
    line(side, (0, 0), top, BLUE, 7)
    line(side, (-135, 4), (-30, 4), ORANGE, 6)
    side.add_patch(Arc((0, 0), 200, 200, theta1=90, theta2=90 + math.degrees(lean), lw=2.5))
    side.text(5, 106, "lean", fontsize=18)
    side.text(5, 148, "square to the sheet", color=GREY, fontsize=13)
    side.text(-52, 158, "top overhangs", color=BLUE, ha="right")
    side.text(-82, -24, "sheet", color=ORANGE, ha="center")
    side.text(4, -24, "mirror", color=BLUE)
    phone(side, (-190, 118), (-40, 30), 16)
    side.text(-202, 85, "you", fontsize=18)

    panel(plan, "From above: turn > 0", (-150, 150), (-155, 90))
    turn = math.radians(12)
    half = 110
    left = (-half * math.cos(turn), -half * math.sin(turn))
    right = (half * math.cos(turn), half * math.sin(turn))
    line(plan, (-half, 0), (half, 0), GREY, 2, "--")
    line(plan, left, right, BLUE, 7)
    plan.add_patch(Polygon([(-55, -50), (55, -50), (55, -125), (-55, -125)], fc="#f6e3d5", ec=ORANGE, lw=3))
    arrow(plan, (0, -118), (0, -78), ORANGE)
    plan.text(0, -67, "contact edge", color=ORANGE, ha="center", fontsize=15)
    plan.text(62, -118, "sheet", color=ORANGE)
    plan.add_patch(Arc((0, 0), 150, 150, theta1=0, theta2=math.degrees(turn), lw=2.5))
    plan.text(82, 3, "turn", fontsize=18)
    plan.text(-112, -50, "left edge\nnearer", color=BLUE, ha="center", va="top")
    plan.text(30, 34, "mirror", color=BLUE, ha="center")
    plan.text(-112, 8, "square to the sheet", color=GREY)
    plan.text(0, -147, "you stand here", ha="center", fontsize=18)
    figure.tight_layout()
    save(figure, "lean_turn.png")


def set_up() -> None:
    """Where sheet, mirror and phone go, from the side."""
    figure, axes = plt.subplots(figsize=(12.5, 6.6))
    panel(axes, "", (-500, 250), (-75, 330))
    line(axes, (-490, 0), (0, 0), GREY, 4)
    line(axes, (0, 0), (240, 0), GREY, 2, ":")
    line(axes, (0, 0), (0, 175), BLUE, 8)
    line(axes, (-190, 5), (-42, 5), ORANGE, 8)
    line(axes, (42, 5), (190, 5), ORANGE, 8, ":")
    eye = np.array([-470.0, 262.0])
    middle = np.array([-116.0, 5.0])
    phone(axes, eye, middle)
    for place in ((-190, 5), (-42, 5)):
        line(axes, eye, place, ORANGE, 1.8)
    for place in ((42, 5), (190, 5)):
        line(axes, eye, place, PURPLE, 1.8, "--")
    line(axes, eye, middle, GREY, 2)
    axes.add_patch(Arc((-116, 5), 330, 330, theta1=180 - math.degrees(math.atan2(257, 354)), theta2=180, lw=2.5))
    axes.text(-372, 62, "30° to\n45°", fontsize=18, ha="center")
    axes.text(-116, -38, "sheet, arrow towards\nthe mirror", color=ORANGE, ha="center", va="center")
    axes.text(116, -38, "its reflection", color=PURPLE, ha="center", va="center")
    axes.text(0, 192, "mirror", color=BLUE, ha="center", fontsize=18)
    axes.text(-425, 285, "phone: see the whole sheet and\nits whole reflection", va="center")
    save(figure, "set_up.png")


def packing() -> None:
    """The worked example: four corners from the front; lean and cure from the side."""
    figure, (front, side) = plt.subplots(1, 2, figsize=(13, 6.0), width_ratios=(1.6, 1))
    panel(front, "As you face the mirror (300 × 150 mm)", (-75, 375), (-55, 205))
    front.add_patch(Polygon([(0, 0), (300, 0), (300, 150), (0, 150)], fc="#dfeaf2", ec=BLUE, lw=4))
    corners = ((0, 150, "1.83 mm"), (300, 150, "nothing"), (0, 0, "3.45 mm"), (300, 0, "1.62 mm"))
    for x, y, words in corners:
        inwards_x, inwards_y = (14 if x == 0 else -14), (14 if y == 0 else -14)
        if words != "nothing":
            front.plot([x + inwards_x], [y + inwards_y], "s", ms=22, color=PURPLE)
        front.text(
            x, y + (-12 if y == 0 else 10), words, ha="center", va="top" if y == 0 else "bottom", fontsize=18
        )
    front.text(150, 75, "packing goes behind,\nbetween mirror and wall", ha="center", va="center")

    panel(side, "From the side: before, after", (-70, 215), (-55, 205))
    angle = math.radians(9)
    up = np.array([-math.sin(angle), math.cos(angle)])
    for x, words in ((30, "before"), (170, "after")):
        wall = np.array([x, 0.0])
        line(side, wall, wall + 185 * up, GREY, 9)
        line(side, (x - 75, 0), (x + 12, 0), GREY, 4)
        foot = wall + np.array([-12, 4])
        if words == "before":
            line(side, foot, foot + 150 * up, BLUE, 7)
        else:
            foot = foot + np.array([-150 * math.sin(angle), 0])
            block = np.array([[0, 0], [31, 0], [29, 18], [0, 18]])
            side.add_patch(Polygon(foot + block, fc=PURPLE, ec="none"))
            line(side, foot, foot + np.array([0, 150]), BLUE, 7)
        side.text(x - 25, -40, words, ha="center", fontsize=18)
    save(figure, "packing.png")


def slab() -> None:
    """The chief ray through the glass for the main image, with the symbols of the formula."""
    figure, axes = plt.subplots(figsize=(13, 7.4))
    index, thickness, order = 1.52, 60.0, 1
    a, b = 120.0, 215.0
    theta = math.radians(44)
    inside = math.asin(math.sin(theta) / index)
    panel(axes, "", (-260, 200), (-70, 330))
    axes.add_patch(Polygon([(0, -45), (thickness, -45), (thickness, 300), (0, 300)], fc="#dfeaf2", ec="none"))
    line(axes, (0, -45), (0, 300), BLUE, 3)
    line(axes, (thickness, -45), (thickness, 300), BLACK, 7)
    point = np.array([-a, 0.0])
    enter = np.array([0.0, a * math.tan(theta)])
    back = enter + np.array([thickness, thickness * math.tan(inside)])
    leave = np.array([0.0, back[1] + thickness * math.tan(inside)])
    eye = leave + np.array([-b, b * math.tan(theta)])
    for start, end in ((point, enter), (enter, back), (back, leave), (leave, eye)):
        line(axes, start, end, ORANGE, 3)
    depth = 2 * order * thickness * math.tan(inside) / math.tan(theta)
    image = np.array([a + depth, 0.0])
    line(axes, leave, image, PURPLE, 2.2, "--")
    axes.plot(*image, "o", ms=12, color=PURPLE)
    mirrored = np.array([a, 0.0])
    axes.plot(*mirrored, "o", ms=11, mfc="white", mec=BLUE, mew=2.5)
    axes.plot(*point, "o", ms=12, color=ORANGE)
    axes.plot(*eye, "o", ms=14, color=BLACK)
    axes.text(eye[0] + 16, eye[1] + 4, "eye", va="center", ha="left", fontsize=18)
    axes.text(point[0] - 8, 10, "point", ha="right", color=ORANGE, fontsize=18)
    axes.text(image[0] + 16, 0, "where it\nis seen", color=PURPLE, va="center", ha="left")
    axes.plot([a, a], [-8, -66], ":", color=BLUE, lw=1.8)
    axes.text(a, -70, "plain mirror image", color=BLUE, va="top", ha="center")
    for x, y, end, words in (
        (-a, -30, 0, "a"),
        (0, -30, a, "a"),
        (a, -30, a + depth, "δ"),
    ):
        axes.annotate("", (x, y), (end, y), arrowprops={"arrowstyle": "<|-|>", "lw": 2})
        axes.text((x + end) / 2 - (20 if x == 0 else 0), y - 6, words, ha="center", va="top", fontsize=20)
    axes.annotate("", (eye[0], 318), (0, 318), arrowprops={"arrowstyle": "<|-|>", "lw": 2})
    axes.text(eye[0] / 2, 326, "b", ha="center", fontsize=20)
    axes.annotate("", (-245, 0), (-245, eye[1]), arrowprops={"arrowstyle": "<|-|>", "lw": 2})
    axes.text(-251, eye[1] / 2, "ρ", ha="right", va="center", fontsize=20)
    axes.annotate("", (0, 318), (thickness, 318), arrowprops={"arrowstyle": "<|-|>", "lw": 2})
    axes.text(thickness / 2, 326, "t", ha="center", fontsize=20)
    line(axes, (-75, enter[1]), (0, enter[1]), GREY, 1.5, "--")
    line(axes, (0, enter[1]), (thickness, enter[1]), GREY, 1.5, "--")
    axes.text(-50, enter[1] - 23, "θ", fontsize=20)
    axes.text(34, enter[1] + 2, "θ′", fontsize=17)
    axes.text(-6, 88, "front face", rotation=90, ha="right", va="top", color=BLUE)
    axes.text(thickness + 8, 292, "silvering", rotation=90, ha="left", va="top")
    axes.set_ylim(-92, max(370, eye[1] + 20))
    axes.set_xlim(-280, 290)
    save(figure, "slab.png")


if __name__ == "__main__":
    for draw in (lean_and_turn, set_up, packing, slab):
        draw()
