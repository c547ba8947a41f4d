"""One block of samples, followed from the source to the paint, against the list of its forms."""

import re
import sys
import time
from dataclasses import is_dataclass, replace
from pathlib import Path

import pytest

from app.dashboard.window import MainWindow
from app.live.measurement import EnvelopeOptions, analyser_for
from app.live.session import _Run
from app.profiles import load_profile
from app.stream.acquisition import Acquisition
from instruments.virtual.params import VirtualParams
from instruments.virtual.source import VirtualSource
from tests.app.dashboard.fakes import FakeSession

DEVELOPERS = Path(__file__).parents[3] / "DEVELOPERS.md"
WORDS = {"Quantity", "Message"}
"""Values of which all results are made: no form of their own."""
MOST = 10
FRAME_S = 0.016
KNOWN_AFTER = 15
"""Blocks of half a turn, after which the pattern is known."""


def listed():
    """The types and modules of the table."""
    text = DEVELOPERS.read_text(encoding="utf-8").partition("### The walk of a block\n")[2]
    rows = text.partition("\n#")[0]
    return re.findall(r"^\| \d+ \|.*\| `(\w+)` \| `([\w.]+)` \|$", rows, re.MULTILINE)


class Follower:
    """Notes what of ours, made while it looks, one module hands to another."""

    def __init__(self):
        self.made = {}
        self.forms = {}
        self.painted = False

    def __call__(self, frame, event, result):
        code = frame.f_code
        if event not in ("call", "return"):
            return
        if code.co_name == "__init__" and code.co_filename == "<string>":
            self._note_made(frame.f_locals["self"])
            return
        here, caller = module_of(frame), caller_of(frame)
        self.painted |= here.endswith("needle_page.meter") and code.co_name == "paintEvent"
        if here and caller and here != caller:
            handed = (
                [result]
                if event == "return"
                else [frame.f_locals.get(name) for name in arguments_of(code)]
            )
            for each in handed:
                self._note_handed(each)

    def _note_made(self, one):
        if type(one).__module__.startswith(("app.", "instruments.")):
            self.made[id(one)] = one

    def _note_handed(self, one):
        for each in (one, *one) if isinstance(one, list | tuple) else (one,):
            if id(each) in self.made and type(each).__name__ not in WORDS:
                self.forms[type(each).__name__, type(each).__module__] = None


def arguments_of(code):
    names = code.co_varnames[: code.co_argcount + code.co_kwonlyargcount]
    return [name for name in names if name != "self"]


def module_of(frame):
    name = frame.f_globals.get("__name__", "")
    return name if name.startswith(("app.", "instruments.")) else ""


def caller_of(frame):
    """The module of ours that called, past what is not ours."""
    back = frame.f_back
    while back is not None and not module_of(back):
        back = back.f_back
    return "" if back is None else module_of(back)


@pytest.fixture
def chain(qtbot):
    """Source, acquisition, analysis and window, without threads: the test moves each block on."""
    profile, options = load_profile("130mm-48tpi"), EnvelopeOptions()
    source = VirtualSource(VirtualParams(rate=500e3, seed=1), paced=False)
    acquisition = Acquisition(source, ring_seconds=4.0)
    run = _Run(
        "sim:", lambda: source, profile, options, strict=False, tap=lambda block, heard: None
    )
    run._source, run._acquisition = source, acquisition
    acquisition._open()
    run._analyser = analyser_for(source.info, profile, options, keep_all=False)
    window = MainWindow(FakeSession(run.view))
    window.resize(1024, 640)
    qtbot.addWidget(window)
    with qtbot.waitExposed(window):
        window.show()
    window.show_needle()

    shown_s = time.monotonic()
    window.needle_page.show_view(run.view(), shown_s, FRAME_S)

    def move_on(block):
        acquisition._keep(block)
        run._analyse_block(acquisition.ring.take(len(block.samples_v)), run._analyser)
        view = run.view()
        # A frame after the last: what is shown a few times a second is not due again.
        window.needle_page.show_view(view, shown_s + FRAME_S, FRAME_S)
        window.needle_page.meter.repaint()
        return view

    def taken_now():
        # However long the one before took.
        return replace(source.read(1.0), t0_s=time.monotonic())

    for _ in range(KNOWN_AFTER):
        move_on(taken_now())
        qtbot.wait(1)  # what has grown or shrunk is laid out
    return taken_now(), move_on


def test_a_block_takes_the_forms_that_are_listed(chain):
    block, move_on = chain
    follower = Follower()
    follower.made[id(block)] = block
    sys.setprofile(follower)
    try:
        view = move_on(block)
    finally:
        sys.setprofile(None)
    assert view.reading.valid
    assert follower.painted
    assert list(follower.forms) == listed()
    assert len(listed()) <= MOST


def test_every_form_is_there_and_frozen():
    for name, module in listed():
        form = getattr(sys.modules[module], name)
        assert is_dataclass(form)
        assert form.__dataclass_params__.frozen
