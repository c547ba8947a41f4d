"""The needle by ear: the tone's switch and level, and needle and job read aloud.

Threads: everything here runs in the thread of the GUI; the output's own calls the voice alone.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from app.dashboard.needle_page.dial import balance_of
from app.dashboard.source_words import source_words
from app.dashboard.text import Face, translate
from app.ear.guide import AudibleNeedle, Guide
from app.ear.speech import Speaker
from app.ear.voice import LOUDEST_DB, QUIETEST_DB, Fill, OutputUnavailable, Voice

_LEVEL_DB = -12.0
_STEP_DB = 6.0


class Output(Protocol):
    """A sound output that is open."""

    @property
    def name(self) -> str:
        """What a person knows it by."""
        ...

    def close(self) -> None:
        """Play nothing more."""
        ...


OpenOutput = Callable[[Callable[[float], Fill], str], Output]
"""Opens an output: given what makes its samples, and the address that is measured.

Raises :class:`app.ear.voice.OutputUnavailable` where it cannot."""


def heard_of(face: Face, set_limit: float) -> AudibleNeedle | None:
    """Return what of a face is heard, None while its needle is parked."""
    if face.balance is None:
        return None
    limit = balance_of(set_limit)
    return AudibleNeedle(face.balance, face.expanded_u, limit, face.mirrored, face.moving)


class Ear:
    """What is heard of the needle and of the job.

    Parameters
    ----------
    open_output : callable or None
        Opens the sound output; None where there is none.
    remark : callable
        Says a sentence on the screen.
    speaker : Speaker, optional
        Who reads aloud.
    """

    def __init__(
        self,
        open_output: OpenOutput | None,
        remark: Callable[[str], None],
        speaker: Speaker | None = None,
    ) -> None:
        self._open_output = open_output
        self._remark = remark
        self._speaker = speaker or Speaker()
        self._level_db = _LEVEL_DB
        self._output: Output | None = None
        self._voice: Voice | None = None
        self._guide: Guide | None = None
        self._reads = False

    @property
    def is_on(self) -> bool:
        """Whether the tone is heard."""
        return self._output is not None

    @property
    def reads(self) -> bool:
        """Whether needle and job are read aloud."""
        return self._reads

    @property
    def is_speaking(self) -> bool:
        """Whether something is being read aloud."""
        return self._speaker.is_speaking

    def toggle(self, measured: str) -> None:
        """Let the tone be heard, or no more; `measured` is the address of the open source."""
        if self._output is not None:
            self.close()
            self._remark(translate("dashboard", "The tone is off."))
            return
        if self._open_output is None:
            self._remark(translate("dashboard", "There is no sound output."))
            return
        try:
            self._output = self._open_output(self._fill, measured)
        except OutputUnavailable as fault:
            self._voice = self._guide = None
            self._remark(source_words(str(fault)))
        else:
            words = translate(
                "dashboard", "The tone plays on {0}; Ctrl ↑ and Ctrl ↓ set its level."
            )
            self._remark(words.format(self._output.name))

    def louder(self, steps: int) -> None:
        """Set the tone's level by so many steps."""
        self._level_db = min(max(self._level_db + steps * _STEP_DB, QUIETEST_DB), LOUDEST_DB)
        if self._voice is not None:
            self._voice.level = self._level
        words = translate("dashboard", "Level of the tone: {0:.0f} dB of full scale.")
        self._remark(words.format(self._level_db))

    def toggle_reading(self) -> None:
        """Let needle and job be read aloud, or no more."""
        if not self._speaker.can_speak:
            self._remark(
                translate(
                    "dashboard", "This system has no speech; on Linux, install speech-dispatcher."
                )
            )
            return
        self._reads = not self._reads
        if self._reads:
            self._remark(translate("dashboard", "Needle and job are read aloud."))
        else:
            self._speaker.stop()
            self._remark(translate("dashboard", "Nothing is read aloud any more."))

    def show(self, face: Face, set_limit: float, now_s: float) -> None:
        """Let the newest needle be heard."""
        if self._guide is not None:
            self._guide.show(heard_of(face, set_limit), now_s)

    def read(self, news: str) -> None:
        """Read what is new, where there is anything, instead of what is being read."""
        if self._reads and news:
            self._speaker.say(news)

    @property
    def _level(self) -> float:
        return float(10.0 ** (self._level_db / 20.0))

    def close(self) -> None:
        """Let nothing be heard any more."""
        output, self._output = self._output, None
        self._voice = self._guide = None
        if output is not None:
            output.close()
        self._speaker.stop()

    def _fill(self, rate_hz: float) -> Fill:
        self._voice = Voice(rate_hz)
        self._voice.level = self._level
        self._guide = Guide(self._voice)
        return self._voice.render
