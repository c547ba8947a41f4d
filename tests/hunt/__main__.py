"""Hunts, and prints what was found; ends with 1 where a figure falls short."""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections.abc import Iterable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tests.hunt.campaign import Key
    from tests.hunt.through import Shown

# One core is what each worker takes; set before numpy is imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

_LATER = "Classes written after the analysis"


def _options(arguments: list[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.hunt", description=__doc__)
    add = parser.add_argument
    add("--seed", type=int, default=1, help="of all draws (default: 1)")
    add("--draws", type=int, default=20, help="of each class (default: 20)")
    add("--further", type=int, default=20, help="of each written after the analysis (default: 20)")
    add("--class", dest="names", metavar="NAME", action="append", help="this alone; more with more")
    add("--mixed", type=int, default=0, help="draws of several spoilers each")
    add("--live", type=int, default=0, help="draws of each class by the live needle")
    add("--calibration", type=int, default=0, help="draws of each row of conditions")
    add("--workers", type=int, default=2, help="processes (default: 2)")
    add("--minutes", type=float, default=240.0, help="the most it may take (default: 240)")
    add("--draw", type=int, help="this draw alone of the class that is named")
    add("--show", action="store_true", help="print what is true and what was read")
    add("--list", action="store_true", help="list the classes")
    return parser.parse_args(arguments)


def main(arguments: list[str]) -> int:
    """Hunt; return the exit status."""
    options = _options(arguments)
    from tests.hunt import calibration, campaign, classes, further, live, report

    if options.list:
        for name, each in campaign.CLASSES.items():
            print(f"{name:<30} {each.about}")
        return 0
    if options.draw is not None:
        return _one(campaign.Key(options.names[0], options.seed, options.draw), options.show)
    began_s = time.monotonic()

    def run(names: list[str], draws: int) -> list[campaign.Outcome]:
        left_s = 60 * options.minutes - (time.monotonic() - began_s)
        return list(campaign.run(names, options.seed, draws, options.workers, left_s))

    drawn = run(options.names or [each.name for each in classes.SINGLE], options.draws)
    apart = [each.name for each in further.FURTHER]
    watched = [f"live:{each.name}" for each in live.FURTHER_LIVE]
    if options.names is None:
        drawn += run(["mixed"], options.mixed) + run(list(live.LIVE), options.live)
        drawn += run(apart, options.further)
    rows = run([each.name for each in calibration.ROWS], options.calibration)
    took_s = time.monotonic() - began_s
    every = [*drawn, *rows]
    # What nobody told the analysis of is not counted among what it grew under.
    later = [each for each in drawn if each.key.name in (*apart, *watched)]
    outcomes = [each for each in drawn if each.key.name not in (*apart, *watched)]
    for title, group in (("Classes", [*outcomes, *rows]), (_LATER, later)):
        if group:
            print(report.class_table(group, title))
    print("### Failures\n", *report.failures(every), sep="\n")
    print("\n### Plain captures that were refused\n", *report.refusals(every), sep="\n")
    found: list[report.Figure] = []
    for title, figures in (
        ("Figures", (report.figures(outcomes) if outcomes else []) + report.row_figures(rows)),
        (f"Figures: {_LATER.lower()}", report.figures(later) if later else []),
    ):
        if figures:
            print(f"\n### {title}\n", *figures, sep="\n")
            found += figures
    print(f"\n{len(every)} draws, {60 * len(every) / took_s:.0f} a minute")
    return 0 if all(each.reached for each in found) else 1


def _one(key: Key, shows: bool) -> int:
    """Repeat one draw, and print what it is made of, what is true, what was read."""
    from tests.hunt import campaign, live, through

    outcome = campaign.tried(key)
    if shows:
        draw, made = campaign.drawn(key)
        print(f"{key.name}: {draw}\n{made.truth}\n{made.stated}")
        if key.name in live.LIVE:
            _print_course(through.watched(made))
        else:
            print(json.dumps(through.measured(made), indent=1))
    print(outcome.verdict)
    print(*(outcome.verdict.faults() or ("nothing wrong",)))
    return 1 if outcome.verdict.faults() else 0


def _print_course(course: Iterable[Shown]) -> None:
    """Print what a screen shows, ten times a second."""
    next_s = 0.0
    for each in course:
        if each.reading is None or each.time_s < next_s:
            continue
        next_s = each.time_s + 0.1
        reading = each.reading
        words = reading["ratio"] if reading["valid"] else "; ".join(reading["reasons"])
        print(f"{each.time_s:7.2f} s, of {each.at_s:.2f} s: {words}")


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
