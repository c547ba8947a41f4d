"""A plug-in for pytest: notes which test runs, for the lines that coverage.py sees, and how long.

What a fixture of several tests does, and what is done before the first, counts for every test of
the run: its context is the empty one. A process that a test starts inherits the test's name.
"""

from __future__ import annotations

import json
import os
import time
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import coverage
import pytest

TEST = "EVENLOBE_TEST"
NOTES = "EVENLOBE_NOTES"

_seconds: dict[str, float] = defaultdict(float)
_passed: set[str] = set()
_shared_s = 0.0


@contextmanager
def _context(name: str) -> Iterator[None]:
    measuring, before = coverage.Coverage.current(), os.environ.get(TEST, "")
    assert measuring is not None
    os.environ[TEST] = name
    measuring.switch_context(name)
    yield
    os.environ[TEST] = before
    measuring.switch_context(before)


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_protocol(item: pytest.Item) -> Iterator[None]:
    with _context(item.nodeid):
        return (yield)


@pytest.hookimpl(wrapper=True)
def pytest_fixture_setup(fixturedef: pytest.FixtureDef[Any]) -> Iterator[None]:
    global _shared_s
    if fixturedef.scope == "function":
        return (yield)
    start = time.perf_counter()
    with _context(""):
        result = yield
    _shared_s += time.perf_counter() - start
    return result


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    _seconds[report.nodeid] += report.duration
    if report.when == "call" and report.passed:
        _passed.add(report.nodeid)
    elif not report.passed:
        _passed.discard(report.nodeid)


def pytest_sessionfinish() -> None:
    seconds = {test: _seconds[test] + _shared_s for test in _passed}
    notes = {"seconds": seconds, "failed": sorted(_seconds.keys() - _passed)}
    Path(os.environ[NOTES]).write_text(json.dumps(notes))
