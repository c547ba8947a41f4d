"""Sentences by the system's own speech, where there is one."""

from __future__ import annotations

import shutil
import subprocess
from contextlib import suppress
from dataclasses import dataclass

_SILENCED_WITHIN_S = 2.0


@dataclass(frozen=True, slots=True)
class SpeechCommand:
    """A program that speaks what is written to its standard input.

    Attributes
    ----------
    speak : sequence of str
        The program and its arguments.
    silence : sequence of str
        What ends what is being spoken; empty where it ends with the program.
    """

    speak: tuple[str, ...]
    silence: tuple[str, ...] = ()


# Of what a pipe brings, speech-dispatcher's client hands all on at once, to be spoken one after
# the other, unless it is told to wait for the end, and by its priority that each ends the last:
# `src/clients/say/say.c` of speech-dispatcher.
_COMMANDS = (
    SpeechCommand(
        ("spd-say", "--pipe-mode", "--wait", "--priority", "text"), silence=("spd-say", "--stop")
    ),
    SpeechCommand(("say",)),
)
"""Speech-dispatcher's, and macOS's own."""


class Speaker:
    """Speaks one sentence at a time; a new one ends the last.

    Parameters
    ----------
    command : SpeechCommand, optional
        The program; None looks for one of the system's.
    """

    def __init__(self, command: SpeechCommand | None = None) -> None:
        found = (each for each in _COMMANDS if shutil.which(each.speak[0]))
        self._command = command or next(found, None)
        self._speaking: subprocess.Popen[bytes] | None = None

    @property
    def can_speak(self) -> bool:
        """Whether the system has a speech."""
        return self._command is not None

    @property
    def is_speaking(self) -> bool:
        """Whether a sentence is being spoken."""
        return self._speaking is not None and self._speaking.poll() is None

    def say(self, sentence: str) -> None:
        """Speak a sentence, instead of what is being spoken."""
        if self._command is None:
            return
        self._end()
        if not sentence:
            return
        with suppress(OSError):  # it has gone since it was looked for
            self._speaking = subprocess.Popen(
                self._command.speak,
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )
            assert self._speaking.stdin is not None
            self._speaking.stdin.write(sentence.encode())
            self._speaking.stdin.close()

    def stop(self) -> None:
        """End what is being spoken."""
        was_speaking = self.is_speaking
        self._end()
        if was_speaking and self._command is not None and self._command.silence:
            with suppress(OSError, subprocess.TimeoutExpired):
                subprocess.run(
                    self._command.silence,
                    check=False,
                    timeout=_SILENCED_WITHIN_S,
                    stdin=subprocess.DEVNULL,
                    stdout=subprocess.DEVNULL,
                    stderr=subprocess.DEVNULL,
                )

    def _end(self) -> None:
        speaking, self._speaking = self._speaking, None
        if speaking is not None:
            speaking.kill()
            speaking.wait()
