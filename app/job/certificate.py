"""Whether a certificate is of the alignment disk in the drive, and still counts that day."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta

from app.analysis.messages import fill
from app.analysis.results import Message
from app.job import messages
from app.profiles import NOT_STATED

DUE_AFTER_DAYS = 365
"""Of a certificate that does not say it, and of a calibration on the bench (common practice); wear
of the disk is what it allows for."""


def of_another_disk(stated: Mapping[str, str], disk: str) -> Message | None:
    """Return that the certificate is of another disk than a job names, None where it is not.

    Parameters
    ----------
    stated : mapping of str to str
        Values of the class by their keys, as a job keeps them.
    disk : str
        The alignment disk as the job names it; empty where it does not.
    """
    certified, disk = stated.get("certificate.disk", NOT_STATED), disk.strip()
    if not disk or certified in (NOT_STATED, disk):
        return None
    return fill(messages.CERTIFICATE_OF_OTHER, certified, disk)


def out_of_date(stated: Mapping[str, str], on: date) -> Message | None:
    """Return that the certificate does not count on a day, None where it does or there is none."""
    made_on, due_on = (_day(stated.get(f"certificate.{key}", "")) for key in ("date", "due"))
    if made_on is not None and made_on > on:
        return fill(messages.CERTIFICATE_TO_COME, made_on, on)
    if due_on is not None:
        return fill(messages.CERTIFICATE_DUE, due_on) if on > due_on else None
    if made_on is not None and on > made_on + timedelta(days=DUE_AFTER_DAYS):
        return fill(messages.CERTIFICATE_OLD, made_on, DUE_AFTER_DAYS)
    return None


def _day(words: str) -> date | None:
    try:
        return date.fromisoformat(words)
    except ValueError:
        return None
