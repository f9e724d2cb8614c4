"""`python -m align`, and the command `align`: from its first instruction on, Ctrl-C ends it with one line."""

import os
import signal
import sys
from types import FrameType


def stop_early(_signal: int, _frame: FrameType | None) -> None:
    """End before anything was begun; with --json, by the contract's error object (`align.cli.errors`)."""
    words = "Interrupted before anything was done."
    if "--json" in sys.argv:
        answer = '{"format": "align-error-1", "error": "Interrupted", "message": "%s", "try": "Run it again."}\n'
        os.write(1, (answer % words).encode())
    else:
        os.write(2, f"{words}\n  Try: Run it again.\n".encode())
    os._exit(1)


def main() -> None:
    """Run the command line."""
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:  # not where a shell has it ignored
        signal.signal(signal.SIGINT, stop_early)
    from .cli.main import main as run

    if signal.getsignal(signal.SIGINT) is stop_early:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    run()


if __name__ == "__main__":
    main()
