"""The performance bench at its smallest, and how small a reflection may be. Nothing here depends on a clock."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import pytest

from tests.bench.performance import write_page
from tests.bench.performance_detection import Seen, rates, summary
from tests.bench.performance_figures import ALLOWED, draw_all
from tests.bench.performance_measured import Command, Each, Machine, Measured, Rate, Stages, load, ratios
from tests.bench.performance_processes import Run, run_in_turn, run_once, usable_cores
from tests.bench.performance_stages import BESIDE, DETECT, MATCH, PICTURE, SOLVE, STAGES, START, stage_times
from tests.support.synthetic import SHEETS, degrees_mirror, synthetic_photo, write_photo

VIEWS = 4


@pytest.fixture(scope="module")
def seen() -> list[Seen]:
    """Drawn photos whose reflected squares are 2 and 8 px high, from the same places."""
    return rates((2.0, 8.0), VIEWS)


def test_reflections_with_squares_of_eight_pixels_are_found_and_the_stock_detector_finds_none(seen):
    """All but one at least; a stock detector that found most would mean that the photos are too easy."""
    high = summary(seen)[1]
    assert high.height_px == 8.0
    assert high.found >= VIEWS - 1
    assert high.stock <= 1
    assert 0.01 < high.corner_px < 0.15


def test_reflections_with_squares_of_two_pixels_are_read_rightly_or_missed(seen):
    """A marker's cell is a fourth of a pixel high: only the whole print can tell, and what it tells is right."""
    assert [rate.wrong for rate in summary(seen)] == [0, 0]
    low = summary(seen)[0]
    assert low.found == 0 or low.corner_px < 0.5


def test_processes_are_measured_in_turn_and_failures_are_no_measurement() -> None:
    code = "import sys; data = bytearray(int(sys.argv[1])); sys.exit(3)"
    commands = {name: [sys.executable, "-S", "-c", code, size] for name, size in (("a", "1"), ("b", "90000000"))}
    runs = run_in_turn(commands, 2)
    assert [len(found) for found in runs.values()] == [2, 2]
    assert all(run.wall_s > 0 and run.processor_s > 0 for found in runs.values() for run in found)
    # A child begins with its parent's memory (performance_processes.py): the larger one shows all the same, unless
    # the tests themselves are larger.
    assert max(run.peak_mb for run in runs["b"]) > 85
    with pytest.raises(RuntimeError, match="expected an answer"):
        run_once([sys.executable, "-c", "raise SystemExit(1)"])


@pytest.mark.skipif(not usable_cores(), reason="this system holds no process to some of its cores")
def test_a_process_can_be_held_to_one_core() -> None:
    code = "import os, sys; sys.exit(0 if len(os.sched_getaffinity(0)) == 1 else 1)"
    run_once([sys.executable, "-c", code], cores=1)


def test_stages_of_a_check_are_told_apart(tmp_path: Path) -> None:
    photo, _ = synthetic_photo(SHEETS["a5"], (60, -500, 280), [degrees_mirror(0.4, -0.3, 40.0, 3.0)])
    found = stage_times(write_photo(tmp_path / "photo.jpg", photo), tmp_path / "answer.png", 1)
    assert (tmp_path / "answer.png").stat().st_size > 0
    assert [set(times) for times in found] == [{*STAGES, BESIDE}]
    assert all(found[0][stage] > 0 for stage in (START, DETECT, MATCH, SOLVE, PICTURE, BESIDE))
    assert min(found[0].values()) > -1e-3


