"""Sessions over the virtual drive, captures, and a cable that is pulled."""

import re
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from app.analysis import messages
from app.analysis.results import Measurand, Side, Sign
from app.faults import faults_folder
from app.live.measurement import EnvelopeOptions, MeasurementRequest, analyser_for, measure
from app.live.session import Session, _stride
from app.live.view import BEHIND, FAULT, LOSING, Newest, Phase, View
from app.profiles import load_profile
from instruments.address import open_address
from instruments.source import (
    AddressError,
    Block,
    Role,
    Source,
    SourceEnd,
    SourceInfo,
    SourceRequest,
    SourceTimeout,
    SourceUnavailable,
)
from tests.app.bench import RATE_HZ, SIM, WAIT_S, Moody, Sweeps, threads_alive, until, write_capture

SCALE_UM = 178.0


@pytest.fixture
def profile():
    return load_profile("130mm-48tpi")


@pytest.fixture
def start(profile):
    """Makes sessions, which are closed at the test's end, whatever that is."""
    made = []

    def one(opener=None, **changes):
        options = changes.pop("options", None)
        more = {} if opener is None else {"opener": opener}
        made.append(Session(replace(profile, **changes), options, **more))
        return made[-1]

    yield one
    for session in made:
        session.close()
        assert session.view() == View()
    until(lambda: not threads_alive(), "the end of all threads")


@pytest.fixture
def session(start):
    return start()


@pytest.fixture
def held(start):
    """A session whose source's cable the test holds."""
    sources = []

    def opener(address, request):
        sources.append(Moody(address, request))
        return sources[-1]

    session = start(opener)
    session.open(SIM)
    return session, until(lambda: sources and sources[0], "the source")


@pytest.fixture
def cable(held):
    valid_view(held[0])
    return held


def valid_view(session, fits=lambda view: True):
    def look():
        view = session.view()
        return view if view.reading and view.reading.valid and fits(view) else None

    return until(look, "a valid reading")


def phase_of(session, phase):
    return until(lambda: view if (view := session.view()).phase is phase else None, phase)


def test_a_new_session_is_closed(session):
    assert session.view() == View()
    assert session.controls is None
    assert session.error is None
    assert session.begin_teaching() is None
    session.close()


@pytest.mark.slow
def test_many_quick_openings_leave_nothing_running(session):
    for number in range(50):
        session.open(f"{SIM}&seed={number}")
        if number % 3 == 0:
            session.close()
    session.open(f"{SIM}&seed=77")
    assert valid_view(session).source.endswith("seed=77")
    session.close()
    session.close()
    until(lambda: not threads_alive(), "the end of all threads")


@pytest.mark.parametrize(
    ("address", "roles", "kind", "words"),
    [
        ("nowhere.wav", None, SourceUnavailable, ["nowhere.wav", "is not there"]),
        ("tape:1", None, AddressError, ["tape:", "sim:"]),
        ("sim:offset=3", None, AddressError, ["“offset”", "offset_um"]),
        ("sim:", "plus,plus", AddressError, ["“plus” is named twice"]),
        ("sim:", "", AddressError, ["“” is not a role"]),
    ],
)
def test_what_cannot_be_opened_says_why_and_another_opens(session, address, roles, kind, words):
    session.open(address, roles)
    view = phase_of(session, Phase.FAILED)
    assert view.source == address
    assert view.reading is None
    assert "\n" not in view.message
    for word in words:
        assert word in view.message
    assert isinstance(session.error, kind)
    session.open(SIM)
    assert valid_view(session).message == ""
    assert session.error is None


def test_the_virtual_drive_runs_and_its_hands_are_seen(session):
    session.open(f"{SIM}&offset_um=0")
    view = valid_view(session)
    assert view.phase is Phase.RUNNING
    assert view.virtual
    assert view.roles == ("plus", "minus", "index")
    assert view.roles_from == "default"
    assert view.locked
    assert [level.role for level in view.levels] == ["plus", "minus", "index"]
    assert view.advice == ()
    assert view.frames > 0
    assert view.reading.sign is Sign.KNOWN
    session.controls.nudge(20.0)
    # balance = offset / scale
    wanted = 20.0 / SCALE_UM
    valid_view(session, lambda view: abs(view.reading.balance.value - wanted) < 0.01)


