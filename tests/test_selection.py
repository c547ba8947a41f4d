"""Which cases run every time."""

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
FILE = "tests/app/analysis/lobes/test_taught.py"
FEW = "test_a_measurement_beside_the_needle_knows_the_side["


def collected(*options, of=FILE):
    words = (sys.executable, "-m", "pytest", "--collect-only", "-q", "-n0", *options, of)
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=True)
    return [line for line in done.stdout.splitlines() if "::" in line]


@pytest.mark.slow
def test_of_the_cases_of_few_the_first_and_the_last_run_every_time_and_all_with_all():
    every, quick = collected(), collected("-m", "not slow")
    assert [line for line in every if FEW not in line] == [
        line for line in quick if FEW not in line
    ]
    cases = [line for line in every if FEW in line]
    assert len(cases) > 2
    assert [line for line in quick if FEW in line] == [cases[0], cases[-1]]


@pytest.mark.slow
def test_no_test_in_real_time_is_overlooked_where_files_without_one_are_left_unread():
    slow = "(slow or not slow)"
    quickly = collected("-m", f"{slow} and real_time", of="tests")
    # Another way to say the same, at which every file is read.
    assert quickly == collected("-m", f"real_time and {slow}", of="tests") != []
