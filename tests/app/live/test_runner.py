"""A job led by its runner: what is measured, watched for and cancelled, whoever answers."""

from __future__ import annotations

from dataclasses import replace

import pytest

from app.analysis.messages import HEAD_MOVED, INDEX_SILENT, NO_CARRIER, fill
from app.analysis.results import Measurand, Quantity, Reading
from app.job import messages
from app.job.job import DISK_STOPPED, Job
from app.job.model import Action, CheckName, Do, Measure, Stage
from app.job.origin import Origin
from app.job.plan import Planned, StepState
from app.live.measurement import EnvelopeOptions, MeasurementProgress, MeasurementRequest
from app.live.runner import HandWatch, JobRunner, SourceReader
from app.live.session import Session
from instruments.file.source import FileSource
from tests.app.bench import SIM, until, write_capture
from tests.app.job.hands import PROFILE, ScriptedDrive, job_on

RADIAL = [Planned(CheckName.RADIAL, Stage.AS_FOUND)]
SETTINGS = (("range", "0.2 V"),)
HERE = Origin("scripted", False, "", PROFILE.name, SETTINGS)


class Bench:
    """Measures on a scripted drive what it is asked for, once it is told to."""

    def __init__(self):
        self.drive = ScriptedDrive()
        self.request = None
        self.now = MeasurementProgress()
        self.at = HERE

    def measure(self, request):
        self.request, self.now = request, MeasurementProgress()

    def progress(self):
        return None if self.request is None else self.now

    def cancel_measurement(self):
        self.request = None

    def origin(self):
        return self.at

    def finish(self, ask):
        self.now = MeasurementProgress(1.0, self.drive.answer(ask), origin=self.at)


def led(*checks):
    bench = Bench()
    job, kept = job_on(plan=[Planned(check, Stage.AS_FOUND) for check in checks])
    return JobRunner(job, bench), bench, kept


def to_the_measurement(runner, bench):
    """Answer for the hands until something is to be measured."""
    while isinstance(runner.job.ask, Do):
        runner.answer(bench.drive.answer(runner.job.ask))
    ask = runner.job.ask
    assert isinstance(ask, Measure)
    return ask


def test_what_is_asked_for_is_measured_and_is_the_answer():
    runner, bench, kept = led(CheckName.RADIAL)
    ask = to_the_measurement(runner, bench)
    runner.measure()
    assert (bench.request.measurand, bench.request.track) == (ask.measurand, ask.track)
    assert (bench.request.turns, bench.request.side) == (ask.turns, ask.head)
    assert (runner.part, runner.poll()) == (0.0, None)
    bench.now = MeasurementProgress(0.5)
    assert runner.poll().part == runner.part == 0.5
    bench.finish(ask)
    assert runner.poll().measurement is not None
    assert (runner.part, bench.request) == (None, None)
    assert [(entry.label, entry.settings) for entry in kept.taken] == [(ask.label, SETTINGS)]
    assert runner.job.steps[0].state is StepState.DONE


@pytest.mark.parametrize(
    ("ends", "fault"),
    [
        (lambda bench: bench.cancel_measurement(), "changed"),
        (lambda bench: setattr(bench, "now", MeasurementProgress(fault="went away")), "went away"),
    ],
)
def test_a_measurement_that_comes_to_nothing_says_why_and_is_asked_for_again(ends, fault):
    runner, bench, kept = led(CheckName.RADIAL)
    ask = to_the_measurement(runner, bench)
    runner.measure()
    ends(bench)
    assert fault in runner.poll().fault
    assert (runner.part, runner.poll(), runner.job.ask, kept.taken) == (None, None, ask, [])
    runner.measure()
    assert runner.part == 0.0


@pytest.mark.parametrize(
    "done",
    [
        lambda runner: runner.cancel(),
        lambda runner: runner.undo(),
        lambda runner: runner.skip("no disk"),
        lambda runner: runner.take_up(1),
        lambda runner: runner.close("no disk"),
    ],
)
def test_going_elsewhere_cancels_the_measurement(done):
    runner, bench, kept = led(CheckName.RADIAL, CheckName.SPEED)
    ask = to_the_measurement(runner, bench)
    runner.measure()
    bench.finish(ask)
    done(runner)
    assert (runner.part, runner.poll(), bench.request, kept.taken) == (None, None, None, [])