@pytest.mark.slow
def test_off_the_track_the_strip_has_a_break(session):
    session.open(SIM)
    valid_view(session)
    session.controls.step(2)
    until(lambda: not session.view().reading.valid, "a parked needle")
    session.controls.step(-2)
    view = valid_view(session, lambda view: np.isnan(view.strip_balance).any())
    assert view.strip_s.shape == view.strip_balance.shape
    assert np.all(np.diff(view.strip_s) >= 0.0)
    assert np.isfinite(view.strip_balance).any()


def test_a_capture_plays_in_real_time_and_its_last_reading_stands(session, tmp_path):
    path = tmp_path / "Aufnahme in µm, é.wav"
    truth = write_capture(path, "plus", "minus", "index", turns=8.0)
    length_s = len(truth.plus_v) / RATE_HZ
    begun_s = time.monotonic()
    session.open(str(path), "plus,minus,index")
    running = valid_view(session)
    assert running.phase is Phase.RUNNING
    assert running.roles_from == "given"
    phase_of(session, Phase.ENDED)
    assert time.monotonic() - begun_s > length_s
    # Older than a reading may be while its source runs.
    ended_s = time.monotonic()
    until(lambda: time.monotonic() - ended_s > running.stale_after_s, "the time")
    view = session.view()
    assert view.phase is Phase.ENDED
    assert view.reading.valid
    assert view.reading.ratio.value == pytest.approx(truth.ratio, abs=0.005)
    assert view.frames == len(truth.plus_v)
    assert view.lost_frames == 0


def test_at_its_end_a_capture_is_read_as_a_whole(session, tmp_path):
    path = tmp_path / "whole.wav"
    write_capture(path, "plus", "minus", "index", turns=8.0)
    session.open(str(path), "plus,minus,index")
    whole = until(lambda: view if (view := session.view()).whole else None, "the whole")
    assert whole.phase is Phase.ENDED
    # As “measure” does it.
    wanted = SourceRequest(roles=(Role.PLUS, Role.MINUS, Role.INDEX))
    source = open_address(str(path), wanted)
    expected = measure(source, session.profile, EnvelopeOptions(), None).reading
    assert whole.reading == expected
    assert expected.revolutions >= 6
    # Another source begins with none of it.
    session.open(SIM)
    assert not valid_view(session).whole


def test_a_capture_in_which_nothing_is_found_keeps_what_was_told_of_its_end(session, tmp_path):
    path = tmp_path / "short.wav"
    write_capture(path, "plus", "minus", "index", turns=0.6)
    session.open(str(path), "plus,minus,index")
    phase_of(session, Phase.ENDED)
    session._run._thread.join(WAIT_S)
    assert not session.view().whole
    assert session.view().reading is None or not session.view().reading.valid


def test_a_capture_is_paused_stepped_and_run_ahead(session, tmp_path):
    path = tmp_path / "long.wav"
    truth = write_capture(path, "plus", "minus", "index", turns=24.0)
    session.open(str(path), "plus,minus,index")
    valid_view(session)
    session.play.pause(True)

    def rests():
        before = session.view().trace.number
        time.sleep(0.3)
        return session.view().trace.number == before

    until(rests, "a turn that stands")
    paused = session.view()
    assert paused.paused
    # However long it stands, its reading does.
    until(lambda: time.monotonic() - paused.reading_at_s > 2.0 * paused.stale_after_s, "the time")
    view = session.view()
    assert view.reading.valid
    assert view.trace.number == paused.trace.number
    assert time.monotonic() - view.reading_at_s < view.stale_after_s
    # The turns are numbered one by one.
    session.play.run_ahead(3.0 * session.past.turn_s)
    until(lambda: session.view().trace.number >= paused.trace.number + 2, "the next turns")
    until(rests, "a turn that stands")
    assert session.view().trace.number <= paused.trace.number + 4
    assert session.view().reading.valid
    # And all the rest at once: it is not played on.
    session.play.run_ahead(60.0)
    phase_of(session, Phase.ENDED)
    assert session.play is None
    assert session.view().frames == len(truth.plus_v)
    assert session.view().lost_frames == 0
    assert session.view().reading.ratio.value == pytest.approx(truth.ratio, abs=0.005)


