"""Where a measurement was read from, and whether another may stand in the same job.

A job is of one drive. It never mixes the virtual drive with a real one, nor classes; any other
change of the source is asked about, and told in the report.
"""

from __future__ import annotations

from dataclasses import dataclass

from app.analysis.messages import fill
from app.analysis.results import Message
from app.job import messages


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a measurement was read from, at the moment at which it was read.

    Attributes
    ----------
    source : str
        The source's address; empty where none has been open yet.
    virtual : bool
        Whether what is measured is the virtual drive, also by way of a file.
    instrument : str
        What the instrument says of itself; empty where it says nothing.
    profile : str
        Name of the drive class by which it was measured; empty where that was not kept.
    settings : tuple of (str, str)
        The instrument's settings: name, and value with its unit.
    """

    source: str = ""
    virtual: bool = False
    instrument: str = ""
    profile: str = ""
    settings: tuple[tuple[str, str], ...] = ()

    def refusal(self, other: Origin) -> Message | None:
        """Return why nothing of `other` may stand in a job of this origin, None where it may."""
        if self.virtual != other.virtual:
            return messages.VIRTUAL_JOB if self.virtual else messages.REAL_JOB
        if self.profile and other.profile and self.profile != other.profile:
            return fill(messages.OTHER_CLASS, self.profile, other.profile)
        return None

    def change(self, other: Origin) -> Message | None:
        """Return in words how `other` differs in its source or instrument, None where it does not.

        An instrument that says nothing of itself is taken for the same.
        """
        if self.source and self.source != other.source:
            return fill(messages.OTHER_SOURCE, self.source, other.source)
        if self.instrument and other.instrument and self.instrument != other.instrument:
            return fill(messages.OTHER_SOURCE, self.instrument, other.instrument)
        return None
