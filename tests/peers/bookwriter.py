"""Writes jobs into a book without end, and says after each thing that it is kept.

Started as ``python -m tests.peers.bookwriter BOOK``, and killed at any instant; with a number
behind it ends once it has said about so many things.
"""

import sys
from itertools import count
from pathlib import Path

from app.book.writer import JobWriter
from app.job.model import Stage
from tests.app.book.jobs import DRIVE, HEAD, entry, now, outcome

JOB_LENGTH = 12


def main() -> None:
    """Write until killed, or until enough is said."""
    path = Path(sys.argv[1])
    most = int(sys.argv[2]) if len(sys.argv) > 2 else None
    jobs = count() if most is None else range(most // (JOB_LENGTH + 2))
    for job in jobs:
        writer = JobWriter(DRIVE, HEAD, now, path=path)
        for number in range(JOB_LENGTH):
            writer.keep(entry(number))
            say(writer, f"taking {job} {number}")
        writer.keep(outcome(float(job), Stage.AS_FOUND))
        say(writer, f"outcome {job} 0")
        writer.close(job, "")
        say(writer, f"closed {job} 0")
        writer.finish()


def say(writer: JobWriter, line: str) -> None:
    """Print what is kept for certain."""
    if not writer.flush(30.0):
        raise SystemExit(writer.fault)
    print(line, flush=True)


if __name__ == "__main__":
    main()
