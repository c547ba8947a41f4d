"""Which calibrations of a book count, when they are due, and what they change in a class."""

from datetime import date, timedelta

import pytest

from app.analysis.budget import Part
from app.analysis.results import Quantity
from app.book.calibrations import as_begun, calibrations_in, disks_in, used_for
from app.book.store import Book
from app.job.budget import SCALE, ZERO, corrections, offset_budget
from app.job.model import CheckName, Known
from app.profiles import load_profile, profile_values
from tests.app.book.jobs import DRIVE, calibrate

PROFILE = load_profile("130mm-48tpi")
TODAY = date(2026, 6, 1)


@pytest.fixture
def book(tmp_path):
    with Book(tmp_path / "book.sqlite3") as made:
        made.add_drive(DRIVE)
        yield made


def use(book, disk="AD 7", instrument="", virtual=False, today=TODAY):
    return used_for(PROFILE, calibrations_in(book), disk, instrument, virtual=virtual, today=today)


def test_a_scale_is_used_with_its_u_and_names_its_source(book):
    calibrate(book, CheckName.SCALE, 181.5, 1.5)
    found = use(book)
    assert (found.profile.scale_um, found.profile.calibrated) == (181.5, True)
    # Expanded by its degrees of freedom: half of its U.
    assert found.profile.scale_u_um == pytest.approx(1.1 * 1.5)
    source = dict(found.profile.sources)["pattern.scale_um"]
    assert source == "calibrated on the bench on 2026-03-01, job 1, due 2027-03-01"
    assert [str(note) for note in found.notes] == [
        "used: scale 181.5 ± 3.3 µm of disk “AD 7”, job 1 of 2026-03-01, due on 2027-03-01",
    ]
    # The scale's part of an offset shrinks to what the calibration leaves.
    part = {each.name: each for each in _parts(found.profile)}[SCALE]
    assert part.u == pytest.approx(20.0 * 1.65 / 181.5)


def test_each_disk_that_was_calibrated_is_named_once_and_in_order(book):
    assert disks_in(book) == ()
    names = [f"AD {letter}" for letter in "GBFADCE"]
    for name in (*names, *names[:2]):
        calibrate(book, CheckName.SCALE, 181.5, 1.5, disk=name)
    assert disks_in(book) == tuple(sorted(names))


def _parts(profile) -> tuple[Part, ...]:
    known = Known()
    fixed = sum(part.value for part in corrections(profile, known, 0))
    return offset_budget(profile, known, 0, Quantity(20.0 + fixed, 0.1)).parts


def test_a_zero_is_used_for_its_side_alone_and_the_newest_counts(book):
    calibrate(book, CheckName.ZERO, 3.0, 0.5, head=1)
    calibrate(book, CheckName.WORKING_DISK, 4.5, 0.7, head=1)
    profile = use(book).profile
    track = PROFILE.alignment_track
    assert profile.zero_of(track, 1) == pytest.approx((4.5, 0.77))
    assert profile.zero_of(track, 0) == PROFILE.zero_of(track, 0)
    (zero,) = (part for part in corrections(profile, Known(), 1) if part.name == ZERO)
    assert (zero.value, zero.u) == pytest.approx((-4.5, 0.77))


@pytest.mark.parametrize(
    ("changed", "asked", "said"),
    [
        (
            {},
            {"today": date(2027, 3, 2)},
            "on 2027-03-01; calibrate anew, by the plan “scale”",
        ),
        ({}, {"today": TODAY - timedelta(days=600)}, "which is after today"),
        ({"instrument": "A 1"}, {"instrument": "B 2"}, "made with “A 1”, and this is “B 2”"),
        ({"instrument": "A 1"}, {}, "and this is an input without a name"),
        ({}, {"disk": ""}, "calibrations of “AD 7”, and none is used: no disk is named"),
    ],
)
def test_what_may_not_be_used_is_told_with_the_remedy(book, changed, asked, said):
    calibrate(book, CheckName.SCALE, 181.5, 1.5, **changed)
    found = use(book, **asked)
    assert found.profile == PROFILE
    (note,) = found.notes
    assert said in str(note)


def test_where_no_disk_is_named_those_that_it_may_be_are_in_order(book):
    names = [f"AD {number}" for number in (5, 2, 9, 4, 7, 1, 8, 3)]
    for name in names:
        calibrate(book, CheckName.SCALE, 181.5, 1.5, disk=name)
    (note,) = use(book, disk="").notes
    assert ", ".join(f"“{name}”" for name in sorted(names)) in str(note)


@pytest.mark.parametrize(
    ("changed", "asked"),
    [
        ({}, {"disk": "AD 8"}),
        ({}, {"virtual": True}),
        ({"virtual": True}, {}),
        ({"closed": False}, {}),
        ({"disk": ""}, {}),
        ({"disk": "AD 8"}, {}),
    ],
)
def test_one_of_another_disk_or_drive_or_of_an_open_job_says_nothing(book, changed, asked):
    calibrate(book, CheckName.SCALE, 181.5, 1.5, **changed)
    assert use(book, **asked) == used_for(PROFILE, (), "", "", virtual=False, today=TODAY)


def test_it_is_told_when_it_is_due_soon(book):
    calibrate(book, CheckName.SCALE, 181.5, 1.5)
    # Thirty days before it is not soon yet, a day later it is.
    before = use(book, today=date(2027, 1, 30))
    assert before.notes[0].values[-1].endswith("due on 2027-03-01")
    assert use(book, today=date(2027, 1, 31)).notes[0].values[-1].endswith(", soon")
    assert (
        use(book, today=date(2027, 2, 20)).notes[0].values[-1].endswith("due on 2027-03-01, soon")
    )
    # The last day counts.
    last = use(book, today=date(2027, 3, 1))
    assert last.profile.calibrated
    assert last.notes[0].values[-1] == "due on 2027-03-01, soon"


def test_a_job_goes_on_with_what_it_was_begun_with(book):
    calibrate(book, CheckName.SCALE, 181.5, 1.5)
    calibrate(book, CheckName.ZERO, 2.0, 0.5, head=0)
    calibrate(book, CheckName.ZERO, 3.0, 0.5, head=1)
    values = profile_values(use(book).profile)
    zeros = next(source for key, _, source in values if key == "certificate.zero_um")
    assert ("job 2," in zeros, "job 3," in zeros) == (True, True)
    # What came later is not of that job, and neither is the passing of the due day.
    calibrate(book, CheckName.ZERO, 7.0, 0.5, head=1)
    calibrate(book, CheckName.SCALE, 185.0, 1.5, at="2026-04-01T10:00:00.000+00:00")
    assert use(book).profile.scale_um == 185.0
    assert profile_values(as_begun(PROFILE, calibrations_in(book), values)) == values
    assert as_begun(PROFILE, calibrations_in(book), profile_values(PROFILE)) == PROFILE