def test_only_a_capture_is_played(session):
    assert session.play is None
    session.open(SIM)
    valid_view(session)
    assert session.play is None
    assert not session.view().paused


def test_a_silent_source_parks_the_needle_until_it_speaks_again(cable):
    session, source = cable
    source.silent.set()
    parked = until(
        lambda: view if not (view := session.view()).reading.valid else None, "a parked needle"
    )
    assert parked.reading.reasons == (messages.STALE,)
    assert parked.reading.balance is None
    assert parked.reading.ratio is None
    assert not parked.locked
    source.silent.clear()
    assert valid_view(session).locked


def test_a_pulled_cable_is_told_and_taken_up_again(cable):
    session, source = cable
    before = session.view().frames
    source.gone.set()
    view = phase_of(session, Phase.LOST)
    assert "cable: " in view.message
    until(lambda: not session.view().reading.valid, "a parked needle")
    source.gone.clear()
    view = valid_view(session, lambda view: view.phase is Phase.RUNNING)
    assert view.message == ""
    assert view.frames > before


class Broken:
    trace, locked, teaching, taught, moving = None, False, False, None, None

    def push(self, block):
        raise ZeroDivisionError("broken on purpose")


def traceback_named_in(sentence):
    path = Path(re.search(r"its traceback is in (\S+\.txt)", sentence)[1])
    return path.read_text(encoding="utf-8")


def test_a_fault_in_the_analysis_is_told_and_kept_and_it_begins_anew(start, monkeypatch):
    made = iter([Broken(), Broken()])
    monkeypatch.setattr(
        "app.live.session.analyser_for",
        lambda *about, **how: next(made, None) or analyser_for(*about, **how),
    )
    session = start()
    session.open(SIM)
    parked = until(lambda: (view := session.view()).notes and view, "the fault")
    assert parked.phase is Phase.RUNNING
    assert not parked.reading.valid
    (reason,) = parked.reading.reasons
    assert "a fault in the program" in str(reason)
    view = valid_view(session)
    (note,) = view.notes
    assert "ZeroDivisionError: broken on purpose" in note
    kept = traceback_named_in(note)
    assert "Traceback" in kept
    assert 'raise ZeroDivisionError("broken on purpose")' in kept
    assert session.error is None


def test_a_fault_that_stays_is_kept_once_and_parks_the_needle(start, monkeypatch):
    monkeypatch.setattr("app.live.session.analyser_for", lambda *_, **__: Broken())
    session = start()
    before = len(list(faults_folder().glob("*")))
    session.open(SIM)
    until(lambda: session.view().frames > RATE_HZ, "a second of faults")
    view = session.view()
    assert view.phase is Phase.RUNNING
    assert view.reading.reasons[0].text == FAULT.text
    assert len(list(faults_folder().glob("*"))) <= before + 1


def test_a_fault_in_a_measurement_ends_that_alone(session, monkeypatch):
    session.open(SIM)
    valid_view(session)
    monkeypatch.setattr("app.live.measurement.analyser_for", lambda *_, **__: Broken())
    session.measure(MeasurementRequest(Measurand.RADIAL, 5))
    fault = until(lambda: session.progress().fault, "the fault")
    assert "Traceback" in traceback_named_in(fault)
    assert valid_view(session).notes == ()


def test_a_fault_while_the_source_is_made_is_told(start):
    def opener(address, request):
        raise RuntimeError("no such luck")

    session = start(opener)
    session.open("sim:")
    message = phase_of(session, Phase.FAILED).message
    assert "no such luck" in traceback_named_in(message)
    assert isinstance(session.error, RuntimeError)


