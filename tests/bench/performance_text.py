"""docs/performance.md from the measurements: what was aimed at, the tables, and how they were made."""

from __future__ import annotations

import statistics
from collections.abc import Iterator

from tests.bench.accuracy_tables import table
from tests.bench.performance_figures import ALLOWED, ALLOWED_MB, LABELS, NAMES
from tests.bench.performance_measured import Measured, ratios
from tests.bench.performance_stages import BESIDE, REST, STAGES

#: `--each` on two cores against one, and `align --help`, as the project asks.
EACH_FACTOR, HELP_S = 1.7, 0.3
#: ... and of the ratio of a check's time to the stock script's: its median over the sample photos, and the largest.
MEDIAN_RATIO, MOST_RATIO = 1.1, 1.4

MADE_BY = """\
Made by one command, which overwrites this page, its text included, and its figures:

    python -m tests.bench.performance --rounds {rounds} --each {each} --views {views}

Run on {date}: {cores} cores, Python {python}, OpenCV {opencv}, NumPy {numpy}; cores that other programs kept busy
just before it: {busy:.1f}.
{calm}
How near the answers come to the truth: [accuracy](accuracy.md). Ghosts: [which glass](glass.md). How small a single
marker may be: [the sheets](target.md). From a photo sent to the page at the mirror to its answer, and live:
[at the mirror](at_the_mirror.md#how-fast).
"""
PROVISIONAL = """
**Provisional: other programs ran at the same time.** Seconds are too long, ratios uncertain; memory and detection
rates hold.
"""

PAIRED_PROSE = """\
Whole processes as a user starts them, from an empty process to its end, in turn: stock script, check, check with
picture, again and again, after one round that does not count. A ratio is that of two neighbours in one round; the
table has the median and, in brackets, the smallest and the largest. Byte code is kept, as pip keeps it.

The stock script (`tests/bench/stock_route.py PHOTO SHEET`) imports OpenCV and the markers, reads the photo in grey,
runs `CharucoDetector` on it and on its flip, and computes no pose, no mirror and no interval. Where its detector
finds nothing, as on `street_far`, it is soon done. Of two mirrors (`two_mirrors`) a check matches five boards and
solves twice, first to tell single reflections from those by way of both: the ratio is largest there.
"""

STAGES_PROSE = """\
One process for each run, the program's functions timed within (`tests/bench/performance_stages.py`): own time,
without that of another stage that it calls; median of the runs [ms]. "Detect" finds markers and says where a board
is; "match" fits every corner to the print. The second core matches the reflections, or looks for them again, while
the first matches the target; "all else" is mostly waiting for it. Here all modules are imported first, to be told
apart; in a check as it is run, the photo is decoded and searched while the later ones are imported, which makes it
quicker than the sum of its stages. Python's own ending is not in it.
"""

EACH_PROSE = """\
{count} files, copies of the sample photos (8 and 12 megapixels) under names of their own, in one command
`align check PHOTO... --each --json`: once with one core to run on, once with two. The program starts a process for
each core that it may use, as the system says (`os.sched_getaffinity`); with one core it stays in one process.
"""

OTHERS_PROSE = """\
`glass` on `arcade_lamps` (three lamps); a record of {recorded} checks of 12-megapixel photos, each with its picture
at the photo's own size: adding one, the page with all captioned pictures to be made, and the page again.
Memory is the largest that the process ever held (`ru_maxrss`), the largest of all runs and photos.
"""

DETECTION_PROSE = """\
Drawn photos (`tests/support/synthetic.py`: refraction and the phone's blur, noise and tone curve, no ghosts, no
scenery) of
an A5 sheet, from {views} places; at each height the same places, with a photo just so large that the middle square
of the reflection is that high. Found: at least half of the corners, within 1 px (rms) of where they are. The stock
detector is given the flipped photo, at its native size, and needs four right corners.
"""


def page(m: Measured) -> str:
    """The whole page."""
    return "\n".join(_parts(m)).rstrip() + "\n"


def _parts(m: Measured) -> Iterator[str]:
    yield "# How fast it is, and how much memory it takes, measured\n"
    yield _made_by(m)
    yield "## In short\n"
    yield _reach(m)
    yield "## A check beside the bare stock script\n"
    yield PAIRED_PROSE
    yield _paired_table(m)
    yield f"![Times of the check over those of the stock script](figures/{NAMES[0]})\n"
    yield "## Stage by stage\n"
    yield STAGES_PROSE
    yield _stages_table(m)
    yield f"![Time of each stage](figures/{NAMES[1]})\n"
    if m.each:
        yield "## Many photos\n"
        yield EACH_PROSE.format(count=m.each[0].photos)
        yield _each_table(m)
    yield "## Other commands, and memory\n"
    yield OTHERS_PROSE.format(recorded=len(m.of("into")[0].runs))
    yield _others_table(m)
    yield f"![Largest memory of each command](figures/{NAMES[2]})\n"
    if m.rates:
        yield "## How small a reflection may be\n"
        yield DETECTION_PROSE.format(views=m.rates[0].views)
        yield _rates_table(m)
        yield f"![Reflections found against the height of their squares](figures/{NAMES[3]})\n"


def _made_by(m: Measured) -> str:
    machine = m.machine
    return MADE_BY.format(
        rounds=len(m.of("check")[0].runs),
        each=m.each[0].photos if m.each else 0,
        views=m.rates[0].views if m.rates else 0,
        date=machine.date,
        cores=machine.cores,
        python=machine.python,
        opencv=machine.opencv,
        numpy=machine.numpy,
        busy=machine.busy,
        calm="" if machine.calm else PROVISIONAL,
    )


