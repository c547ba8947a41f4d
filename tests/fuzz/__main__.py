"""Tries a target with changed input; ends with 1 where something came out that should not."""

from __future__ import annotations

import argparse
import os
import sys

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")


def main(arguments: list[str]) -> int:
    """Fuzz; return the exit status."""
    from tests.fuzz.running import fuzzed, limited
    from tests.fuzz.targets import TARGETS

    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("--target", choices=TARGETS, help="this alone")
    parser.add_argument("--executions", type=int, default=1000, help="of each (default: 1000)")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args(arguments)
    limited()
    failed = 0
    for name in [options.target] if options.target else TARGETS:
        found = fuzzed(TARGETS[name], options.executions, options.seed)
        failed += len(found.finds)
        print(
            f"{name}: {found.executions} executions, {found.answers} answers, "
            f"slowest {found.slowest_s:.2f} s, {len(found.finds)} finds",
            flush=True,
        )
        for find in found.finds:
            print(f"    {find.why}\n    input: {find.data[:200]!r} ({len(find.data)} bytes)")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