def test_an_answer_that_cannot_be_leaves_all_as_it_is():
    runner, bench, _ = led(CheckName.RADIAL)
    ask = to_the_measurement(runner, bench)
    runner.measure()
    with pytest.raises(ValueError, match="answered by a measurement"):
        runner.answer(True)
    assert (runner.job.ask, runner.part) == (ask, 0.0)


def test_a_measurement_in_the_same_step_follows_of_itself():
    runner, bench, _ = led(CheckName.HYSTERESIS, CheckName.SPEED)
    follows = []
    while runner.job.at == 0:
        ask = runner.job.ask
        runner.answer(bench.drive.answer(ask))
        follows.append((isinstance(runner.job.ask, Measure), runner.job.at == 0, runner.follows))
    assert all(told == (measured and same) for measured, same, told in follows)
    # The speed that comes next is of another step: the hands may first do something else.
    assert follows[-1] == (True, False, False)


def test_a_step_that_was_done_is_taken_up_as_a_new_one():
    runner, bench, _ = led(CheckName.RADIAL, CheckName.SPEED)
    while runner.job.at == 0:
        runner.answer(bench.drive.answer(runner.job.ask))
    runner.take_up(0)
    states = [step.state for step in runner.job.steps]
    assert states == [StepState.DONE, StepState.IN_HAND, StepState.PENDING]
    runner.take_up(2)
    assert runner.job.steps[2].state is StepState.IN_HAND


def shown(offset_um, at, valid=True):
    """A live reading that is a new one."""
    if not valid:
        return Reading(valid=False, reasons=(NO_CARRIER,), end_index=at)
    balance = Quantity(offset_um / PROFILE.scale_um, 1e-4)
    return Reading(
        valid=True, balance=balance, offset_um=Quantity(offset_um, 0.02), snr_db=30.0, end_index=at
    )


def see_all(runner, *readings, lag_s=0.0):
    """Show readings a tenth of a second apart, each `lag_s` late; returns which answers."""
    for number, (offset_um, valid) in enumerate(readings):
        at_s = see_all.at / 10.0
        answered = runner.see(shown(offset_um, see_all.at, valid), at_s, at_s + lag_s)
        see_all.at += 1
        if answered:
            return number
    return None


see_all.at = 1


def asked_for(action, *checks, drive=None):
    """Lead a job to the first time that something is asked for."""
    runner, bench, kept = led(*checks)
    bench.drive = drive or bench.drive
    while not (isinstance(runner.job.ask, Do) and runner.job.ask.action is action):
        ask = runner.job.ask
        if isinstance(ask, Measure):
            runner.measure()
            bench.finish(ask)
            runner.poll()
        else:
            runner.answer(bench.drive.answer(ask))
    return runner, bench, kept


HERE_UM, AWAY = (4.0, True), (0.0, False)


@pytest.mark.parametrize(
    ("action", "check"),
    [(Action.ARRIVE_FROM_OUTSIDE, CheckName.HYSTERESIS), (Action.RESEAT, CheckName.SEATING)],
)
def test_what_goes_and_comes_back_is_seen_and_done_is_asked_about_where_it_does_not(action, check):
    runner, _, _ = asked_for(action, check)
    ask = runner.job.ask
    see_all(runner, *[HERE_UM] * 5)
    assert not runner.done()
    assert runner.awaits
    see_all(runner, *[HERE_UM] * 20)
    assert "Nothing was seen to move" in str(runner.doubt)
    assert runner.job.ask == ask
    # It is done at last: nothing more has to be said.
    assert see_all(runner, *[AWAY] * 6, *[HERE_UM] * 5) == 6
    assert runner.doubt is None
    assert isinstance(runner.job.ask, Measure)
    assert runner.job.ask.marks == ()


def test_who_insists_is_believed_and_the_record_says_so():
    runner, bench, kept = asked_for(Action.ARRIVE_FROM_OUTSIDE, CheckName.HYSTERESIS)
    assert not runner.done()
    see_all(runner, *[HERE_UM] * 20)
    runner.insist()
    ask = runner.job.ask
    runner.measure()
    bench.finish(ask)
    runner.poll()
    assert "by the word of the hand alone" in kept.taken[-1].notes[0]


