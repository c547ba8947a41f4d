"""Makes small faults in copies of the program and tells which no test notices.

Each seed picks faults, as many in each area. One run of the quick tests tells which of them reach
each fault; these are run with the fault made, fastest first, until one fails. The exit status is 0
when every fault was noticed, otherwise 1.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from difflib import unified_diff
from functools import cache
from itertools import accumulate
from pathlib import Path
from queue import SimpleQueue

import pytest

from tests.mutations.chosen import ORDER
from tests.mutations.operators import Mutation, made, mutations
from tests.mutations.reach import Reaching, reaching
from tests.mutations.trees import ROOT, Tree, failures

AREAS = {
    "analysis": ("app/analysis",),
    "live": ("app/live", "app/stream"),
    "job": ("app/job",),
    "book": ("app/book",),
    "instruments": ("instruments",),
    "dashboard": ("app/dashboard",),
}
SURVIVED, KILLED = "survived", "killed"
_SPARE_S = 30.0


@dataclass(frozen=True)
class Outcome:
    """What came of a mutation, how many tests reach it, and how many were to run."""

    mutation: Mutation
    reached: int
    run: int
    word: str
    by: str = ""


def pick(seed: int, count: int, only: str = "") -> list[Mutation]:
    """Choose mutations: area by area in turn, in each of them an operator, then a place."""
    chance, chosen = random.Random(seed), []
    areas: list[dict[str, list[Mutation]]] = []
    for tops in AREAS.values():
        areas.append({})
        for file in sorted(file for top in tops for file in (ROOT / top).rglob("*.py")):
            path = str(file.relative_to(ROOT))
            for mutation in _within(path) if path.startswith(only) else ():
                areas[-1].setdefault(mutation.operator, []).append(mutation)
    while len(chosen) < count and any(areas):
        for area in filter(None, areas):
            operator = chance.choice(sorted(area))
            chosen.append(area[operator].pop(chance.randrange(len(area[operator]))))
            if not area[operator]:
                del area[operator]
    return chosen[:count]


@cache
def _within(path: str) -> list[Mutation]:
    return mutations(path, (ROOT / path).read_text())


def judge(tree: Tree, mutation: Mutation, tests: list[Reaching], cap_s: float) -> Outcome:
    """Run the tests that reach a mutation, as many as their time allows, until one fails."""
    sums = accumulate(test.seconds for test in tests)
    run = [test for test, sum_s in zip(tests, sums, strict=True) if sum_s <= cap_s] or tests[:1]
    counts = (mutation, len(tests), len(run))
    if not run:
        return Outcome(*counts, SURVIVED)
    order = tree.root.with_suffix(".tests")
    order.write_text("\n".join(test.test for test in run))
    files = sorted({test.test.split("::")[0] for test in run})
    source = (tree.root / mutation.path).read_text()
    limit_s = _SPARE_S + 4.0 * sum(test.seconds for test in run)
    one_s = 2.0 * _SPARE_S + 8.0 * max(test.seconds for test in run)
    tree.write(mutation.path, made(mutation, source)[1])
    try:
        words = ["-x", "-p", "tests.mutations.chosen", f"--timeout={one_s:.0f}", *files]
        status, printed = tree.pytest(words, limit_s, **{ORDER: str(order)})
    finally:
        tree.write(mutation.path, source)
    if status == pytest.ExitCode.NO_TESTS_COLLECTED:
        return Outcome(mutation, 0, 0, SURVIVED)
    if status is None:
        return Outcome(*counts, KILLED, "the time limit")
    if status == pytest.ExitCode.OK:
        return Outcome(*counts, SURVIVED)
    by = [*failures(printed), *printed.strip().splitlines()[-1:]][0]
    return Outcome(*counts, KILLED, by)


def told(outcome: Outcome) -> str:
    """Return where a mutation is, what it does to the text, and what came of it."""
    mutation = outcome.mutation
    head = f"{mutation.path}:{mutation.line}: {mutation.operator}, {outcome.word}"
    if outcome.by:
        return f"{head} by {outcome.by}"
    texts = made(mutation, (ROOT / mutation.path).read_text())
    lines = unified_diff(*(text.splitlines() for text in texts), n=0, lineterm="")
    changed = [line for line in lines if not line.startswith(("---", "+++", "@@"))]
    some = "" if outcome.run == outcome.reached else f", {outcome.run} of them run"
    return "\n    ".join([f"{head}; tests that reach it: {outcome.reached}{some}", *changed])


def mutate(options: argparse.Namespace) -> int:
    """Make mutations and tell which survive; returns the exit status."""
    start = time.monotonic()
    words: dict[int, Counter[str]] = {seed: Counter() for seed in options.seed}
    picked = [
        (seed, mutation) for seed in words for mutation in pick(seed, options.count, options.only)
    ]
    trees: SimpleQueue[Tree] = SimpleQueue()

    def one(mutation: Mutation, tests: list[Reaching]) -> Outcome:
        tree = trees.get()
        try:
            return judge(tree, mutation, tests, options.cap)
        finally:
            trees.put(tree)

    with ExitStack() as stack:
        for _ in range(options.workers):
            folder = stack.enter_context(tempfile.TemporaryDirectory(prefix="evenlobe-tree-"))
            trees.put(Tree(Path(folder, "checkout")))
        first = trees.get()
        found = reaching(first, [mutation for _, mutation in picked], options.workers + 1)
        trees.put(first)
        pool = stack.enter_context(ThreadPoolExecutor(options.workers))
        outcomes = pool.map(one, [mutation for _, mutation in picked], found)
        for (seed, _), outcome in zip(picked, outcomes, strict=True):
            words[seed][outcome.word] += 1
            where = sys.stdout if outcome.word == SURVIVED else sys.stderr
            print(told(outcome), file=where, flush=True)
    for seed, counts in words.items():
        counted = ", ".join(f"{count} {word}" for word, count in sorted(counts.items()))
        print(f"{counts.total()} mutations of seed {seed}: {counted}")
    print(f"{(time.monotonic() - start) / 60.0:.0f} minutes")
    return 1 if any(counts[SURVIVED] for counts in words.values()) else 0


def main(arguments: list[str]) -> int:
    """Make the mutations of the given seeds; returns the exit status."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutations", description=__doc__)
    parser.add_argument(
        "--seed", type=int, nargs="+", required=True, help="make the mutations of these seeds"
    )
    parser.add_argument(
        "--count", type=int, default=60, help="how many of each (default: %(default)s)"
    )
    parser.add_argument("--only", default="", metavar="PATH", help="in modules that begin so")
    parser.add_argument(
        "--workers", type=int, default=2, help="side by side (default: %(default)s)"
    )
    parser.add_argument(
        "--cap", type=float, default=120.0, metavar="S", help="seconds of tests a mutation"
    )
    return mutate(parser.parse_args(arguments))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
