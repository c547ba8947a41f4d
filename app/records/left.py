"""An open job as it was left, and what it takes to go on with it."""

from __future__ import annotations

from dataclasses import dataclass

from app.job.model import JobHead, Outcome
from app.job.standing import Standing
from app.profiles import Profile, profile_values
from app.records.fault import RefusedError
from app.records.model import Drive


@dataclass(frozen=True, slots=True)
class Left:
    """An open job.

    Attributes
    ----------
    number : int
        Its number in the book.
    drive, head : Drive, JobHead
        Whose job, and what stood over it from its beginning.
    standing : Standing
        How it stands.
    outcomes : tuple of Outcome
        What its checks have come to.
    """

    number: int
    drive: Drive
    head: JobHead
    standing: Standing
    outcomes: tuple[Outcome, ...]

    def check_fits(self, profile: Profile, virtual: bool) -> None:
        """Refuse to go on with another kind of drive, or by other limits.

        Parameters
        ----------
        profile : Profile
            The class as it is now.
        virtual : bool
            Whether the source is the virtual drive.

        Raises
        ------
        RefusedError
            The sentence says what does not fit.
        """
        job = f"job {self.number}"
        if virtual != self.head.virtual:
            begun, now = ("the virtual drive", "a real one")[:: 1 if self.head.virtual else -1]
            raise RefusedError(
                f"{job} was begun on {begun}, and the source is {now}; open a source that fits, "
                "or begin a new job"
            )
        if (profile.name, profile_values(profile)) != (self.head.profile, self.head.profile_values):
            raise RefusedError(
                f"{job} was begun with the values that the class “{self.head.profile}” had then, "
                f"and those of “{profile.name}” are others now; begin a new job"
            )
