"""A slice of ``python -m tests.fuzz``: what has once reached new code, and some changes of it."""

import json
import subprocess
import sys
import warnings
from contextlib import nullcontext

import pytest
from hypothesis import HealthCheck, given, settings

from tests.fuzz.changing import changed, changed_tree
from tests.fuzz.corpora import dictionary, kept, known
from tests.fuzz.judging import Judge, judged
from tests.fuzz.targets import ROOT, TARGETS, Target

EXAMPLES = 25


@pytest.mark.parametrize("name", TARGETS)
def test_nothing_comes_out_but_refusals_in_a_sentence(name, tmp_path):
    target = TARGETS[name]
    corpus = known(target)
    assert len(corpus) > len(target.corpus())
    with judged(target, tmp_path) as judge:
        answers = {judge(data) for data in corpus}

        @settings(max_examples=EXAMPLES, suppress_health_check=tuple(HealthCheck))
        @given(changed(corpus))
        def each(data):
            judge(data)
            assert not list(tmp_path.glob("find-*"))

        each()
    # One that refuses everything in one way has not been reached.
    assert len(answers) >= 3
    assert [each.read_text("utf-8") for each in tmp_path.glob("find-*.why")] == []


@pytest.mark.parametrize("fault", [ValueError("beyond"), MemoryError(), RuntimeWarning("odd")])
def test_what_is_no_refusal_is_a_find(fault, tmp_path):
    def read(data):
        if b"x" in data:
            raise fault
        return "read"

    judge = Judge(read, tmp_path)
    for data in (b"a", b"ax", b"xx"):
        judge(data)
    # One find a place of the program.
    (why,) = tmp_path.glob("find-*.why")
    assert why.with_suffix("").read_bytes() == b"ax"
    assert type(fault).__name__ in why.read_text("utf-8")


def test_a_warning_is_a_find(tmp_path):
    def read(_):
        warnings.warn("odd", stacklevel=2)

    target = Target("made", lambda _: nullcontext(read), list)
    with judged(target, tmp_path) as judge:
        judge(b"a")
    (why,) = tmp_path.glob("find-*.why")
    assert "odd" in why.read_text("utf-8")


@pytest.mark.slow
def test_a_long_run_is_one_command_and_tells_what_it_reached(tmp_path):
    command = [sys.executable, "-m", "tests.fuzz", "--target", "steps", "--executions", "400"]
    done = subprocess.run(
        [*command, "--folder", tmp_path], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    executions = done.stdout.removeprefix("steps: ").split()[0]
    assert int(executions) >= 400
    assert not list(tmp_path.glob("*/find-*"))


def test_a_tree_stays_one_whatever_is_changed():
    data = json.dumps({"a": [1, 2.5, "x"], "b": {"c": None}}).encode()
    made = {changed_tree(data, seed) for seed in range(300)} - {None}
    assert len(made) > 200
    for each in made:
        json.loads(each)
    assert changed_tree(b"{", 1) is None


def test_words_are_written_as_libfuzzer_reads_them():
    assert r'"\x52\x49\x46\x46"' in dictionary([])
    assert r'"\x75\x6e\x69\x74"' in dictionary([b'{"unit": 1}'])


def test_what_is_kept_is_small():
    sizes = [sum(map(len, kept(target))) for target in TARGETS.values()]
    files = [each.stat().st_size for each in (ROOT / "fixtures" / "fuzz").iterdir()]
    assert sum(files) < 300_000
    assert min(sizes) > 0
