"""Peak memory of the commands on photos of 12 to 200 megapixels, for docs/hard_use.md.

    python -m tests.bench.memory FOLDER         makes the large photos in FOLDER and prints the table

The large photos are sample photos enlarged. Each command is a process of its own, whose peak is its VmHWM:
`getrusage` would begin with the peak of the process that started it.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
#: Photo sizes [px]: a phone's usual one, and those of sensors of 50, 108 and 200 megapixels.
SIZES = {12: (4032, 3024), 50: (8160, 6120), 108: (12000, 9000), 200: (16320, 12240)}
COMMANDS = {
    "check": ("arcade_leaning", ["check", "{photo}", "--json"]),
    "check --picture": ("arcade_leaning", ["check", "{photo}", "--json", "--picture", "{folder}/answer.png"]),
    "glass": ("arcade_lamps", ["glass", "{photo}", "--json"]),
    "glass --picture": ("arcade_lamps", ["glass", "{photo}", "--json", "--picture", "{folder}/glass.png"]),
}
CHILD = """
import re, sys, time
from pathlib import Path
from align.cli import align_group
try:
    align_group(prog_name="align")
except SystemExit as end:
    code = end.code
peak = re.search(r"VmHWM:\\s*(\\d+) kB", Path("/proc/self/status").read_text()).group(1)
print(int(peak) // 1024, code, round(time.process_time(), 1), file=sys.stderr)
"""


def enlarged(name: str, megapixels: int, folder: Path) -> Path:
    """A sample photo at another size, with its EXIF."""
    from PIL import Image

    Image.MAX_IMAGE_PIXELS = None
    path = folder / f"{name}_{megapixels}.jpg"
    if not path.exists():
        with Image.open(ROOT / "sample_images" / f"{name}.jpg") as image:
            image.resize(SIZES[megapixels], Image.Resampling.BICUBIC).save(path, quality=92, exif=image.getexif())
    return path


def measured(words: list[str]) -> tuple[int, int, float, str]:
    """(peak [MB], exit code, processor time [s], what was printed) of `align` with arguments."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run([sys.executable, "-c", CHILD, *words], capture_output=True, text=True, env=environment)
    peak, code, seconds = done.stderr.split()[-3:]
    return int(peak), int(code), float(seconds), done.stdout


def main() -> None:
    """Print the table, and each answer beside it."""
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    sizes = [int(size) for size in sys.argv[2:]] or list(SIZES)
    print("| command | " + " | ".join(f"{size} MP" for size in sizes) + " |")
    print("|---" * (len(sizes) + 1) + "|")
    for title, (name, words) in COMMANDS.items():
        row = [title]
        for size in sizes:
            photo = enlarged(name, size, folder)
            filled = [word.format(photo=photo, folder=folder) for word in words]
            peak, code, seconds, printed = measured(filled)
            row.append(str(peak))
            print(size, title, "exit", code, seconds, "s CPU", printed[:600], file=sys.stderr)
        print("| " + " | ".join(row) + " |", flush=True)


if __name__ == "__main__":
    main()