def _reach(m: Measured) -> str:
    rows = [_reach_ratio(m, "check"), _reach_ratio(m, "picture"), *_reach_all(m)]
    peak = max(c.peak_mb for c in m.commands if c.what != "stock")
    rows.append(("largest memory of any command", f"< {ALLOWED_MB} MB", f"{peak:.0f} MB", peak < ALLOWED_MB))
    factor = _each_factor(m)
    if factor is not None:
        words = f"`--each` on {m.each[0].photos} photos, two cores against one"
        rows.append((words, f"≥ {EACH_FACTOR}", f"{factor:.2f} times as fast", factor >= EACH_FACTOR))
    slowest = max(run.wall_s for command in m.of("help") for run in command.runs)
    rows.append(("`align --help`, slowest run", f"≤ {HELP_S} s", f"{slowest:.2f} s", slowest <= HELP_S))
    if m.rates:
        small = _found_from(m)
        rows.append(("squares of a reflection that is always found", "", f"{small:g} px high and more", None))
    marks = {True: "met", False: "**not met**", None: ""}
    return table(("", "reach", "measured", ""), [(a, b, c, marks[met]) for a, b, c, met in rows])


def _reach_ratio(m: Measured, what: str) -> tuple[str, str, str, bool]:
    """The photo with the largest median ratio."""
    medians = {
        command.photo: statistics.median(ratios(command.runs, m.of("stock", command.photo)[0].runs))
        for command in m.of(what)
    }
    worst = max(medians, key=lambda photo: medians[photo])
    words = f"time of `{LABELS[what]}` over that of the bare stock script, slowest photo"
    met = medians[worst] <= ALLOWED[what]
    return words, f"≤ {ALLOWED[what]:g}", f"{medians[worst]:.2f} ({worst})", met


def _reach_all(m: Measured) -> list[tuple[str, str, str, bool]]:
    """Median and largest of all photos' median ratios."""
    medians = sorted(
        statistics.median(ratios(command.runs, m.of("stock", command.photo)[0].runs)) for command in m.of("check")
    )
    middle, last = statistics.median(medians), medians[-1]
    within = sum(ratio <= MOST_RATIO for ratio in medians)
    return [
        ("median of that ratio over the photos, `check --json`", f"≤ {MEDIAN_RATIO:g}", f"{middle:.2f}",
         middle <= MEDIAN_RATIO),
        ("the largest of them", f"≤ {MOST_RATIO:g}", f"{last:.2f}; {within} of {len(medians)} photos within",
         last <= MOST_RATIO),
    ]  # fmt: skip


def _paired_table(m: Measured) -> str:
    rows = []
    for stock in m.of("stock"):
        ours = [m.of(what, stock.photo)[0] for what in ("check", "picture")]
        seconds = [f"{command.wall_s:.2f}" for command in (stock, *ours)]
        spreads = [_spread(ratios(command.runs, stock.runs)) for command in ours]
        rows.append((stock.photo, *seconds, *spreads, str(len(stock.runs))))
    names = ("stock [s]", "check [s]", "with picture [s]", "check / stock", "with picture / stock")
    return table(("photo", *names, "rounds"), rows)


def _spread(values: list[float]) -> str:
    return f"{statistics.median(values):.2f} ({min(values):.2f} to {max(values):.2f})"


def _stages_table(m: Measured) -> str:
    names = ["all else" if stage == REST else stage for stage in STAGES]
    rows = [
        (
            row.photo,
            *(f"{1000 * row.seconds[stage]:.0f}" for stage in STAGES),
            f"{1000 * sum(row.seconds[stage] for stage in STAGES):.0f}",
            f"{1000 * row.seconds[BESIDE]:.0f}",
        )
        for row in m.stages
    ]
    return table(("photo", *names, "sum", "beside: reflections"), rows)


def _each_factor(m: Measured) -> float | None:
    """How many times as fast two cores are as one; None where both were not measured."""
    seconds = {each.cores: each.seconds for each in m.each}
    return seconds[1] / seconds[2] if {1, 2} <= set(seconds) else None


def _each_table(m: Measured) -> str:
    rows = [
        (str(each.cores), f"{each.seconds:.1f}", f"{each.seconds / each.photos:.2f}", str(each.photos))
        for each in m.each
    ]
    return table(("cores", "all photos [s]", "a photo [s]", "photos"), rows)


def _others_table(m: Measured) -> str:
    rows = []
    for what in dict.fromkeys(command.what for command in m.commands):
        found = m.of(what)
        runs = [run for command in found for run in command.runs]
        seconds = [run.wall_s for run in runs]
        rows.append(
            (
                LABELS.get(what, what),
                f"{statistics.median(seconds):.2f} ({min(seconds):.2f} to {max(seconds):.2f})",
                f"{statistics.median(run.processor_s for run in runs):.2f}",
                f"{max(run.peak_mb for run in runs):.0f}",
                str(len(runs)),
            )
        )
    return table(("command", "time [s]", "processor time [s]", "memory [MB]", "runs"), rows)


def _found_from(m: Measured) -> float:
    """The height from which on every reflection is found."""
    last = max((rate.height_px for rate in m.rates if rate.found < rate.views), default=0.0)
    return min((rate.height_px for rate in m.rates if rate.height_px > last), default=float("inf"))


def _rates_table(m: Measured) -> str:
    rows = [
        (
            f"{rate.height_px:g}",
            f"{rate.found} of {rate.views}",
            str(rate.wrong),
            f"{rate.stock} of {rate.views}",
            f"{rate.corner_px:.3f}" if rate.found else "–",
        )
        for rate in m.rates
    ]
    head = ("square height [px]", "found by align", "in a wrong place", "found by the stock detector",
            "corner error of align, rms [px]")  # fmt: skip
    return table(head, rows)