def test_no_reading_at_all_is_nothing_seen():
    runner, _, _ = asked_for(Action.ARRIVE_FROM_OUTSIDE, CheckName.HYSTERESIS)
    runner.done()
    for at_s in (0.0, 1.0, 2.0):
        assert not runner.see(None, at_s, at_s)
    assert runner.doubt is not None


@pytest.mark.parametrize(("lag_s", "samples_s"), [(0.0, 1.7), (0.9, 2.6), (3.0, 4.7)])
def test_what_was_said_waits_for_samples_and_not_for_the_clock(lag_s, samples_s):
    """An analysis that is late has not seen the hand yet; its lag is not the hand's fault."""
    runner, _, _ = asked_for(Action.ARRIVE_FROM_OUTSIDE, CheckName.HYSTERESIS)
    see_all(runner, *[HERE_UM] * 5, lag_s=lag_s)
    assert not runner.done()
    see_all(runner, *[HERE_UM] * round(10 * samples_s - 2), lag_s=lag_s)
    assert runner.doubt is None
    see_all(runner, *[HERE_UM] * 4, lag_s=lag_s)
    assert runner.doubt is not None


def test_what_a_late_analysis_sees_at_last_is_seen():
    runner, _, _ = asked_for(Action.ARRIVE_FROM_OUTSIDE, CheckName.HYSTERESIS)
    see_all(runner, *[HERE_UM] * 5, lag_s=2.0)
    assert not runner.done()
    late = [*[HERE_UM] * 20, *[AWAY] * 6, *[HERE_UM] * 5]
    assert see_all(runner, *late, lag_s=2.0) == 26
    assert runner.doubt is None


def test_a_head_that_stays_away_is_asked_about_and_not_waited_for_without_end():
    runner, _, _ = asked_for(Action.ARRIVE_FROM_OUTSIDE, CheckName.HYSTERESIS)
    see_all(runner, *[HERE_UM] * 5, *[AWAY] * 6)
    assert not runner.done()
    see_all(runner, *[AWAY] * 10)
    assert runner.awaits
    see_all(runner, *[AWAY] * 200)
    assert runner.doubt is not None


STILL, MOVED, LOST = 0.0, 24.0, None


@pytest.mark.parametrize(
    ("moves_um", "seen"),
    [
        ([STILL] * 20, False),
        ([STILL] * 3 + [MOVED], True),
        # The signal fails for a moment, and the head is where it was.
        ([STILL] * 3 + [LOST] + [STILL] * 20, False),
    ],
)
def test_a_nudge_is_one_where_the_head_was_seen_to_move(moves_um, seen):
    runner, _, _ = asked_for(Action.NUDGE, CheckName.ADJUST)
    assert abs(runner.job.ask.amount) > 10.0
    runner.done()
    see_all(runner, *places(runner, moves_um))
    assert isinstance(runner.job.ask, Measure) == seen
    assert (runner.doubt is None) == seen


def places(runner, moves_um):
    """Return where the head is seen after moves from where it was measured last."""
    at_um = runner._place_um.value
    return [AWAY if move is LOST else (at_um - move, True) for move in moves_um]


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(
    ("parts", "noticed"),
    [
        ([0.0] * 40, False),  # nothing was turned yet
        ([0.0, 0.3, 0.6, 0.6, *[0.6] * 40], False),  # a rest on the way
        ([0.0, 0.5, *[1.0] * 10], False),  # not yet at rest
        ([0.0, 0.5, *[1.0] * 40], True),
        ([0.0, 0.5, *[0.8] * 40], False),  # the hand may be changing its grip
        ([0.0, 0.5, *[0.8] * 80], True),  # as far as a hand comes
        ([0.0, *[0.8, 1.3] * 20], False),  # it is still turned to and fro
        ([0.0, *[1.0] * 10, LOST, *[1.0] * 15], False),  # out of sight the rest begins anew
        ([0.0, *[1.0] * 10, LOST, *[1.0] * 40], True),
    ],
)
def test_a_nudge_is_noticed_without_a_word_once_the_head_stands_still(parts, noticed, sign):
    runner, _, _ = asked_for(Action.NUDGE, CheckName.ADJUST)
    ask = runner.job.ask
    amount_um = sign * ask.amount
    moves = [LOST if part is LOST else -part * amount_um for part in parts]
    assert runner.hand.notices
    answered = see_all(runner, *places(runner, moves))
    assert (answered is not None) == noticed
    assert (runner.job.ask != ask) == noticed
    if noticed:
        # By two seconds of readings at rest, and it is measured at once.
        assert answered >= parts.index(max(filter(None, parts))) + 20
        assert runner.follows
        assert runner.job.ask.marks == ()


