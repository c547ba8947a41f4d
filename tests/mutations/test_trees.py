"""A copy of the checkout: its own code runs in it, and nothing is left of a run."""

from pathlib import Path

import pytest

from tests.mutations.trees import Tree

CASES = """
import subprocess, sys
from pathlib import Path

def test_code_of_the_copy_runs_in_it_and_in_what_it_starts():
    import app
    program = "import app; print(app.__file__)"
    words = [sys.executable, "-c", program]
    found = subprocess.run(words, cwd="/", env={}, check=True, capture_output=True, text=True)
    assert found.stdout.strip() == app.__file__ == str(Path("app/__init__.py").resolve())

def test_that_leaves_something_behind():
    words = [sys.executable, "-c", "import time; time.sleep(3600)"]
    global child  # held, or its end would warn
    child = subprocess.Popen(words, start_new_session=True)
    Path("child").write_text(str(child.pid))

def test_that_stays():
    import time
    time.sleep(3600)
"""


@pytest.fixture
def tree(tmp_path):
    tree = Tree(tmp_path / "checkout")
    tree.write("tests/test_cases.py", CASES)
    return tree


def test_the_copy_s_own_code_runs_in_it(tree):
    status, printed = tree.pytest(["tests/test_cases.py", "-k", "copy"], 60.0)
    assert (status, "1 passed" in printed) == (0, True), printed


def test_nothing_that_a_run_started_outlives_it(tree):
    status, printed = tree.pytest(["tests/test_cases.py", "-k", "behind"], 60.0)
    assert status == 0, printed
    child = (tree.root / "child").read_text()
    assert not Path("/proc", child, "exe").exists()  # one that ended and is not waited for has none


def test_a_run_that_takes_too_long_is_ended(tree):
    status, _ = tree.pytest(["tests/test_cases.py", "-k", "stays"], 0.5)
    assert status is None
