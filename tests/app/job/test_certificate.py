"""A certificate of another disk, or one that does not count any more, is told with its remedy."""

from datetime import date

import pytest

from app.job.certificate import of_another_disk, out_of_date

TODAY = date(2026, 11, 29)


@pytest.mark.parametrize(
    ("date_", "due", "said"),
    [
        ("1987-05-31", "not stated", "certificate.date is 1987-05-31"),
        ("2025-11-28", "not stated", "older than 365 days"),
        ("2025-11-29", "not stated", ""),
        ("1987-05-31", "2026-11-28", "certificate.due is 2026-11-28"),
        ("1987-05-31", "2026-11-29", ""),
        ("2026-11-30", "not stated", "after the job"),
        ("not stated", "not stated", ""),
    ],
)
def test_the_day_of_a_job_decides_whether_a_certificate_counts(date_, due, said):
    found = out_of_date({"certificate.date": date_, "certificate.due": due}, TODAY)
    assert (found is not None) is bool(said)
    assert said in str(found)


@pytest.mark.parametrize(
    ("certified", "disk", "told"),
    [
        ("AD 3", "AD 4", True),
        ("AD 3", " AD 3 ", False),
        ("AD 3", "", False),
        ("not stated", "AD 4", False),
    ],
)
def test_a_certificate_of_another_disk_is_told(certified, disk, told):
    found = of_another_disk({"certificate.disk": certified}, disk)
    assert (found is not None) is told
    assert of_another_disk({}, disk) is None
    if told:
        assert "“AD 3”" in str(found)
        assert "“AD 4”" in str(found)
