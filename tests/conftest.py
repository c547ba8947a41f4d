"""What holds for every test: no screen, no settings of the user's, runs that can be repeated."""

import gc
import os
import signal
import sys
import tempfile
import threading

import hypothesis
import pytest

from app.dashboard.cycles import collect_due

# Before anything imports Qt. Tests that want a real display start one and run a process in it.
os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

# One core is what the program takes for its sums, and what figures are about; several threads that
# wait for each other on a busy machine are slower than one. Before anything imports numpy.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# Qt warns without a runtime folder, and profiles of the user's own could change what is tested.
_folder = tempfile.TemporaryDirectory(prefix="evenlobe-tests-")
for _name in ("XDG_RUNTIME_DIR", "XDG_CONFIG_HOME", "XDG_DATA_HOME"):
    os.environ[_name] = os.path.join(_folder.name, _name.lower())
    os.mkdir(os.environ[_name], mode=0o700)

# What is left of a window must not end in a thread that a later test has started.
gc.disable()

# A run in the background inherits an interrupt that is ignored, by nohup a terminal's closing, and
# so would every program that a test starts; tests are about those that a terminal sends.
signal.signal(signal.SIGINT, signal.default_int_handler)
signal.signal(signal.SIGHUP, signal.SIG_DFL)

# Times are for tests/benchmarks to judge; the examples differ from run to run only at a desk.
hypothesis.settings.register_profile(
    "evenlobe", deadline=None, derandomize="CI" in os.environ, print_blob=True
)
hypothesis.settings.load_profile("evenlobe")


_start = threading.Thread.start


def _checked_start(thread):
    """Start a thread; one of the program says by its name what it is for, and ends with it."""
    if sys._getframe(1).f_globals.get("__name__", "").startswith(("app.", "instruments.")):
        assert not thread.name.startswith("Thread-"), thread
        assert thread.daemon or thread.name == "end-waits", thread
    _start(thread)


threading.Thread.start = _checked_start


def pytest_collection_finish():
    """Look no more through what is there before the first test."""
    gc.collect()
    gc.freeze()


def pytest_runtest_teardown():
    """Collect cycles as often as the interpreter would, between two tests."""
    collect_due()


def pytest_ignore_collect(collection_path, config):
    """Leave unread, where what goes on in real time is wanted alone, what has no such test."""
    if config.option.markexpr.endswith("and real_time") and collection_path.suffix == ".py":
        return "mark.real_time" not in collection_path.read_text(encoding="utf-8") or None
    return None


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    """Hand out whole files, but for tests in a group: what one test has made serves the next.

    A unit of work for each of some thousand tests costs pytest-xdist ten seconds of bookkeeping.
    """
    if config.getvalue("dist") != "loadgroup":
        return None
    from xdist.scheduler import LoadGroupScheduling

    class OfFiles(LoadGroupScheduling):
        def _split_scope(self, nodeid):
            return super()._split_scope(nodeid).partition("::")[0]

    # As they come, and not those of the most tests first: what takes long is at the beginning.
    config.option.loadscopereorder = False
    return OfFiles(config, log)


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items):
    """Of a function marked `few`, mark as slow all cases but so many, spread evenly.

    What one worker has to do alone comes first: nobody waits for it at the end.
    """
    items.sort(key=lambda item: item.get_closest_marker("xdist_group") is None)
    cases = {}
    for item in items:
        if item.get_closest_marker("few") is not None:
            cases.setdefault(item.nodeid.partition("[")[0], []).append(item)
    for of_one in cases.values():
        (count,) = of_one[0].get_closest_marker("few").args
        kept = {place * (len(of_one) - 1) // max(count - 1, 1) for place in range(count)}
        for place, item in enumerate(of_one):
            if place not in kept:
                item.add_marker(pytest.mark.slow)
