"""Prints the tables that are named, or all of them."""

from __future__ import annotations

import os
import sys

# One core is what the figures are about; set before numpy is imported.
os.environ["OPENBLAS_NUM_THREADS"] = "1"
os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")


def main(names: list[str]) -> int:
    """Print tables; returns the exit status."""
    from tests.benchmarks import accuracy, lag, load, scope, throughput

    reports = {
        "accuracy": accuracy.report,
        "lag": lag.report,
        "throughput": throughput.report,
        "load": load.report,
        "scope": scope.report,
    }
    unknown = [name for name in names if name not in reports]
    if unknown:
        sys.stderr.write(f"no table “{unknown[0]}”; choose from {', '.join(reports)}\n")
        return 2
    for name in names or reports:
        reports[name](print)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
