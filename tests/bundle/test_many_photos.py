"""Many 12-megapixel photos in one call: memory does not grow with their number, and progress shows.

A child process is measured by its VmHWM: `getrusage` would tell the peak of the test process before the child's
program was started, for Linux carries that over (it measured the same 735 MB whatever the child did).
    python -m tests.test_many_photos COUNT     prints peak memory and time for COUNT photos
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from align.target.sheets import SHEETS
from tests.support.sighted import heights
from tests.support.synthetic import degrees_mirror, synthetic_photo, write_photo

SIZE = (4000, 3000)
#: One decoded grey photo [MB].
DECODED_MB = SIZE[0] * SIZE[1] / 1e6
MEASURE = """
import json, re, sys, time
from pathlib import Path
from align import check
started, said = time.time(), []
result = check(sys.argv[1:], progress=said.append)
peak = re.search(r"VmHWM:\\s*(\\d+) kB", Path("/proc/self/status").read_text()).group(1)
print(json.dumps({"peak_mb": int(peak) / 1024,
                  "seconds": time.time() - started, "said": said,
                  "half_width": result.mirrors[0].lean_deg.half_width,
                  "lean": result.mirrors[0].lean_deg.value}))
"""
LEAN_DEG = 0.5


def write_photos(folder, count, size=SIZE):
    """Photos of one scene from many places."""
    rng = np.random.default_rng(35)
    eyes = heights(rng, np.linspace(22, 48, count))
    paths = []
    for number, eye in enumerate(eyes):
        photo, _ = synthetic_photo(
            SHEETS["a5"], eye, [degrees_mirror(LEAN_DEG, -0.3, 30.0, 4.0)], size=size, rng=rng
        )
        paths.append(write_photo(folder / f"photo_{number:02d}.jpg", photo))
    return paths


def measured(paths):
    """Peak memory [MB], time [s] and progress of one call in a process of its own."""
    command = [sys.executable, "-c", MEASURE, *map(str, paths)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    return json.loads(done.stdout)


needs_proc = pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="peak memory is read from /proc")


@pytest.fixture(scope="module")
def photos(tmp_path_factory):
    return write_photos(tmp_path_factory.mktemp("many"), 7)


@needs_proc
def test_memory_does_not_grow_with_the_number_of_photos(photos):
    # Where the allocator places a photo's work is worth a photo or two either way: three once took 13 MB more than
    # two, and 9 MB more than four. Four more photos, decoded, would be 48 MB and their pyramids more.
    few, many = max((measured(photos[:n]) for n in (2, 3)), key=lambda one: one["peak_mb"]), measured(photos)
    assert many["peak_mb"] - few["peak_mb"] < 2 * DECODED_MB, (few["peak_mb"], many["peak_mb"])
    assert few["peak_mb"] > 5 * DECODED_MB  # the measurement sees the pixels at all
    assert abs(many["lean"] - LEAN_DEG) < 0.02
    assert many["half_width"] < few["half_width"]


@needs_proc
def test_progress_names_every_photo(photos):
    said = measured(photos[:3])["said"]
    assert said == [f"photo {n} of 3: photo_{n - 1:02d}.jpg" for n in (1, 2, 3)]


def test_progress_shows_on_a_terminal_and_keeps_off_stdout(photos):
    pty = pytest.importorskip("pty")
    leader, follower = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-m", "align", "check", "--json", *map(str, photos[:2])],
        stdout=subprocess.PIPE,
        stderr=follower,
        text=True,
    ) as child:
        answer, _ = child.communicate()
    os.close(follower)
    shown = os.read(leader, 4096).decode()
    os.close(leader)
    assert re.findall(r"photo \d of 2: photo_0\d.jpg", shown) == [
        "photo 1 of 2: photo_00.jpg",
        "photo 2 of 2: photo_01.jpg",
    ]
    assert json.loads(answer)["format"] == "align-check-1"


if __name__ == "__main__":
    folder = Path("/tmp/many_photos")
    folder.mkdir(exist_ok=True)
    made = write_photos(folder, int(sys.argv[1]))
    print(measured(made[:3]) | {"photos": 3})
    print(measured(made) | {"photos": len(made)})
