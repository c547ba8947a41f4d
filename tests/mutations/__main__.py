"""Makes small faults in copies of the program and tells which no test notices.

``--map`` notes once which tests reach which line, and again for what has changed since; ``--seed``
picks faults, as many in each area, and runs the tests that reach them, fastest first, until one
fails. The exit status is 0 when every fault was noticed, otherwise 1.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from difflib import unified_diff
from functools import partial
from itertools import accumulate
from pathlib import Path
from queue import SimpleQueue
from typing import TypeVar

import pytest

from tests.mutations.chosen import ORDER
from tests.mutations.operators import Mutation, made, mutations
from tests.mutations.reach import FOLDER, Part, Reaching, reaching, test_files
from tests.mutations.trees import ROOT, Tree

AREAS = {
    "analysis": ("app/analysis",),
    "live": ("app/live", "app/stream"),
    "job": ("app/job",),
    "book": ("app/book",),
    "instruments": ("instruments",),
    "dashboard": ("app/dashboard",),
}
Thing = TypeVar("Thing")
Result = TypeVar("Result")
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
            for mutation in mutations(path, file.read_text()) if path.startswith(only) else ():
                areas[-1].setdefault(mutation.operator, []).append(mutation)
    while len(chosen) < count and any(areas):
        for area in filter(None, areas):
            operator = chance.choice(sorted(area))
            chosen.append(area[operator].pop(chance.randrange(len(area[operator]))))
            if not area[operator]:
                del area[operator]
    return chosen[:count]


def judge(tree: Tree, chosen: tuple[Mutation, list[Reaching]], cap_s: float) -> Outcome:
    """Run the tests that reach a mutation, as many as their time allows, until one fails."""
    mutation, tests = chosen
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
    failed = [line for line in printed.splitlines() if line.startswith(("FAILED", "ERROR"))]
    by = failed[0].split(" - ")[0] if failed else printed.strip().splitlines()[-1]
    return Outcome(*counts, KILLED, by) if status else Outcome(*counts, SURVIVED)


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


def in_trees(
    workers: int, does: Callable[[Tree, Thing], Result], things: list[Thing], stack: ExitStack
) -> Iterator[Result]:
    """Do something with each of many things, side by side, each worker in a tree of its own."""
    trees: SimpleQueue[Tree] = SimpleQueue()
    for _ in range(workers):
        folder = stack.enter_context(tempfile.TemporaryDirectory(prefix="evenlobe-tree-"))
        trees.put(Tree(Path(folder, "checkout")))

    def one(thing: Thing) -> Result:
        tree = trees.get()
        try:
            return does(tree, thing)
        finally:
            trees.put(tree)

    return stack.enter_context(ThreadPoolExecutor(workers)).map(one, things)


def build(parts: list[Part], workers: int) -> None:
    """Make the map of what is not mapped as it is now."""
    FOLDER.mkdir(exist_ok=True)
    old = [part for part in parts if not part.current]
    print(f"{len(parts)} files of tests, {len(old)} to be mapped", flush=True)
    with ExitStack() as stack:
        for part in in_trees(workers, _built, old, stack):
            print(f"{part.test_file}: {len(part.seconds)} tests", flush=True)
            for test in part.failed:
                print(f"    not counted, for it did not pass: {test}", flush=True)


def _built(tree: Tree, part: Part) -> Part:
    part.build(tree)
    return part


def main(arguments: list[str]) -> int:
    """Build the map or make the mutations; returns the exit status."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutations", description=__doc__)
    parser.add_argument("--seed", type=int, help="make the mutations of this seed")
    parser.add_argument("--count", type=int, default=60, help="how many (default: %(default)s)")
    parser.add_argument("--only", default="", metavar="PATH", help="in modules that begin so")
    parser.add_argument("--map", nargs="*", metavar="TESTS", help="map these tests, or all")
    parser.add_argument(
        "--workers", type=int, default=2, help="side by side (default: %(default)s)"
    )
    parser.add_argument(
        "--cap", type=float, default=60.0, metavar="S", help="seconds of tests a mutation"
    )
    options = parser.parse_args(arguments)
    if options.map is None and options.seed is None:
        parser.error("say --seed N or --map")
    if options.map is not None:
        build([Part(file) for file in test_files(options.map or ["tests"])], options.workers)
    return 0 if options.seed is None else mutate(options)


def mutate(options: argparse.Namespace) -> int:
    """Make mutations and tell which survive; returns the exit status."""
    start = time.monotonic()
    parts = [Part(file) for file in test_files(["tests"])]
    old = sum(not part.current for part in parts)
    if old:
        print(f"The map of {old} of {len(parts)} files of tests is out of date: run --map.")
    chosen = [
        (mutation, reaching(parts, mutation))
        for mutation in pick(options.seed, options.count, options.only)
    ]
    words: Counter[str] = Counter()
    with ExitStack() as stack:
        does = partial(judge, cap_s=options.cap)
        for outcome in in_trees(options.workers, does, chosen, stack):
            words[outcome.word] += 1
            where = sys.stdout if outcome.word == SURVIVED else sys.stderr
            print(told(outcome), file=where, flush=True)
    counts = ", ".join(f"{count} {word}" for word, count in sorted(words.items()))
    minutes = (time.monotonic() - start) / 60.0
    print(f"{len(chosen)} mutations of seed {options.seed}: {counts}; {minutes:.0f} minutes")
    return 1 if words[SURVIVED] else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
