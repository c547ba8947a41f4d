"""Prints the tables that are named, or all but the three that take long."""

from __future__ import annotations

import argparse
import os
import sys
from functools import partial
from pathlib import Path

# One core is what the figures are about; set before numpy is imported.
os.environ["OPENBLAS_NUM_THREADS"] = "1"
os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")


def main(arguments: list[str]) -> int:
    """Print tables; returns the exit status."""
    from tests.benchmarks import (
        accuracy,
        book,
        coverage,
        heard,
        job,
        lag,
        load,
        paint,
        report,
        scope,
        soak,
        text,
        throughput,
    )

    reports = {
        "accuracy": accuracy.report,
        "lag": lag.report,
        "throughput": throughput.report,
        "text": text.report,
        "load": load.report,
        "paint": paint.report,
        "heard": heard.report,
        "scope": scope.report,
        "report": report.report,
        "book": book.report,
        "coverage": coverage.report,
    }
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description=__doc__)
    parser.add_argument(
        "names", metavar="TABLE", nargs="*", help=", ".join([*reports, "job", "kills", "soak"])
    )
    parser.add_argument(
        "--minutes",
        metavar="N",
        type=int,
        default=soak.MINUTES,
        help="length of the long run; 0 for its connects alone (default: %(default)s)",
    )
    parser.add_argument(
        "--drives",
        metavar="N",
        type=int,
        default=job.DRIVES,
        help="virtual drives that the jobs are done on (default: %(default)s)",
    )
    parser.add_argument(
        "--processes",
        metavar="N",
        type=int,
        default=job.PROCESSES,
        help="jobs at once (default: %(default)s)",
    )
    parser.add_argument(
        "--kept",
        metavar="FILE",
        type=Path,
        help="where the jobs that are done are kept, so that a run that was stopped goes on",
    )
    parser.add_argument(
        "--slow",
        metavar="TIMES",
        type=float,
        default=1.0,
        help="slow the clock of the live load down by so much, on a machine that others use too",
    )
    options = parser.parse_args(arguments)
    every = {
        **reports,
        "load": partial(load.report, slow=options.slow),
        "job": partial(
            job.report, drives=options.drives, processes=options.processes, kept=options.kept
        ),
        "kills": book.report_kills,
        "soak": partial(soak.report, minutes=options.minutes),
    }
    unknown = [name for name in options.names if name not in every]
    if unknown:
        parser.error(f"no table “{unknown[0]}”; choose from {', '.join(every)}")
    for name in options.names or reports:
        every[name](partial(print, flush=True))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
