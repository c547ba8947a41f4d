"""Statements of the program that tell which test runs when they are reached.

Each process in a copy of the checkout (:mod:`tests.mutations.trees`) installs this as it starts,
hence imports of nothing that takes long. The files of the copy stay as they are, and so do the
lines of a traceback.
"""

from __future__ import annotations

import ast
import builtins
import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from hashlib import sha256
from importlib.machinery import SourceFileLoader
from pathlib import Path

FOLDER, _RUNNING = "EVENLOBE_PROBES", "EVENLOBE_RUNNING"
PLACES, TOLD = "places", "told"
"""What the folder holds: the numbers to tell, by file and by place; a link for all that is told."""

PROBE = "__told_by_probe__"
"""What probes call: a name that no module gives to anything else."""

Place = tuple[int, int]
"""Line and column at which a statement begins."""

_running = os.environ.get(_RUNNING, "")
_told: set[tuple[int, str]] = set()


@contextmanager
def running(test: str) -> Iterator[None]:
    """Have a test, or a file or folder of tests, told; the processes that it starts tell it too."""
    global _running
    before = _running
    _running = os.environ[_RUNNING] = test
    try:
        yield
    finally:
        _running = os.environ[_RUNNING] = before


def _reached(*numbers: int) -> None:
    for number in numbers:
        if (number, _running) not in _told:
            _told.add((number, _running))
            line = f"{number} {_running}"
            folder = Path(os.environ[FOLDER], TOLD)
            # A link, and no line of a file: a test may have the system refuse longer files.
            with suppress(FileExistsError):
                (folder / sha256(line.encode()).hexdigest()).symlink_to(line)


def probed(source: str, numbers: Mapping[Place, list[int]]) -> ast.Module:
    """Return a module's tree in which statements tell numbers before they run."""
    tree = ast.parse(source)
    for node in ast.walk(tree):
        for name in ("body", "orelse", "finalbody"):
            statements = getattr(node, name, None)
            if isinstance(statements, list):
                setattr(node, name, [new for old in statements for new in _probed(old, numbers)])
    return tree


def _probed(statement: ast.stmt, numbers: Mapping[Place, list[int]]) -> list[ast.stmt]:
    told = numbers.get((statement.lineno, statement.col_offset))
    if told is None:
        return [statement]
    (probe,) = ast.parse(f"{PROBE}{(*told,)}").body
    for node in ast.walk(probe):
        ast.copy_location(node, statement)
    is_docstring = isinstance(statement, ast.Expr) and isinstance(statement.value, ast.Constant)
    return [statement, probe] if is_docstring else [probe, statement]


def install() -> None:
    """Have the modules that this process imports tell what is reached in them."""
    places = ast.literal_eval(Path(os.environ[FOLDER], PLACES).read_text())
    usual = SourceFileLoader.get_code

    def get_code(loader: SourceFileLoader, name: str) -> object:
        if loader.path not in places:
            return usual(loader, name)
        tree = probed(Path(loader.path).read_text(encoding="utf-8"), places[loader.path])
        return compile(tree, loader.path, "exec", dont_inherit=True)

    SourceFileLoader.get_code = get_code
    setattr(builtins, PROBE, _reached)
