"""Which tests reach a mutation, as they tell in a copy."""

from tests.mutations import reach
from tests.mutations.operators import mutations
from tests.mutations.trees import Tree

MODULE = """
from functools import cache

_OFFSET = 3
_SUM = _OFFSET + 0.5

def in_a_fixture(a=8):
    return a // 2

@cache
def in_a_cache():
    return 11

def in_a_child():
    return 13 + _SUM

def never():
    return 17
"""
CASES = """
import subprocess, sys
import pytest
from app.held import in_a_cache, in_a_child, in_a_fixture
from tests.app.book.jobs import no_file_longer_than

@pytest.fixture(scope="module")
def made():
    return in_a_fixture()

def test_that_makes(made):
    pass

def test_that_finds(made):
    pass

def test_that_fills():
    in_a_cache()

def test_that_refills():
    in_a_cache()

def test_that_fills_the_disk():
    with no_file_longer_than(0):
        assert in_a_cache() == 11

def test_that_fails():
    in_a_cache()
    raise ValueError

def test_that_starts():
    words = [sys.executable, "-c", "from app.held import in_a_child as f; f()"]
    subprocess.run(words, check=True)

@pytest.mark.slow
def test_that_is_slow():
    in_a_cache()
"""
FILL = {"test_that_fills", "test_that_refills", "test_that_fills_the_disk"}
START = {"test_that_starts"}
ALL = {"test_that_makes", "test_that_finds"} | FILL | START


def test_what_tests_of_a_copy_reach(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(reach, "SOURCES", ("app/held",))
    tree = Tree(tmp_path / "checkout")
    (tree.root / "app/held").mkdir()
    tree.write("app/held/__init__.py", MODULE)
    tree.write("tests/test_cases.py", CASES)
    chosen = [
        each
        for each in mutations("app/held/__init__.py", MODULE)
        if each.operator == "constant changed"
    ]
    found = reach.reaching(tree, chosen, 1, "tests/test_cases.py")
    by_line = {
        MODULE.splitlines()[mutation.line - 1].strip(): {
            (each.test.partition("::")[2], each.shared) for each in tests
        }
        for mutation, tests in zip(chosen, found, strict=True)
    }
    shared, fill, start = ({(test, of is ALL) for test in of} for of in (ALL, FILL, START))
    assert by_line == {
        "_OFFSET = 3": start,
        "_SUM = _OFFSET + 0.5": start,
        "def in_a_fixture(a=8):": shared,
        "return a // 2": shared,
        "return 11": fill,
        "return 13 + _SUM": start,
        "return 17": set(),
    }
    assert "it did not pass: FAILED tests/test_cases.py::test_that_fails" in capsys.readouterr().out
