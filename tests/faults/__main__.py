"""Runs cases, and prints a table of what came of them; ends with 1 where something is wrong."""

from __future__ import annotations

import argparse
import os
import sys
import time

# One core is what each worker takes; set before numpy is imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


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
    began_s = time.monotonic()
    keys = campaign.keys(options.seed, options.cases, options.kind, options.fault)
    outcomes = list(campaign.run(keys, options.workers))
    print(campaign.table(outcomes))
    failed = [each for each in outcomes if each.faults]
    for each in failed:
        print(f"{each.key}\n    " + "\n    ".join(each.faults))
    print(f"\n{len(outcomes)} cases, {len(failed)} wrong, in {time.monotonic() - began_s:.0f} s")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
