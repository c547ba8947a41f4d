"""Which tests reach a mutation: those at which a probe in its place tells so."""

from __future__ import annotations

import ast
import os
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.mutations.operators import Mutation, bound, head, is_function, place_of
from tests.mutations.probes import FOLDER, PLACES, TOLD, Place
from tests.mutations.trees import Tree, failures

SOURCES = ("app", "instruments")
SECONDS = "seconds"
"""What the folder of probes holds as well: a line for each test that passed."""

_LIMIT_S = 7200.0
# What is slow would not be run in the seconds that a mutation has; what goes on in real time is
# not to be relied on with others beside it; figures and our own tests reach nothing.
_QUICK = ["--dist=loadfile", "-m", "not slow and not real_time"]
_QUICK += ["--ignore=tests/benchmarks", "--ignore=tests/mutations"]


@dataclass(frozen=True, order=True)
class Reaching:
    """A test that reaches a mutation, or whose file does for all of its tests; the best first."""

    shared: bool
    seconds: float
    test: str


@dataclass(frozen=True)
class _Statement:
    """A statement of the program, and whether its place is within a function."""

    path: str
    place: Place
    inside: bool
    binds: frozenset[str]
    reads: frozenset[str]


def _statements(root: Path) -> Iterator[_Statement]:
    def walk(node: ast.AST, inside: bool) -> Iterator[_Statement]:
        for child in ast.iter_child_nodes(node):
            within = inside or is_function(child)
            if isinstance(child, ast.stmt):
                loads = [n for n in head(child) if isinstance(getattr(n, "ctx", None), ast.Load)]
                reads = frozenset(getattr(n, "id", getattr(n, "attr", "")) for n in loads)
                yield _Statement(path, place_of(child), within, bound(child), reads)
            yield from walk(child, within)

    for file in (file for top in SOURCES for file in (root / top).rglob("*.py")):
        path = str(file.relative_to(root))
        yield from walk(ast.parse(file.read_text()), inside=False)


def _places(mutation: Mutation, program: list[_Statement]) -> set[tuple[str, Place]]:
    """Return the places that tell whether a test reaches a mutation.

    A statement that runs on import is reached by whoever reads the names that it binds, at first
    hand or through another such statement; one that binds none by whoever calls a function of the
    module.
    """
    if mutation.names is None:
        return {(mutation.path, mutation.place)}
    names, size = set(mutation.names), -1
    while len(names) > size:
        size = len(names)
        names.update(*(each.binds for each in program if not each.inside and each.reads & names))
    readers = [each for each in program if each.inside and each.reads & names]
    readers = readers or [each for each in program if each.inside and each.path == mutation.path]
    return {(each.path, each.place) for each in readers}


def reaching(
    tree: Tree, mutations: list[Mutation], workers: int, tests: str = "tests"
) -> list[list[Reaching]]:
    """Return for each mutation the tests that reach it; runs the quick tests once in a copy.

    Tests that do not pass there are printed and not counted.
    """
    program = list(_statements(tree.root))
    numbers: dict[str, dict[Place, list[int]]] = {}
    for number, mutation in enumerate(mutations):
        for path, place in _places(mutation, program):
            by_place = numbers.setdefault(str(tree.root / path), {})
            by_place.setdefault(place, []).append(number)
    with tempfile.TemporaryDirectory(prefix="evenlobe-probes-") as name:
        Path(name, PLACES).write_text(repr(numbers))
        Path(name, TOLD).mkdir()
        words = ["-p", "tests.mutations.recorder", f"--numprocesses={workers}", *_QUICK, tests]
        _, printed = tree.pytest(words, _LIMIT_S, **{FOLDER: name})
        if not Path(name, SECONDS).exists():
            raise RuntimeError(f"the tests could not be run:\n{printed}")
        told = [os.readlink(link).split(" ", 1) for link in Path(name, TOLD).iterdir()]
        timed = [line.split(" ", 1) for line in Path(name, SECONDS).read_text().splitlines()]
    for line in failures(printed):
        print(f"Not counted, for it did not pass: {line}", flush=True)
    by: list[set[str]] = [set() for _ in mutations]
    for number, test in told:
        by[int(number)].add(test)
    return [_best({test: float(taken_s) for taken_s, test in timed}, each) for each in by]


def _best(seconds: dict[str, float], told: set[str]) -> list[Reaching]:
    """Return the tests that told, and those of a file that did, the fastest first."""
    wider = tuple(told - seconds.keys())
    return sorted(
        Reaching(test not in told, taken_s, test)
        for test, taken_s in seconds.items()
        if test in told or test.startswith(wider)
    )
