"""Sentences by the system's own speech, where there is one."""

from __future__ import annotations

import shutil
import subprocess
from contextlib import suppress

_COMMANDS = (("spd-say", "--pipe-mode"), ("say",))
"""Programs that speak what is written to their standard input: speech-dispatcher's, macOS's own."""


class Speaker:
    """Speaks one sentence at a time; a new one ends the last.

    Parameters
    ----------
    command : sequence of str, optional
        The program and its arguments; None looks for one of the system's.
    """

    def __init__(self, command: tuple[str, ...] | None = None) -> None:
        found = (each for each in _COMMANDS if shutil.which(each[0]))
        self._command = command or next(found, None)
        self._speaking: subprocess.Popen[bytes] | None = None

    @property
    def can_speak(self) -> bool:
        """Whether the system has a speech."""
        return self._command is not None

    def say(self, sentence: str) -> None:
        """Speak a sentence, instead of what is being spoken."""
        if self._command is None:
            return
        self.stop()
        if not sentence:
            return
        with suppress(OSError):  # it has gone since it was looked for
            self._speaking = subprocess.Popen(
                self._command,
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )
            assert self._speaking.stdin is not None
            self._speaking.stdin.write(sentence.encode())
            self._speaking.stdin.close()

    def stop(self) -> None:
        """End what is being spoken."""
        speaking, self._speaking = self._speaking, None
        if speaking is not None:
            speaking.kill()
            speaking.wait()
