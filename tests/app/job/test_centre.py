"""The check against an ordinary track: what it asks, what it comes to, and what it refuses."""

import numpy as np
import pytest

from app.analysis.adjust.flanks import NO_FLANK, ONE_SIDE
from app.analysis.messages import fill
from app.analysis.results import Measurand, Verdict
from app.book.model import Drive, JobRecord
from app.job import messages
from app.job.checks.centre import LEAVE
from app.job.checks.gauge import PLACE
from app.job.model import Action, CheckName, Do, Enter, JobHead, Measure, Stage
from app.job.plan import Planned, plan_for
from app.report.content import report_of
from app.report.html import page_of
from tests.app.job.hands import PROFILE, ScriptedDrive, carry_out, job_on

PLAN = [Planned(CheckName.CENTRE, Stage.WORK)]


def centred(drive, **entries):
    drive.entries.update(entries)
    job, kept = job_on(drive, plan=PLAN)
    (outcome,) = kept.outcomes
    return outcome, job, kept


def detail(outcome, name):
    return next(each for each in outcome.details if each.name == name)


@pytest.mark.parametrize("track_um", [300.0, 155.0])
@pytest.mark.parametrize("middle_um", [60.0, -140.0, 0.0])
def test_the_head_is_brought_over_the_middle_and_the_creep_is_backed_off(middle_um, track_um):
    drive = ScriptedDrive(middle_um=middle_um, creep_um=12.0)
    drive.track_um = track_um
    outcome, job, kept = centred(drive, **{LEAVE: "middle"})
    assert abs(drive.middle_um) <= 4.0
    assert outcome.value == pytest.approx(drive.middle_um, abs=1.5)
    assert abs(outcome.value - drive.middle_um) <= outcome.expanded_u
    assert detail(outcome, "off the middle, as found").value == pytest.approx(middle_um, abs=1.5)
    wider = detail(outcome, "wider of head and track")
    assert abs(wider.value - 330.0) <= 2.0 * wider.u
    # A head over a narrower track reads the same all over the difference of their widths.
    blind_um = detail(outcome, "width of the blind top").value
    assert blind_um == pytest.approx(330.0 - track_um, abs=12.0)
    assert job.drive.loose is False
    actions = [each.action for each in drive.done]
    # The gauge stands at zero before anything may move.
    assert actions.index(Action.ZERO_GAUGE) < actions.index(Action.LOOSEN)
    assert actions.count(Action.TIGHTEN) == 2
    places = [each for each in kept.entries if each.label.startswith("at ")]
    assert [each.values[0].name for each in places] == ["level"] * len(places)
    assert detail(outcome, "places").value == len(places) < 30


class Overshot(ScriptedDrive):
    """A hand that goes too far on a long way."""

    far_part = 0.1

    def _do(self, ask):
        super()._do(ask)
        if ask.action is Action.NUDGE and abs(ask.amount) > 200.0:
            self.middle_um += self.far_part * ask.amount


# By two tenths the whole flank is left out but for its ends, which takes more than one place, and
# by four so many that each time all that is missing is halved.
@pytest.mark.parametrize(("middle_um", "far_part"), [(-149.0, 0.1), (-113.0, 0.2), (-113.0, 0.4)])
def test_what_a_long_nudge_leaves_out_of_a_flank_is_measured_after_it(middle_um, far_part):
    drive = Overshot(middle_um=middle_um)
    drive.track_um, drive.far_part = 185.0, far_part
    outcome, _, kept = centred(drive, **{LEAVE: "middle"})
    places_um = [float(each.label[3:-3]) for each in kept.entries if each.label.startswith("at ")]
    # It came back past the first place, and went between it and its neighbours once it was there.
    inmost = places_um.index(min(places_um))
    assert all(place_um < 49.0 for place_um in places_um[inmost:])
    assert len(places_um) > inmost + 1
    assert outcome.verdict is Verdict.NOTED
    assert detail(outcome, "off the middle, as found").value == pytest.approx(middle_um, abs=1.5)
    assert abs(drive.middle_um) <= 4.0


class Unread(Overshot):
    """A hand that goes too far, and that reads the gauge no more once it is sent back for it."""

    inmost_um = 0.0

    def _enter(self, ask):
        told = super()._enter(ask)
        if ask.key != PLACE:
            return told
        self.inmost_um = min(self.inmost_um, told)
        return told if self.inmost_um in (0.0, told) else None


def test_where_the_gauge_is_not_read_nothing_is_measured():
    drive = Unread(middle_um=-113.0)
    drive.track_um, drive.far_part = 185.0, 0.2
    outcome, _, kept = centred(drive)
    places_um = [float(each.label[3:-3]) for each in kept.entries if each.label.startswith("at ")]
    assert places_um.index(min(places_um)) == len(places_um) - 1
    assert outcome.value is None


# A step of a gauge that shows 1 µm is no smaller than a thirtieth of the head's width, 330 µm.
@pytest.mark.parametrize(("track_um", "fall"), [(155.0, 0.12), (130.0, 0.12), (60.0, 10.3 / 60.0)])
def test_on_a_flank_an_eighth_of_the_plateau_lies_from_place_to_place(track_um, fall):
    drive = ScriptedDrive(middle_um=10.0)
    drive.track_um = track_um
    _, _, kept = centred(drive, **{LEAVE: "middle"})
    measured = [each for each in kept.entries if each.label.startswith("at ")]
    levels_v = [
        each.values[0].value for each in sorted(measured, key=lambda e: float(e.label[3:-3]))
    ]
    parts = np.array(levels_v) / max(levels_v)
    falls = np.abs(np.diff(parts))[np.maximum(parts[1:], parts[:-1]) < 0.73]
    assert len(falls) >= 6
    assert falls == pytest.approx(np.full(len(falls), fall), abs=0.015)


