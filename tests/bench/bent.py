"""How far numbers hold outside a flat world: python -m tests.bench.bent DIR [--out docs]

DIR holds photos that `python -m tests.bench.bent_photos DIR --seed S` has drawn. Each case goes through `align
check` and the stock route; DIR/answers.jsonl gets every answer beside its truth, OUT/accuracy_bent.md the tables.
--gate names what `python -m tests.bench.bent_gate` printed; --tables makes the page from DIR/answers.jsonl alone.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from tests.bench.bent_answers import add_answers, case_answers, cases_in, read_answers, with_stock
from tests.bench.bent_text import page

ROOT = Path(__file__).resolve().parents[2]


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--out", type=Path, default=ROOT / "docs")
    parser.add_argument("--gate", type=Path, help="JSON that tests/bench/bent_gate.py printed")
    parser.add_argument("--note", default="", help="a sentence for the page, such as when thresholds were frozen")
    parser.add_argument("--tables", action="store_true", help="solve nothing, read DIR/answers.jsonl")
    options = parser.parse_args()
    stored = options.folder / "answers.jsonl"
    if not options.tables:
        with_stock(options.folder)
        stored.unlink(missing_ok=True)
        for case in cases_in(options.folder):
            found = case_answers(case)
            add_answers(found, stored)
            print(found[0].case, len(case), file=sys.stderr, flush=True)
    gate = json.loads(options.gate.read_text(encoding="utf-8")) if options.gate else None
    text = page(read_answers(stored), gate, options.note)
    (options.out / "accuracy_bent.md").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
