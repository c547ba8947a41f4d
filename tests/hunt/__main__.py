"""Hunts, and prints what was found; ends with 1 where a figure falls short."""

from __future__ import annotations

import argparse
import os
import sys
import time

# One core is what each worker takes; set before numpy is imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def _options(arguments: list[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.hunt", description=__doc__)
    parser.add_argument("--seed", type=int, default=1, help="of all draws (default: 1)")
    parser.add_argument("--draws", type=int, default=20, help="of each class (default: 20)")
    parser.add_argument(
        "--class",
        dest="names",
        metavar="NAME",
        action="append",
        help="this one alone; again for more",
    )
    parser.add_argument("--mixed", type=int, default=0, help="draws of several spoilers each")
    parser.add_argument(
        "--calibration", type=int, default=0, help="draws of each row of conditions"
    )
    parser.add_argument("--workers", type=int, default=2, help="processes (default: 2)")
    parser.add_argument("--minutes", type=float, default=240.0, help="the most it may take")
    parser.add_argument("--draw", type=int, help="one draw of the class named")
    parser.add_argument("--show", action="store_true", help="print truth and reading of that draw")
    parser.add_argument("--list", action="store_true", help="list the classes")
    return parser.parse_args(arguments)


def main(arguments: list[str]) -> int:
    """Hunt; return the exit status."""
    options = _options(arguments)
    from tests.hunt import calibration, campaign, classes, report

    if options.list:
        for each in campaign.CLASSES.values():
            print(f"{each.name:<24} {each.about}")
        return 0
    if options.draw is not None:
        return _show(campaign.Key(options.names[0], options.seed, options.draw))
    began_s = time.monotonic()
    names = options.names or [each.name for each in classes.SINGLE]
    parts = [(names, options.draws), (["mixed"], options.mixed)]
    rows = [each.name for each in calibration.ROWS]
    outcomes = []
    for several, draws in parts:
        left_s = 60 * options.minutes - (time.monotonic() - began_s)
        outcomes += campaign.run(several, options.seed, draws, options.workers, left_s)
    left_s = 60 * options.minutes - (time.monotonic() - began_s)
    held = list(campaign.run(rows, options.seed, options.calibration, options.workers, left_s))
    took_s = time.monotonic() - began_s
    print(report.class_table([*outcomes, *held]))
    for heading, lines in (
        ("Failures", report.failures([*outcomes, *held])),
        ("Plain captures that were refused", report.refusals([*outcomes, *held])),
    ):
        print(f"### {heading}\n")
        print("\n".join(lines) or "none")
        print()
    found = report.figures(outcomes) + report.row_figures(held)
    print("### Figures\n")
    print("\n".join(map(str, found)))
    count = len(outcomes) + len(held)
    print(
        f"\n{count} draws in {took_s / 60:.1f} min: {60 * count / max(took_s, 1e-9):.0f} a minute"
    )
    return 0 if all(each.reached for each in found) else 1


def _show(key: object) -> int:
    """Print one draw: what it is made of, what is true, what was read."""
    import json
    from dataclasses import asdict

    from tests.hunt.campaign import Key, drawn
    from tests.hunt.judge import judge
    from tests.hunt.through import measured

    assert isinstance(key, Key)
    draw, made = drawn(key)
    conditions = draw.conditions
    print(
        f"{key.name}: {'plain' if draw.is_plain else 'not plain'}; {' '.join(map(str, draw.doses))}"
    )
    print(
        f"{conditions.kind.name}, {conditions.pattern.geometry} ({conditions.pairs} pairs), "
        f"{'index' if conditions.has_index else 'no index'}, {conditions.turns:.2f} turns, "
        f"{conditions.snr_db:.1f} dB, {conditions.rate_hz:g} Hz, "
        f"{conditions.nominal_carrier_hz:.0f} Hz carrier, {conditions.height_v:.3f} V, "
        f"balance {conditions.pattern.balance:+.4f}, {len(made.parts)} parts, {made.stated}"
    )
    print("truth  ", json.dumps(asdict(made.truth)))
    reading = measured(made)
    print("reading", json.dumps(reading, indent=1))
    verdict = judge(reading, made.truth)
    print("verdict", verdict.faults() or "nothing wrong", verdict.ratio, verdict.speed)
    return 1 if verdict.faults() else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
