"""Which tests reach a line: a map made by coverage.py, one part for each file of tests."""

from __future__ import annotations

import ast
import hashlib
import json
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache, cached_property
from pathlib import Path

import coverage

from tests.mutations.operators import Mutation, body_of, bound, head, is_function, lines_of
from tests.mutations.recorder import NOTES, TEST
from tests.mutations.trees import ROOT, Tree

FOLDER = ROOT / ".mutations"
SOURCES = ("app", "instruments")
_LIMIT_S = 1800.0
_QUICK = "not slow and not real_time"
"""What is slow would not be run in the seconds that a mutation has; what goes on in real time is
not to be relied on with others beside it."""

# Its warnings would be among what the programs under test print.
_SETTINGS = """
[run]
core = ctrace
parallel = true
data_file = {data}
include = {root}/app/*,{root}/instruments/*
context = ${{{test}-}}
disable_warnings = no-data-collected,module-not-measured,module-not-imported,already-imported
"""


@dataclass(frozen=True, order=True)
class Reaching:
    """A test that reaches a line, or whose file does for all of its tests; the best one first."""

    shared: bool
    seconds: float
    test: str


@cache
def digest(file: Path) -> str:
    """Return a checksum of a file, empty where there is none."""
    return hashlib.sha256(file.read_bytes()).hexdigest() if file.is_file() else ""


def test_files(under: list[str]) -> list[str]:
    """Return the files of tests under the given places; figures and our own tests reach nothing."""
    found = sorted(file for place in under for file in (ROOT / place).rglob("test_*.py"))
    found += [ROOT / place for place in under if (ROOT / place).is_file()]
    names = [str(file.relative_to(ROOT)) for file in found]
    return [n for n in names if not n.startswith(("tests/benchmarks/", "tests/mutations/"))]


class Part:
    """What one file of tests reaches. `files` holds the checksums of what it depends on."""

    def __init__(self, test_file: str) -> None:
        self.test_file = test_file
        self._data = FOLDER / (test_file.replace("/", ".") + ".lines")
        self._notes = self._data.with_suffix(".json")
        self._by_line: dict[Path, dict[int, list[str]]] = {}
        self.tree, self.files, self.seconds, self.failed = "", {}, {}, []
        if self._notes.exists() and self._data.exists():
            vars(self).update(json.loads(self._notes.read_text()))

    def changed(self, path: str) -> bool:
        return self.files.get(path) != digest(ROOT / path)

    @property
    def current(self) -> bool:
        """Whether neither the tests nor a function that they reach has changed since."""
        return bool(self.files) and not any(map(self.changed, self.files))

    def build(self, tree: Tree) -> None:
        """Run the tests in a copy of the checkout, with coverage's eyes on every process."""
        with tempfile.TemporaryDirectory(prefix="evenlobe-map-") as name:
            settings, notes = Path(name, "settings"), Path(name, "notes")
            data = Path(name, "lines")
            settings.write_text(_SETTINGS.format(data=data, root=tree.root, test=TEST))
            words = ["-p", "tests.mutations.recorder", "-m", _QUICK, self.test_file]
            variables = {NOTES: str(notes), "COVERAGE_PROCESS_START": str(settings)}
            _, printed = tree.pytest(words, _LIMIT_S, **variables)
            if not notes.exists():
                raise RuntimeError(f"{self.test_file} could not be run:\n{printed}")
            noted = json.loads(notes.read_text())
            lines = coverage.CoverageData(str(self._data))
            lines.erase()
            for file in data.parent.glob(data.name + ".*"):
                part = coverage.CoverageData(str(file))
                part.read()
                lines.update(part)
            lines.write()
        self._by_line.clear()
        vars(self).pop("_lines", None)
        self.tree, self.seconds, self.failed = str(tree.root), noted["seconds"], noted["failed"]
        files = [file for top in SOURCES for file in (tree.root / top).rglob("*.py")]
        files = [file for file in files if self._tests(file, functions(file))]
        files.append(tree.root / self.test_file)
        self.files = {str(f.relative_to(tree.root)): digest(f) for f in sorted(files)}
        kept = {name: getattr(self, name) for name in ("tree", "files", "seconds", "failed")}
        self._notes.write_text(json.dumps(kept, indent=1))

    @cached_property
    def _lines(self) -> coverage.CoverageData:
        lines = coverage.CoverageData(str(self._data))
        lines.read()
        return lines

    def _tests(self, file: Path, lines: frozenset[int]) -> set[str]:
        """Return the tests that reach lines of a file in the copy; "" stands for all of them."""
        if file not in self._by_line:
            self._by_line[file] = self._lines.contexts_by_lineno(str(file))
        by_line = self._by_line[file]
        return {test for line in lines & by_line.keys() for test in by_line[line]}

    def reaching(self, path: str, lines: frozenset[int]) -> Iterator[Reaching]:
        """Yield the tests that reach lines of a module; any of its functions where it changed."""
        if path not in self.files:
            return
        lines = functions(ROOT / path) if self.changed(path) else lines
        found = self._tests(Path(self.tree, path), lines)
        for test, seconds in self.seconds.items():
            if test in found or "" in found:
                yield Reaching(test not in found, seconds, test)