@pytest.mark.parametrize("said", [False, True])
def test_where_the_hand_was_still_at_work_it_is_measured_anew_after_a_nudge_that_nobody_told(said):
    runner, bench, kept = asked_for(Action.NUDGE, CheckName.ADJUST)
    amount_um = runner.job.ask.amount
    if said:
        runner.done()
    see_all(runner, *places(runner, [0.0, *[-amount_um] * 40]))
    ask = runner.job.ask
    assert isinstance(ask, Measure)
    runner.measure()
    bench.finish(ask)
    whole = bench.now
    moved = fill(HEAD_MOVED, "+0.101", "-0.245")
    reading = replace(whole.measurement.reading, notes=(moved,))
    before = len(kept.taken)
    for _ in range(3):
        bench.now = replace(whole, measurement=replace(whole.measurement, reading=reading))
        runner.poll()
        if said:
            # Who has said so has it as it was measured.
            assert len(kept.taken) == before + 1
            return
        assert (runner.job.ask, runner.part, kept.taken[before:]) == (ask, 0.0, [])
        assert bench.request is not None
    bench.now = whole
    runner.poll()
    assert len(kept.taken) == before + 1


def test_a_tightening_is_confirmed_and_not_taken_for_done():
    runner, _, _ = asked_for(
        Action.TIGHTEN, CheckName.ADJUST, CheckName.LOCK, drive=ScriptedDrive(creep_um=0.1)
    )
    ask = runner.job.ask
    assert see_all(runner, *places(runner, [STILL, *[MOVED] * 60])) is None
    assert runner.job.ask == ask
    assert not runner.hand.notices


@pytest.mark.parametrize("lost", [False, True])
def test_a_nudge_too_small_to_be_seen_counts_where_the_head_was_always_in_sight(lost):
    runner, _, _ = asked_for(Action.NUDGE, CheckName.ADJUST)
    runner.hand._doing = replace(runner.job.ask, amount=0.5)
    runner.done()
    see_all(runner, *places(runner, [STILL, LOST if lost else STILL, *[STILL] * 20]))
    assert isinstance(runner.job.ask, Measure) != lost


@pytest.mark.parametrize("lost", [False, True])
def test_tightening_counts_where_the_head_was_always_in_sight(lost):
    runner, _, _ = asked_for(
        Action.TIGHTEN, CheckName.ADJUST, CheckName.LOCK, drive=ScriptedDrive(creep_um=0.1)
    )
    place_um = runner._place_um.value
    see_all(runner, (place_um, True), *([AWAY] if lost else []), (place_um, True))
    assert runner.done() != lost
    see_all(runner, *[(place_um, True)] * 20)
    assert (runner.doubt is not None) == lost
    assert not lost or "not valid throughout" in str(runner.doubt)


def seen_turning_and_stopping(runner):
    """Show readings as of a disk that turns and then stops."""
    seated_um = runner.job.known.seated_um
    turning = Reading(valid=True, offset_um=Quantity(0.0, 0.1), balance=Quantity(0.0, 0.001))
    for place, notes in enumerate([(), (), (INDEX_SILENT,), (INDEX_SILENT,)]):
        runner.see(replace(turning, end_index=place, notes=notes), 0.1 * place, 0.1 * place)
        # As long as it turns it lies as it did.
        assert notes or runner.job.known.seated_um == seated_um