def test_what_is_proved_is_said_and_nothing_is_judged():
    outcome, job, _ = centred(ScriptedDrive(middle_um=25.0), **{LEAVE: "as found"})
    assert outcome.verdict is Verdict.NOTED
    assert outcome.limit is None
    assert outcome.reason == str(fill(messages.RELATIVE, PROFILE.alignment_track))
    assert outcome.value == pytest.approx(25.0, abs=4.5)
    assert job.may_close


def test_it_is_done_only_where_it_is_asked_for():
    assert CheckName.CENTRE not in {each.check for each in plan_for(PROFILE)}
    both = plan_for(PROFILE, (CheckName.RADIAL, CheckName.CENTRE))
    # The head may have been moved by it.
    assert [each.check for each in both if each.stage is Stage.AS_LEFT] == [CheckName.RADIAL] * 2


def test_a_disk_that_is_not_protected_stays_out():
    drive = ScriptedDrive()
    drive.entries["write refused"] = "no"
    _, kept = job_on(drive, plan=[Planned(CheckName.CARE, Stage.AS_FOUND), *PLAN])
    assert kept.outcomes[-1].reason == str(messages.DISK_BARRED)
    assert Action.INSERT_COVERED not in [each.action for each in drive.done]


def test_half_steps_move_no_screw_and_their_few_places_are_refused():
    class HalfSteps(ScriptedDrive):
        def _do(self, ask):
            super()._do(ask)
            if ask.action is Action.NUDGE:
                self.middle_um = round(self.middle_um / 264.6) * 264.6

    drive = HalfSteps(middle_um=0.0)
    outcome, job, _ = centred(drive, **{"moved by": "half steps"})
    assert outcome.verdict is Verdict.UNDECIDED
    assert outcome.value is None
    assert Action.LOOSEN not in [each.action for each in drive.done]
    assert not job.may_close


class Stopped(ScriptedDrive):
    """A body that its slot stops, and a person who then leaves the place open."""

    def __init__(self, low_um, high_um):
        super().__init__(middle_um=0.0)
        self.ends_um = low_um, high_um
        self.stopped = False

    def _do(self, ask):
        super()._do(ask)
        low_um, high_um = self.ends_um
        self.stopped = not low_um <= self.middle_um <= high_um
        self.middle_um = min(max(self.middle_um, low_um), high_um)

    def _enter(self, ask):
        if ask.key == PLACE and self.stopped:
            self.stopped = False
            return None
        return super()._enter(ask)


@pytest.mark.parametrize(
    ("ends_um", "why"),
    [
        ((-300.0, 120.0), fill(ONE_SIDE, "inner")),
        ((-90.0, 90.0), NO_FLANK),
    ],
)
def test_a_slot_that_ends_before_the_flank_is_told(ends_um, why):
    outcome, job, _ = centred(Stopped(*ends_um))
    assert outcome.reason == str(why)
    assert outcome.value is None
    # The head goes back to where it was found.
    assert job.drive.loose is False


def test_a_place_that_is_not_told_at_the_end_gives_no_number():
    drive = ScriptedDrive(middle_um=30.0)
    job, kept = job_on(plan=PLAN)
    while not (isinstance(job.ask, Do) and job.ask.action is Action.TIGHTEN):
        carry_out(job, drive, asks=1)
    drive.entries[PLACE] = None
    carry_out(job, drive)
    (outcome,) = kept.outcomes
    assert (outcome.value, outcome.reason) == (None, str(messages.PLACE_UNTOLD))


def test_each_place_asks_for_the_hand_the_gauge_and_the_signal():
    drive = ScriptedDrive(middle_um=10.0)
    job, _ = job_on(plan=PLAN)
    asked = []
    while job.ask is not None:
        asked.append(job.ask)
        carry_out(job, drive, asks=1)
    track = next(ask for ask in asked if isinstance(ask, Enter) and ask.key == "ordinary track")
    assert (track.low, track.high) == (0.0, PROFILE.tracks - 1.0)
    first = next(place for place, ask in enumerate(asked) if isinstance(ask, Measure))
    hand, gauge, signal = asked[first + 1 : first + 4]
    assert (hand.action, hand.message.text) == (Action.NUDGE, messages.MOVE_BY_GAUGE.text)
    assert isinstance(gauge, Enter)
    assert (signal.measurand, signal.track) == (Measurand.LEVEL, PROFILE.alignment_track)


def test_a_gauge_that_stands_still_is_told_and_does_not_end_the_check_in_a_fault():
    outcome, _, _ = centred(ScriptedDrive(middle_um=-140.0), **{PLACE: 0.0})
    assert outcome.value is None
    assert outcome.reason


def test_the_report_says_to_owner_and_auditor_that_it_is_relative():
    outcome, _, kept = centred(ScriptedDrive(middle_um=30.0), **{LEAVE: "middle"})
    head = JobHead("2026-03-01T09:00:00+00:00", "scripted", False, "0", PROFILE.name)
    record = JobRecord(1, Drive("TM-0031", PROFILE.name), head, tuple(kept.entries), (outcome,))
    page = page_of(report_of(record, ()))
    assert "off the middle of a track that another drive wrote" in page
    assert "not proved: where the standard" in page
    assert "width of the blind top 4" in page
    # Each place stands at its measurement, and not among the conditions once more.
    assert page.count("Place by the gauge") == 0