class Busy:
    """An analyser that works on one block until the test lets go."""

    trace, locked, teaching, taught, moving = None, False, False, None, None

    def __init__(self):
        self.working, self.let_go = threading.Event(), threading.Event()
        self.frames = 0

    def push(self, block):
        self.working.set()
        self.let_go.wait(WAIT_S)
        self.frames += len(block.samples_v)
        return False


def test_a_view_does_not_wait_for_the_analysis(session, monkeypatch):
    busy = Busy()
    monkeypatch.setattr("app.live.session.analyser_for", lambda *_, **__: busy)
    session.open(SIM)
    assert busy.working.wait(WAIT_S)
    seen = []
    looking = threading.Thread(target=lambda: seen.append(session.view()), daemon=True)
    looking.start()
    looking.join(0.5 * WAIT_S)
    try:
        assert seen
        assert seen[0].phase is Phase.RUNNING
    finally:
        busy.let_go.set()


class Flood(Source):
    """A live source that has given eight times what is kept before anybody has looked."""

    rate_hz, frames = 1000.0, 32_000

    def __init__(self, begun=None):
        self.begun = begun
        """Set once the analysis is at work: all but the first block comes after it."""
        roles = (Role.DIFFERENTIAL, Role.INDEX)
        self._info = SourceInfo("flood:", roles, "given", self.rate_hz, 500.0, live=True)
        self.at = 0

    def open(self):
        self.at = 0

    def read(self, timeout_s):
        if self.at >= self.frames:
            time.sleep(0.001)
            raise SourceTimeout("flood: nothing came")
        if self.at and self.begun is not None:
            self.begun.wait(WAIT_S)
        samples_v = np.zeros((100, 2), np.float32)
        self.at += 100
        return Block(samples_v, self.rate_hz, self.at - 100, time.monotonic())

    def close(self):
        pass


def test_frames_that_came_too_fast_to_be_analysed_count_as_lost(start, monkeypatch):
    busy = Busy()
    monkeypatch.setattr("app.live.session.analyser_for", lambda *_, **__: busy)
    session = start(lambda address, request: Flood(busy.working))
    session.open("flood:")
    until(lambda: session.view().frames == Flood.frames, "the flood")
    assert busy.working.wait(WAIT_S)
    busy.let_go.set()
    until(lambda: busy.frames + session.view().lost_frames == Flood.frames, "the loss")
    assert busy.frames < Flood.frames
    # What was left is not waded through: the analysis goes on with the newest.
    assert busy.frames <= 3 * round(0.1 * Flood.rate_hz)


class Stored(Flood):
    """A capture of eight times what is kept, of long ago."""

    def __init__(self):
        super().__init__()
        self._info = replace(self._info, live=False)

    def read(self, timeout_s):
        if self.at >= self.frames:
            raise SourceEnd("stored: it is at its end")
        return replace(super().read(timeout_s), t0_s=0.0)