def test_a_disk_that_stops_unasked_lies_as_nobody_knows_and_the_record_says_so():
    runner, bench, kept = led(CheckName.SEATING, CheckName.RADIAL, CheckName.RADIAL)
    bench.drive.zero_shifts_um = [10.0, -10.0, 20.0, -20.0, 15.0]
    while runner.job.at == 0:
        runner.answer(bench.drive.answer(runner.job.ask))
    assert runner.job.known.seated_um is not None
    seen_turning_and_stopping(runner)
    assert runner.job.known.seated_um is None
    assert [(each.label, each.notes) for each in kept.taken if each.label == DISK_STOPPED] == [
        (DISK_STOPPED, (str(messages.DISK_STOPPED),))
    ]
    # Nor is it known where an answer is taken back.
    runner.answer(bench.drive.answer(runner.job.ask))
    assert runner.job.known.seated_um is None


def test_a_disk_that_stops_to_be_seated_is_told_of_by_nobody():
    runner, bench, kept = led(CheckName.SEATING)
    bench.drive.zero_shifts_um = [10.0, -10.0, 20.0, -20.0, 15.0]
    while runner.job.at is not None:
        ask = runner.job.ask
        if isinstance(ask, Do) and ask.action is Action.RESEAT:
            seen_turning_and_stopping(runner)
        runner.answer(bench.drive.answer(ask))
    assert runner.job.known.seated_um is not None
    assert not [each for each in kept.taken if each.label == DISK_STOPPED]


def test_another_source_is_asked_about_before_it_is_measured():
    runner, bench, kept = led(CheckName.RADIAL)
    ask = to_the_measurement(runner, bench)
    bench.at = replace(HERE, source="visa:other")
    assert "Is it still the same drive?" in str(runner.measure())
    assert (runner.part, bench.request, runner.refusal) == (None, None, None)
    runner.accept_change()
    assert runner.measure() is None
    bench.finish(ask)
    assert runner.poll().measurement is not None
    assert [entry.source for entry in kept.taken] == ["visa:other", "visa:other"]


def test_the_virtual_drive_is_refused_before_and_after_it_was_measured():
    runner, bench, kept = led(CheckName.RADIAL)
    ask = to_the_measurement(runner, bench)
    bench.at = replace(HERE, virtual=True)
    assert "virtual drive" in str(runner.measure())
    assert "virtual drive" in str(runner.refusal)
    bench.at = HERE
    assert runner.measure() is None
    bench.at = replace(HERE, virtual=True)
    bench.finish(ask)
    assert "virtual drive" in runner.poll().fault
    assert (kept.taken, runner.part, runner.job.ask) == ([], None, ask)


@pytest.mark.parametrize("file_first", [True, False])
def test_a_file_and_the_virtual_drive_do_not_go_into_one_job(tmp_path, file_first):
    path = tmp_path / "capture.wav"
    write_capture(path, "plus", "minus", "index", turns=12.0)
    addresses = [f"file:{path}", SIM][:: 1 if file_first else -1]
    session = Session(PROFILE)
    try:
        session.open(addresses[0])
        first = until(session.origin)
        job = Job(PROFILE, first.virtual, now=lambda: "", source=first.source, plan=RADIAL)
        assert first.virtual is not file_first
        runner = JobRunner(job, session)
        while isinstance(job.ask, Do):
            runner.answer(True)
        assert runner.measure() is None
        session.open(addresses[1])
        until(session.origin)
        assert "changed" in runner.poll().fault
        assert "begin a new job" in str(runner.measure())
        assert runner.part is None
    finally:
        session.close()


@pytest.mark.parametrize("action", [Action.NUDGE, Action.TIGHTEN])
def test_on_an_ordinary_track_a_gauge_sees_what_no_lobes_could(action):
    drive = ScriptedDrive(middle_um=30.0)
    job, _ = job_on(plan=[Planned(CheckName.CENTRE, Stage.WORK)])
    while not (isinstance(job.ask, Do) and job.ask.action is action):
        job.answer(drive.answer(job.ask))
    hand = HandWatch(job)
    assert not hand.watches
    assert hand.seen


def test_all_of_a_recording_counts_from_its_beginning(tmp_path):
    write_capture(tmp_path / "capture.wav", "plus", "minus", "index")
    source = FileSource(str(tmp_path / "capture.wav"))
    source.open()
    reader = SourceReader(source, PROFILE, EnvelopeOptions())
    reader.measure(MeasurementRequest(Measurand.RADIAL, turns=3))
    while reader.progress().measurement is None:
        reader.read()
    found = reader.progress().measurement
    assert (found.problem, found.reading.valid) == (None, True)
    source.close()
