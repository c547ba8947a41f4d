"""The hunt is of its own: it shares no line with what it hunts."""

import ast
from pathlib import Path

import pytest

STRANGE = (
    "app.analysis",
    "instruments.virtual",
    "tests.synthesis",
    "tests.app",
    "tests.instruments",
)
FILES = sorted(Path(__file__).parent.glob("*.py"))


def imported(source: str) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            names |= {each.name for each in node.names}
        elif isinstance(node, ast.ImportFrom):
            names |= {f"{node.module}.{each.name}" for each in node.names}
    return names


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_nothing_of_the_analysis_or_the_virtual_drive_is_imported(path: Path):
    assert not [name for name in imported(path.read_text("utf-8")) if name.startswith(STRANGE)]


def test_an_import_of_them_would_be_seen():
    assert imported("from app.analysis import envelope\nimport instruments.virtual.drive") == {
        "app.analysis.envelope",
        "instruments.virtual.drive",
    }
