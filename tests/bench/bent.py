"""How far numbers hold outside a flat world: python -m tests.bench.bent DIR [--out docs]

DIR holds photos that `python -m tests.bench.bent_photos DIR --seed S` has drawn. Each case goes through `align
check` and the stock route; DIR/answers/CASE.jsonl gets its answers beside their truth, OUT/accuracy_bent.md the
tables. Cases that were answered are not answered again: remove DIR/answers after the solve has changed. Processes
side by side, after --stock (the stock route alone), each take a --share such as 1/2 and 2/2 and leave the page
to --tables, which solves nothing. --gate names what `python -m tests.bench.bent_gate` printed.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from tests.bench.bent_answers import TOGETHER, case_answers, cases_in, read_answers, with_stock, write_answers
from tests.bench.bent_text import page

ROOT = Path(__file__).resolve().parents[2]


def answer_cases(folder: Path, stored: Path, share: str) -> None:
    """Answer the cases of a share that have no answers yet, the groups in turn; photos alone, then sets of them."""
    stored.mkdir(exist_ok=True)
    number, of = (int(part) for part in share.split("/"))
    cases = list(cases_in(folder))[number - 1 :: of]
    for together in (False, True):
        for case in cases:
            chosen = [photos for photos in case if (len(photos.paths) > 1) == together]
            path = stored / f"{case[0].truths[0]['case']}{TOGETHER if together else ''}.jsonl"
            if chosen and not path.exists():
                write_answers(case_answers(chosen), path)
                print(path.stem, len(chosen), file=sys.stderr, flush=True)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--out", type=Path, default=ROOT / "docs")
    parser.add_argument("--gate", type=Path, help="JSON that tests/bench/bent_gate.py printed")
    parser.add_argument("--note", default="", help="a sentence for the page, such as when thresholds were frozen")
    parser.add_argument("--seed", type=int, default=7904, help="what the photos were drawn with, for the page")
    parser.add_argument("--tables", action="store_true", help="solve nothing, read DIR/answers")
    parser.add_argument("--stock", action="store_true", help="run the stock route on photos without it, no more")
    parser.add_argument("--share", default="", help="K/N: answer the K-th of every N cases, write no page")
    options = parser.parse_args()
    if options.stock:
        with_stock(options.folder)
        return
    stored = options.folder / "answers"
    if not options.tables:
        if not options.share:
            with_stock(options.folder)
        answer_cases(options.folder, stored, options.share or "1/1")
    if options.share:
        return
    gate = json.loads(options.gate.read_text(encoding="utf-8")) if options.gate else None
    text = page(read_answers(stored), gate, options.note, options.seed)
    (options.out / "accuracy_bent.md").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