def made_up() -> Measured:
    """A run that meets all but one of the marks."""
    machine = Machine("2026-01-02", 2, 0.1, "3.11", "5.0", "2.0")

    def command(what: str, seconds: tuple[float, ...], peak_mb: float) -> Command:
        return Command(what, "street", 12.2, tuple(Run(s, s, peak_mb) for s in seconds))

    commands = (
        command("stock", (0.5, 0.4, 0.5), 140.0),
        command("check", (0.75, 0.7, 0.7), 130.0),
        command("picture", (1.0, 1.0, 1.0), 220.0),
        command("help", (0.06, 0.07, 0.06), 22.0),
        command("into", (1.3, 1.4), 230.0),
        command("record first", (3.0, 3.1), 700.0),
    )
    stages = (Stages("street", dict.fromkeys((*STAGES, BESIDE), 0.1)),)
    each = (Each(2, 100, 40.0), Each(1, 100, 74.0))
    return Measured(machine, commands, stages, each, (Rate(4, 8, 6, 1, 0, 0.1), Rate(8, 8, 8, 0, 2, 0.05)))


def test_ratios_are_those_of_neighbours() -> None:
    measured = made_up()
    pairs = ratios(measured.of("check")[0].runs, measured.of("stock")[0].runs)
    assert pairs == pytest.approx([1.4, 1.5, 1.75])


def test_page_says_what_is_met_and_what_is_not(tmp_path: Path) -> None:
    made_up().save(tmp_path / "figures.json")
    write_page(load(tmp_path / "figures.json"), tmp_path)
    lines = (tmp_path / "performance.md").read_text(encoding="utf-8").splitlines()
    (time,) = [line for line in lines if line.startswith("| time of `check --json`")]
    assert "1.50 (street)" in time
    assert time.endswith("| met |")
    (memory,) = [line for line in lines if line.startswith("| largest memory")]
    assert memory.endswith("| 700 MB | **not met** |")
    (batch,) = [line for line in lines if line.startswith("| `--each` on 100 photos")]
    assert "1.85 times" in batch
    assert not [line for line in lines if "Provisional" in line]
    figures = {path.name for path in (tmp_path / "figures").iterdir()}
    assert {line.partition("(figures/")[2].rstrip(")") for line in lines if "](figures/" in line} == figures


@pytest.mark.parametrize("ratio", [0.3, 1.0, 1.75, 1.84, 2.0, 2.4, 3.8, 4.0, 4.3, 9.0])
def test_numbers_keep_clear_of_reach_lines_and_marks(tmp_path: Path, monkeypatch, ratio: float) -> None:
    """By the drawn artists' boxes: every median is on the picture, and over no line, mark or other number."""
    import matplotlib.pyplot as plt

    stock = [Run(1.0, 1.0, 140.0)] * 3
    timed = [Run(ratio * share, ratio, 140.0) for share in (0.95, 1.0, 1.05)]
    commands = [
        Command(what, photo, 12.2, tuple(stock if what == "stock" else timed))
        for photo in ("street", "arcade", "far")
        for what in ("stock", "check", "picture")
    ]
    closed = []
    monkeypatch.setattr(plt, "close", closed.append)
    draw_all(tmp_path, replace(made_up(), commands=tuple(commands)))
    monkeypatch.undo()
    figures = [figure for figure in closed if not isinstance(figure, str)]  # some matplotlibs first close "all"
    (axis,) = figures[0].axes
    numbers = [text.get_window_extent() for text in axis.texts if text.get_text() == f"{ratio:.2f}"]
    assert len(numbers) == 6
    lines = [line for line in axis.lines if list(line.get_xdata()) in ([mark] * 2 for mark in ALLOWED.values())]
    assert len(lines) >= 2
    others = [line.get_window_extent().padded(3) for line in axis.lines if len(line.get_xdata())]
    others += [text.get_window_extent() for text in axis.texts if text.get_text() != f"{ratio:.2f}"]
    for place, box in enumerate(numbers):
        assert figures[0].bbox.x0 < box.x0 < box.x1 < figures[0].bbox.x1
        assert not any(box.overlaps(other) for other in (*others, *numbers[:place]))
    drawn = [line.get_window_extent() for line in axis.lines if len(line.get_xdata()) == 3]
    assert all(axis.bbox.x0 < box.x0 < box.x1 < axis.bbox.x1 for box in drawn)
    for figure in figures:
        plt.close(figure)
