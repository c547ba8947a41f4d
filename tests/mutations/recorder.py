"""A plug-in for pytest: it says to the probes which test runs, and notes how long each takes.

What a fixture of several tests does counts for all of them, and what is done while a file of tests
is read for all that are in it.
"""

from __future__ import annotations

import os
import sys
from collections import defaultdict
from collections.abc import Iterator
from functools import _lru_cache_wrapper
from pathlib import Path

import pytest

from tests.mutations.probes import FOLDER, running
from tests.mutations.reach import SECONDS, SOURCES

_seconds: dict[str, float] = defaultdict(float)
_unpassed: set[str] = set()


def _forget() -> None:
    """Let no test find in a cache of the program what another one has put there."""
    for name, module in list(sys.modules.items()):
        if name.split(".")[0] in SOURCES:
            for thing in vars(module).values():
                if isinstance(thing, _lru_cache_wrapper):
                    thing.cache_clear()


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(collector: pytest.Collector) -> Iterator[None]:
    with running(collector.nodeid):
        return (yield)


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_protocol(item: pytest.Item) -> Iterator[None]:
    _forget()
    with running(item.nodeid):
        return (yield)


@pytest.hookimpl(wrapper=True)
def pytest_fixture_setup(request: pytest.FixtureRequest) -> Iterator[None]:
    with running(request.node.nodeid):
        return (yield)


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    _seconds[report.nodeid] += report.duration
    if not report.passed:
        _unpassed.add(report.nodeid)


def pytest_sessionfinish(session: pytest.Session) -> None:
    if not hasattr(session.config, "workerinput"):
        lines = [f"{_seconds[test]} {test}\n" for test in _seconds.keys() - _unpassed]
        Path(os.environ[FOLDER], SECONDS).write_text("".join(lines))