def test_a_capture_waits_for_who_analyses_it_and_loses_nothing(start, monkeypatch):
    busy = Busy()
    monkeypatch.setattr("app.live.session.analyser_for", lambda *_, **__: busy)
    session = start(lambda address, request: Stored())
    session.open("stored:")
    assert busy.working.wait(WAIT_S)
    until(lambda: session.view().frames >= Stored.frames // 8, "as much as is kept")
    busy.let_go.set()
    until(lambda: busy.frames + session.view().lost_frames == Stored.frames, "the end")
    assert session.view().lost_frames == 0


class Spate(Flood):
    """A live source that gives more than may wait, and less than is kept, to one that works."""

    frames = 2500

    def __init__(self, working):
        super().__init__()
        self._working = working

    def read(self, timeout_s):
        if self.at:
            self._working.wait(WAIT_S)
        return super().read(timeout_s)


def test_a_computer_that_is_too_slow_says_so_until_it_keeps_up_again(start, monkeypatch):
    busy = Busy()
    monkeypatch.setattr("app.live.session.analyser_for", lambda *_, **__: busy)
    session = start(lambda address, request: Spate(busy.working))
    session.open("spate:")
    until(lambda: session.view().frames == Spate.frames, "the spate")
    (behind,) = session.view().reading.reasons
    assert behind.text == BEHIND.text
    assert 2.3 < float(behind.values[0]) < 2.5
    busy.let_go.set()
    losing = until(
        lambda: (reading := session.view().reading) and reading.reasons[0].text == LOSING.text,
        "the loss",
    )
    assert losing
    until(lambda: not session.view().reading, "the end of it")


class Loud(Flood):
    """A live source of which every third block clips; the analysis takes other stretches."""

    frames = 900

    def read(self, timeout_s):
        block = super().read(timeout_s)
        return replace(block, clipped=block.first_index // 100 % 3 == 0)


class Noting:
    """An analyser that notes of each frame whether it was said to be clipped."""

    trace, locked, teaching, taught, moving = None, False, False, None, None

    def __init__(self):
        self.said = []

    def push(self, block):
        self.said += [block.clipped] * len(block.samples_v)
        return False


def test_every_frame_of_a_clipped_block_reaches_the_analyser_as_clipped(start, monkeypatch):
    noting = Noting()
    monkeypatch.setattr("app.live.session.analyser_for", lambda *_, **__: noting)
    # Stretches of 70 frames and more, where a block has 100.
    monkeypatch.setattr("app.live.session._STEP_S", 0.07)
    session = start(lambda address, request: Loud())
    session.open("loud:")
    until(lambda: len(noting.said) == Loud.frames, "all frames")
    assert noting.said == [index // 100 % 3 == 0 for index in range(Loud.frames)]


class Seeing(Noting):
    """An analyser that notes which blocks are not joined to the one before."""

    def push(self, block):
        self.said += [block.gap_before] + [False] * (len(block.samples_v) - 1)
        return False


class Pausing(Loud):
    """A live source whose times tell of a pause, or do not."""

    pauses_at, lost_s = 300, 0.0

    def read(self, timeout_s):
        block = super().read(timeout_s)
        paused_s = self.lost_s if block.first_index >= self.pauses_at else 0.0
        return replace(block, t0_s=block.first_index / self.rate_hz + paused_s)


@pytest.mark.parametrize(("lost_s", "gaps"), [(0.3, [Pausing.pauses_at]), (0.0, [])])
def test_after_a_pause_what_was_taken_later_is_not_joined_to_what_was_before(
    start, monkeypatch, lost_s, gaps
):
    seeing = Seeing()
    monkeypatch.setattr("app.live.session.analyser_for", lambda *_, **__: seeing)
    monkeypatch.setattr("app.live.session._STEP_S", 0.1)
    monkeypatch.setattr(
        Newest, "count", lambda _, block, *__: block.first_index in (100, Pausing.pauses_at)
    )
    monkeypatch.setattr(Pausing, "lost_s", lost_s)
    session = start(lambda address, request: Pausing())
    session.open("pausing:")
    until(lambda: len(seeing.said) == Pausing.frames, "all frames")
    assert [at for at, gap in enumerate(seeing.said) if gap] == gaps


class Stuck(Source):
    """A source whose opening takes until the test lets go."""

    def __init__(self):
        self.opening, self.let_go = threading.Event(), threading.Event()
        self.closed = 0

    def open(self):
        self.opening.set()
        self.let_go.wait(WAIT_S)
        raise SourceUnavailable("stuck: it did not open")

    def read(self, timeout_s):
        raise AssertionError("it never opened")

    def close(self):
        self.closed += 1


def test_closing_does_not_wait_for_an_opening_that_hangs(start):
    stuck = Stuck()
    session = start(lambda address, request: stuck)
    session.open("stuck:")
    assert stuck.opening.wait(WAIT_S)
    assert session.view().phase is Phase.OPENING
    session.close()
    assert not stuck.let_go.is_set()
    assert stuck.closed
    stuck.let_go.set()


def test_what_belongs_to_an_envelope_is_refused_of_the_first_source_only(start):
    session = start(options=EnvelopeOptions(low_corner_hz=7.0))
    session.open(SIM)
    view = phase_of(session, Phase.FAILED)
    assert "--low-corner" in view.message
    assert isinstance(session.error, AddressError)
    session.open(SIM)
    valid_view(session)


def test_the_disk_s_profile_says_which_lobe_is_outward(start):
    session = start(first_lobe_outward=False)
    session.open(f"{SIM}&offset_um=25")
    reading = valid_view(session).reading
    assert reading.balance.value == pytest.approx(-25.0 / SCALE_UM, abs=0.01)
    assert reading.side is Side.INWARD


@pytest.mark.parametrize("first_lobe_outward", [True, False])
@pytest.mark.parametrize(("start_um", "side"), [(4.0, Side.OUTWARD), (-34.0, Side.INWARD)])
@pytest.mark.few(1)
def test_the_sign_is_taught_by_a_nudge(start, first_lobe_outward, start_um, side):
    session = start(first_lobe_outward=first_lobe_outward)
    session.open(f"{SIM}&offset_um={start_um}", "plus,minus")
    size = abs(start_um) / SCALE_UM
    near = valid_view(session, lambda view: abs(view.reading.balance.value - size) < 0.01)
    assert near.reading.sign is Sign.UNKNOWN
    assert near.reading.side is None
    assert session.teach(Side.OUTWARD) == messages.TEACH_NEEDS_READING
    assert session.begin_teaching() is None
    assert session.view().teaching
    assert session.teach(Side.OUTWARD) == messages.TEACH_TOO_SMALL
    session.controls.nudge(20.0)
    until(lambda: session.teach(Side.OUTWARD) is None, "a change that tells the sign")
    balance = (start_um + 20.0) / SCALE_UM
    taught = valid_view(
        session,
        lambda view: (
            view.reading.sign is Sign.TAUGHT and abs(view.reading.balance.value - balance) < 0.01
        ),
    )
    assert taught.reading.side is side
    assert not taught.teaching
    session.controls.nudge(-60.0)
    balance = (start_um - 40.0) / SCALE_UM
    valid_view(session, lambda view: abs(view.reading.balance.value - balance) < 0.01)


def taught_session(start):
    session = start()
    session.open(f"{SIM}&offset_um=10", "plus,minus")
    valid_view(session, lambda view: abs(view.reading.balance.value - 10.0 / SCALE_UM) < 0.01)
    assert session.begin_teaching() is None
    session.controls.nudge(20.0)
    until(lambda: session.teach(Side.OUTWARD) is None, "a change that tells the sign")
    valid_view(session, lambda view: view.reading.sign is Sign.TAUGHT)
    return session


@pytest.mark.parametrize("to_um", [30.0, -25.0])
@pytest.mark.few(1)
def test_a_taught_side_holds_in_every_measurement(start, to_um):
    session = taught_session(start)
    session.controls.nudge(to_um - 30.0)
    for _ in range(3):
        session.measure(MeasurementRequest(Measurand.RADIAL, 3))
        reading = measured(session).reading
        assert reading.sign is Sign.TAUGHT
        assert reading.side is (Side.OUTWARD if to_um > 0.0 else Side.INWARD)
        # The profile's scale is not that of the virtual disk.
        assert SCALE_UM * reading.balance.value == pytest.approx(to_um, abs=1.5)
        session.cancel_measurement()


def test_a_teaching_can_be_given_up(session):
    session.open(SIM, "plus,minus")
    valid_view(session)
    session.begin_teaching()
    session.cancel_teaching()
    assert not session.view().teaching


def test_the_virtual_drive_is_listed_first(session):
    first, *_ = session.listed().sources
    assert first.address == "sim:"


def test_a_muted_source_parks_with_its_likely_cause(session, tmp_path):
    path = tmp_path / "silent.wav"
    write_capture(path, "differential", peak_v=0.0, snr_db=None, turns=12.0)
    session.open(str(path))
    view = until(lambda: view if (view := session.view()).advice else None, "advice")
    assert view.phase is Phase.RUNNING
    assert "the capture is silent" in str(view.advice[0])


def measured(session):
    return until(lambda: (found := session.progress()) and found.measurement, "the measurement")


def test_a_measurement_is_taken_beside_the_needle(session):
    assert session.progress() is None
    session.open(f"{SIM}&offset_um=25")
    valid_view(session)
    session.measure(MeasurementRequest(Measurand.RADIAL, 5))
    assert session.progress().measurement is None
    found = measured(session)
    # balance = offset / scale
    assert found.reading.balance.value == pytest.approx(25.0 / SCALE_UM, abs=0.005)
    assert session.progress().part == 1.0
    valid_view(session)
    session.cancel_measurement()
    assert session.progress() is None


def test_a_measurement_uses_nothing_from_before_it_was_asked_for(session):
    session.open(f"{SIM}&offset_um=0")
    valid_view(session)
    session.controls.nudge(40.0)
    session.measure(MeasurementRequest(Measurand.RADIAL, 5))
    assert measured(session).reading.balance.value == pytest.approx(40.0 / SCALE_UM, abs=0.005)


def test_a_newer_measurement_takes_the_place_of_one_under_way(session):
    session.open(SIM)
    valid_view(session)
    session.measure(MeasurementRequest(Measurand.RADIAL, 1000))
    session.measure(MeasurementRequest(Measurand.SPEED, 5))
    assert measured(session).measurand is Measurand.SPEED


def test_a_measurement_whose_source_goes_is_given_up(cable):
    session, source = cable
    session.measure(MeasurementRequest(Measurand.RADIAL, 1000))
    until(lambda: session.progress().part > 0.0, "its beginning")
    source.gone.set()
    fault = until(lambda: session.progress().fault, "the fault")
    assert "went away" in fault
    assert session.progress().measurement is None
    source.gone.clear()
    phase_of(session, Phase.RUNNING)
    session.measure(MeasurementRequest(Measurand.RADIAL, 5))
    assert measured(session).reading.valid


@pytest.mark.parametrize("clipped", [False, True])
def test_what_a_scope_says_of_clipping_reaches_needle_and_measurement(start, clipped):
    """The samples show nothing of it: a channel may clip that is not among the columns."""
    session = start(lambda *asked: Sweeps(*asked, clipped=clipped))
    session.open(SIM)
    reading = until(lambda: session.view().reading, "a reading")
    assert (messages.CLIPPED in reading.reasons) == clipped
    assert reading.valid != clipped
    session.measure(MeasurementRequest(Measurand.RADIAL, 2))
    assert measured(session).problem == (messages.CLIPPED if clipped else None)


@pytest.mark.parametrize(("at_index", "sign"), [(False, Sign.UNKNOWN), (True, Sign.KNOWN)])
def test_a_sweep_that_the_index_triggered_tells_the_side(start, at_index, sign):
    session = start(lambda *asked: Sweeps(*asked, at_index=at_index))
    session.open(f"{SIM}&offset_um=25", "plus,minus,-")
    assert valid_view(session).reading.sign is sign
    session.measure(MeasurementRequest(Measurand.RADIAL, 2))
    assert measured(session).reading.sign is sign


def test_a_measurement_ends_with_its_capture(session, tmp_path):
    write_capture(tmp_path / "short.wav", "plus", "minus", "index")
    session.open(str(tmp_path / "short.wav"), "plus,minus,index")
    valid_view(session)
    session.measure(MeasurementRequest(Measurand.RADIAL, 1000))
    assert "capture" in until(lambda: session.progress().fault, "the fault")


def test_a_measurement_of_a_capture_that_has_ended_ends_at_once(session, tmp_path):
    write_capture(tmp_path / "short.wav", "plus", "minus", "index")
    session.open(str(tmp_path / "short.wav"), "plus,minus,index")
    phase_of(session, Phase.ENDED)
    session.measure(MeasurementRequest(Measurand.RADIAL, 2))
    assert "capture" in session.progress().fault


def test_nothing_is_measured_without_a_source(session):
    session.measure(MeasurementRequest(Measurand.RADIAL, 5))
    assert session.progress() is None
    session.open("nowhere.wav")
    phase_of(session, Phase.FAILED)
    session.measure(MeasurementRequest(Measurand.RADIAL, 5))
    assert "nowhere.wav" in session.progress().fault


def test_another_class_opens_the_source_again(session):
    session.open(f"{SIM}&offset_um=25")
    valid_view(session)
    other = load_profile("130mm-96tpi")
    session.use(other)
    assert session.profile is other
    view = valid_view(session)
    assert view.source == f"{SIM}&offset_um=25"
    # offset = scale of the class · balance
    reading = view.reading
    assert reading.offset_um.value == pytest.approx(other.scale_um * reading.balance.value)


def test_a_class_may_be_chosen_before_a_source(session):
    other = load_profile("130mm-96tpi")
    session.use(other)
    assert session.view() == View()
    assert session.profile is other


def whole_turn(session):
    def look():
        seen = None if session.past is None else session.past.look()
        return seen if seen is not None and seen.turns else None

    return until(look, "a whole turn")


def test_the_samples_of_a_turn_are_kept_from_index_to_index(session):
    session.open(SIM)
    look = whole_turn(session)
    samples_v = np.concatenate([block.samples_v for block in look.blocks])
    assert len(samples_v) == pytest.approx(look.frames[1] - look.frames[0], abs=1)
    index = session.view().roles.index("index")
    # It begins with the pulse, and ends before the next one.
    pulse_v, idle_v = samples_v[0, index], samples_v[-1, index]
    assert abs(pulse_v - idle_v) > 1.0
    carrier_v = samples_v[:, 0] - samples_v[:, 1]
    trace = look.turns[-1].trace
    tops = [int(at * len(carrier_v)) for at in trace.tops_turns]
    seen_v = [np.abs(carrier_v[at - 200 : at + 200]).max() for at in tops]
    assert seen_v == pytest.approx(trace.tops_v, rel=0.15)


def test_samples_that_are_written_open_as_a_capture(session, tmp_path):
    session.open(SIM)
    look = whole_turn(session)
    session.write_samples(tmp_path / "turn.wav", look.blocks)
    with soundfile.SoundFile(tmp_path / "turn.wav") as kept:
        kept_v = kept.read(dtype="float32")
        assert kept.samplerate == RATE_HZ
    expected_v = np.concatenate([block.samples_v for block in look.blocks])
    np.testing.assert_array_equal(kept_v, expected_v)
    capture = open_address(str(tmp_path / "turn.wav"))
    capture.open()
    assert capture.info.roles == ("plus", "minus", "index")
    capture.close()
    with pytest.raises(OSError, match="its folder is not there"):
        session.write_samples(tmp_path / "none" / "turn.wav", look.blocks)
    session.close()
    assert session.past is None
    with pytest.raises(OSError, match="no source is open"):
        session.write_samples(tmp_path / "other.wav", look.blocks)


def test_another_source_begins_with_no_past(session):
    session.open(SIM)
    whole_turn(session)
    before = session.past
    session.open(f"{SIM}&seed=5")
    assert session.past is not before


@pytest.mark.parametrize(
    ("live", "continuous", "stride"),
    [
        (True, True, (20_000, 100_000)),  # 20 ms, and what has waited, but 100 ms at the most
        (False, True, (20_000, 20_000)),
        (True, False, (1, sys.maxsize)),  # a record comes whole
    ],
)
def test_the_analysis_is_given_little_at_once(live, continuous, stride):
    info = SourceInfo("made:", (Role.PLUS,), "given", 1e6, 4e5, live=live, continuous=continuous)
    assert _stride(info) == stride
