"""Kills, power cuts and damaged books by the hundred: ``python -m tests.faults.store``."""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from tests.faults import damage, powercut
from tests.integration.killing import kill_once

_LINES = 56
_CUTS_A_TRACE = 50


def main(arguments: list[str]) -> int:
    """Print what was lost; returns 1 where something was."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults.store", description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kills", type=int, default=0, help="of a writer, at any instant")
    parser.add_argument("--cuts", type=int, default=0, help="of the power, at any instant")
    parser.add_argument("--damaged", type=int, default=0, help="books, each asked everything")
    options = parser.parse_args(arguments)
    failed = 0
    for what, count, of in (
        ("kill", options.kills, kills),
        ("power cut", options.cuts, cuts),
        ("damaged book", options.damaged, damaged),
    ):
        faults = list(of(options.seed, count))
        failed += len(faults)
        print(f"{what}s: {count}, of which wrong {len(faults)}", *faults, sep="\n    ", flush=True)
    return 1 if failed else 0


def kills(seed: int, count: int) -> Iterator[str]:
    """Kill a writer so often; yield what was lost."""
    rng = np.random.default_rng(seed)
    with _folder() as folder:
        for number in range(count):
            try:
                left = kill_once(folder / f"{number // 20}.sqlite3", rng)
            except Exception as fault:
                yield f"kill {number}: {type(fault).__name__}: {fault}"
                continue
            # What was being written may have been kept and not yet said.
            if not left.said <= left.kept <= left.said + 1:
                yield f"kill {number}: {left}"


def cuts(seed: int, count: int) -> Iterator[str]:
    """Cut the power so often; yield what was lost."""
    rng = np.random.default_rng(seed)
    calls: list[powercut.Call] = []
    for number in range(count):
        if number % _CUTS_A_TRACE == 0:
            with _folder() as folder:
                calls = powercut.recorded(folder, _LINES)
        at = int(rng.integers(len(calls) + 1))
        with _folder() as folder:
            try:
                said, kept = powercut.cut(calls, at, rng, folder)
            except Exception as fault:
                yield f"cut {number} after {at} calls: {type(fault).__name__}: {fault}"
                continue
            if kept < said:
                yield f"cut {number} after {at} calls: {said} said and {kept} kept"


def damaged(seed: int, count: int) -> Iterator[str]:
    """Damage so many books; yield what was answered wrongly."""
    with _folder() as folder:
        made = damage.whole(folder)
        for number in range(count):
            rng = np.random.default_rng([seed, number])
            with _folder() as each:
                yield from (f"book {number}: {said}" for said in damage.answered(made, rng, each))


@contextmanager
def _folder() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(prefix="evenlobe-faults-") as name:
        yield Path(name)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
