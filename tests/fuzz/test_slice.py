"""A slice of ``python -m tests.fuzz``: some changed input for each reader, the same each time."""

import numpy as np
import pytest

from tests.fuzz.mutator import LONGEST, mutated
from tests.fuzz.running import fuzzed
from tests.fuzz.targets import TARGETS

EXECUTIONS = {"csv": 60, "wav": 60, "import": 100, "blackbox": 100}
"""Where each takes some milliseconds."""


@pytest.mark.parametrize("name", TARGETS)
def test_nothing_comes_out_but_refusals_in_a_sentence(name):
    target = TARGETS[name]
    found = fuzzed(target, len(target.corpus()) + EXECUTIONS.get(name, 300), seed=3)
    assert not found.finds
    # One that refuses everything in one way has not been reached.
    assert found.answers >= 3


@pytest.mark.parametrize("fault", [ValueError("beyond"), MemoryError(), RuntimeWarning("odd")])
def test_what_is_no_refusal_is_a_find(fault):
    from contextlib import nullcontext

    from tests.fuzz.targets import Target

    def read(data):
        if b"x" in data:
            raise fault
        return "read"

    target = Target("made", lambda folder: nullcontext(read), lambda: [b"a", b"ax"])
    found = fuzzed(target, 50, seed=1)
    assert found.executions == 50
    assert [find.data for find in found.finds] == [b"ax"]


def test_input_stays_within_its_length():
    rng = np.random.default_rng(1)
    corpus = [b"#9000000003abc", b"x" * LONGEST]
    made = [mutated(corpus, rng) for _ in range(300)]
    assert max(map(len, made)) <= LONGEST
    assert len(set(made)) > 250
