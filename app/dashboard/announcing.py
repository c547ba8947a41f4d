"""Words for a screen reader, said when something happens and not only where the focus is."""

from __future__ import annotations

from collections.abc import Callable

from app.dashboard.ear import heard_of
from app.dashboard.text import Face, translate, without_numbers
from app.ear.guide import Changes
from app.ear.voice import Chime

_APART_S = 1.0
"""Between two sentences of the needle: a reader takes about as long for one."""
Say = Callable[[str, bool], None]
"""Has words said; the second is whether they are urgent."""


class Announcer:
    """Tells what a needle does, at most once a second, and as it stands then."""

    def __init__(self, say: Say) -> None:
        self._say = say
        self._changes = Changes()
        self._parked_by = ""
        self._owed: Chime | None = None
        self._is_back = False
        self._said_at_s = float("-inf")

    def show(self, face: Face, set_limit: float, turning: str, now_s: float) -> None:
        """Tell what is new.

        Parameters
        ----------
        face : Face
            What the needle shows now.
        set_limit : float
            The limit that is told when it is crossed, a difference of the lobes.
        turning : str
            How far a nudge that a job asks for has to go still; empty where none does.
        now_s : float
            Monotonic time.
        """
        self._owe(face, set_limit)
        if (self._owed or self._is_back) and now_s - self._said_at_s >= _APART_S:
            owed, self._owed, self._is_back = self._owed, None, False
            self._said_at_s = now_s
            words = " ".join(filter(None, (_sentence(owed, face), turning)))
            self._say(words, owed is Chime.PARKED)

    def _owe(self, face: Face, set_limit: float) -> None:
        """Note what is to be told; of what comes sooner than it can be told the newest stays."""
        change = self._changes.show(heard_of(face, set_limit))
        # An age that goes on counting is no other reason.
        parked_by = "" if face.balance is not None else without_numbers(face.spoken)
        is_other, was_parked = parked_by != self._parked_by, bool(self._parked_by)
        self._parked_by = parked_by
        if parked_by:
            self._is_back = False
            self._owed = Chime.PARKED if is_other else self._owed
            return
        if was_parked:
            self._is_back, self._owed = True, None
        if change is not None:
            self._owed = change
        elif face.moving and self._owed is Chime.SETTLED:
            self._owed = None


def _sentence(change: Chime | None, face: Face) -> str:
    """Return a change in words, and how the needle stands."""
    words: dict[Chime | None, str] = {
        Chime.SETTLED: translate("dashboard", "Standing still."),
        Chime.ARRIVED: translate("dashboard", "Within the set limit."),
        Chime.LEFT: translate("dashboard", "Beyond the set limit."),
    }
    return " ".join(filter(None, (words.get(change), face.spoken)))