@cache
def _statements(file: Path) -> tuple[tuple[ast.stmt, frozenset[int], bool], ...]:
    """Return the statements of a module, their lines, and whether these run in a function."""
    found = []

    def walk(node: ast.AST, inside: bool) -> None:
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.stmt):
                found.append((child, lines_of(child), inside))
            walk(child, inside or is_function(child))

    walk(ast.parse(file.read_text()), inside=False)
    return tuple(found)


@cache
def functions(file: Path) -> frozenset[int]:
    """Return the lines within functions of a module: what does not run on import."""
    return frozenset().union(*(lines for _, lines, inside in _statements(file) if inside))


@cache
def _readers() -> dict[str, set[tuple[str, frozenset[int], bool, frozenset[str]]]]:
    """Return for each name the statements of the program that read it, wherever it is bound."""
    found: dict[str, set] = {}
    for file in (file for top in SOURCES for file in (ROOT / top).rglob("*.py")):
        for statement, lines, inside in _statements(file):
            if is_function(statement):  # its defaults, which count with its body
                lines, inside = body_of(statement), True
            place = (str(file.relative_to(ROOT)), lines, inside, bound(statement))
            for node in head(statement):
                if isinstance(getattr(node, "ctx", None), ast.Load):
                    name = getattr(node, "id", None) or getattr(node, "attr", "")
                    found.setdefault(name, set()).add(place)
    return found


def places(mutation: Mutation) -> dict[str, frozenset[int]]:
    """Return the lines that tell whether a test reaches a mutation, by module.

    A line that runs on import is reached by whoever reads the names that it binds, at first hand
    or through another such line; one that binds none by whoever calls a function of the module.
    """
    if mutation.names is None:
        return {mutation.path: mutation.lines}
    found: dict[str, frozenset[int]] = {}
    seen, names = set(), set(mutation.names)
    while names - seen:
        name = (names - seen).pop()
        seen.add(name)
        for path, lines, inside, binds in _readers().get(name, ()):
            if inside:
                found[path] = found.get(path, frozenset()) | lines
            else:
                names |= binds
    return found or {mutation.path: functions(ROOT / mutation.path)}


def reaching(parts: list[Part], mutation: Mutation) -> list[Reaching]:
    """Return the tests that reach a mutation, the most telling and fastest first."""
    best: dict[str, Reaching] = {}
    for path, lines in places(mutation).items():
        for part in parts:
            for found in part.reaching(path, lines):
                best[found.test] = min(found, best.get(found.test, found))
    return sorted(best.values())
