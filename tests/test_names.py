"""One word for one thing: what the tree of names promises a reader."""

import ast
from collections import Counter
from pathlib import Path

_ROOT = Path(__file__).resolve().parents[1]
_MODULES = [path for package in ("app", "instruments") for path in _ROOT.glob(f"{package}/**/*.py")]


def _public_classes(path: Path) -> list[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    names = [each.name for each in tree.body if isinstance(each, ast.ClassDef)]
    return [name for name in names if not name.startswith("_")]


def test_no_public_class_shares_its_name_with_another() -> None:
    counts = Counter(name for path in _MODULES for name in _public_classes(path))
    assert counts["Reading"] == 1
    assert [name for name, count in counts.items() if count > 1] == []


def test_no_module_is_longer_than_a_reader_holds_in_the_head() -> None:
    lines = {path: path.read_text(encoding="utf-8").count("\n") for path in _MODULES}
    assert max(lines.values()) > 100
    assert [path for path, count in lines.items() if count > 900] == []
