"""Writes jobs into a book without end, and says after each thing that it is kept.

Started as ``python -m tests.peers.bookwriter BOOK``, and killed at any instant.
"""

import sys
from itertools import count
from pathlib import Path

from app.book.writer import JobWriter
from app.job.model import Stage
from tests.app.book.jobs import DRIVE, HEAD, entry, now, outcome

JOB_LENGTH = 12


def main() -> None:
    """Write until killed."""
    path = Path(sys.argv[1])
    for job in count():
        keeper = JobWriter(DRIVE, HEAD, now, path=path)
        for number in range(JOB_LENGTH):
            keeper.keep(entry(number))
            say(keeper, f"taking {job} {number}")
        keeper.keep(outcome(float(job), Stage.AS_FOUND))
        say(keeper, f"outcome {job} 0")
        keeper.close(job, "")
        say(keeper, f"closed {job} 0")
        keeper.finish()


def say(keeper: JobWriter, line: str) -> None:
    """Print what is kept for certain."""
    if not keeper.flush(30.0):
        raise SystemExit(keeper.fault)
    print(line, flush=True)


if __name__ == "__main__":
    main()
