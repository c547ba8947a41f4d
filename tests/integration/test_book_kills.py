"""A kill at any instant loses at most what is in hand; 200 of them: tests.benchmarks kills."""

import subprocess
import sys

import numpy as np
import pytest

from app.analysis.results import Verdict
from app.book.store import Book
from app.job.model import CheckName, Stage
from tests.app.bench import SIM
from tests.integration.killing import kill_once


@pytest.mark.timeout(240)
@pytest.mark.parametrize("kills", [5, pytest.param(15, marks=pytest.mark.slow)])
def test_a_killed_book_opens_clean_with_all_that_was_said_to_be_kept(tmp_path, kills):
    rng = np.random.default_rng(4)
    said = 0
    for number in range(kills):
        left = kill_once(tmp_path / f"{number % 3}.sqlite3", rng)
        said += left.said
        # What was being written may have been kept and not yet said.
        assert left.said <= left.kept <= left.said + 1
    assert said > kills


@pytest.mark.slow
def test_a_killed_job_is_gone_on_with_to_its_end(tmp_path):
    path = tmp_path / "book.sqlite3"
    # A drive on which all passes, wherever in a check the first job ends and the next begins.
    words = [sys.executable, "-m", "app", "job", f"{SIM}&pace=fast&offset_um=2"]
    words += ["--drive", "TM-0031", "--book", str(path)]
    job = subprocess.Popen(
        [*words, "--checks", "care,speed,radial,hysteresis,azimuth"],
        stdout=subprocess.PIPE,
        text=True,
    )
    # Killed in the hysteresis, and once more in what follows it.
    for end in ("radial side 1, as found", "hysteresis, as found"):
        assert job.stdout is not None
        for line in job.stdout:
            if line.startswith(end):
                break
        job.kill()
        job.communicate()
        with Book(path) as book:
            left = book.left(1)
        assert {each.stage for each in left.outcomes} <= {Stage.AS_FOUND, Stage.WORK}
        job = subprocess.Popen([*words, "--resume"], stdout=subprocess.PIPE, text=True)
    job.communicate(timeout=120.0)
    assert job.returncode == 0
    with Book(path) as book:
        assert book.numbers() == (1,)
        record = book.job(1)
    assert record.closed_at
    assert record.outcomes[: len(left.outcomes)] == left.outcomes
    done = [(each.check, each.stage, each.side) for each in record.outcomes]
    assert done.count((CheckName.SPEED, Stage.AS_FOUND, 0)) == 1
    assert done.count((CheckName.HYSTERESIS, Stage.AS_FOUND, 0)) == 1
    assert all(each.verdict is not Verdict.FAIL for each in record.outcomes)
