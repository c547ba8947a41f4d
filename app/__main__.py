"""The program's entry: the one place from which every layer is reached."""

from __future__ import annotations

import os
import signal
import sys

from app.ends import end, heard, status_of


def main() -> None:
    """Run the command line and leave with its exit status."""
    # A script's shell starts a job in the background with the interrupt ignored. Whoever sends one
    # to this program all the same means it, and a recording must not be the only one to hear it.
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    # The sums are many and small: threads that wait for each other would hold the needle up.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        # Imported here, so that Ctrl-C is answered as quietly while this takes its time.
        with heard(end):
            from app.cli.main import run

            status = run(sys.argv[1:])
    except KeyboardInterrupt:
        status = status_of(signal.SIGINT)
    sys.exit(status)


if __name__ == "__main__":
    main()
