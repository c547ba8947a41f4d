"""Runs cases, and prints a table of what came of them; ends with 1 where something is wrong.

Wrong cases are printed as they come, and every ten seconds how far it is, on standard error.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Iterable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tests.faults.case import Outcome

# One core is what each worker takes; set before numpy is imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

_TOLD_EACH_S = 10.0


def _options(arguments: list[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.faults", description=__doc__)
    add = parser.add_argument
    add("--seed", type=int, default=1, help="of all cases (default: 1)")
    add("--cases", type=int, default=100, help="in all (default: 100)")
    add("--kind", help="of this kind of source alone; “scope” for all scopes, “scope-A2” for some")
    add("--fault", help="this fault alone")
    add("--case", type=int, help="this case alone, with all that the screen showed")
    add("--workers", type=int, default=1, help="processes (default: 1)")
    options = parser.parse_args(arguments)
    if options.case is not None and not (options.kind and options.fault):
        parser.error("--case: state --kind and --fault too, as the line of a failing case has them")
    return options


def main(arguments: list[str]) -> int:
    """Run; return the exit status."""
    options = _options(arguments)
    from tests.faults import campaign, case

    if options.case is not None:
        key = case.Key(options.kind, options.fault, options.seed, options.case)
        outcome = campaign.run_one(key)
        for at_s, words in outcome.shown:
            print(f"{at_s:8.2f} s  {words}")
        print(f"job: {outcome.job}")
        print(*(outcome.faults or ["nothing wrong"]), sep="\n")
        return 1 if outcome.faults else 0
    keys = campaign.keys(options.seed, options.cases, options.kind, options.fault)
    outcomes, wrong, passed_s = _told(campaign.run(keys, options.workers), len(keys))
    print(campaign.table(outcomes))
    print(f"\n{len(outcomes)} cases, {wrong} wrong, in {passed_s:.0f} s")
    return 1 if wrong else 0


def _told(running: Iterable[Outcome], cases: int) -> tuple[list[Outcome], int, float]:
    """Take what comes of the cases, and tell of it meanwhile: all of it, the wrong, the seconds."""
    began_s = told_s = time.monotonic()
    outcomes: list[Outcome] = []
    wrong = 0
    for outcome in running:
        outcomes.append(outcome)
        if outcome.faults:
            wrong += 1
            print(f"{outcome.key}\n    " + "\n    ".join(outcome.faults), flush=True)
        if time.monotonic() - told_s >= _TOLD_EACH_S:
            told_s = time.monotonic()
            so_far = f"{len(outcomes)} of {cases} cases, {wrong} wrong"
            print(f"{so_far}, in {told_s - began_s:.0f} s", file=sys.stderr, flush=True)
    return outcomes, wrong, time.monotonic() - began_s


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
