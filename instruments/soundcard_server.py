"""What the sound server does with a capture, where ``pactl`` can tell.

A server may resample, mute or attenuate a capture, and hand it another input, with no word to
the capturing program. Threads: *soundcard-watch* asks once a second; ``moved_to`` is its to write.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import threading
from dataclasses import dataclass
from typing import Any

_ASK_S = 1.5  # pactl answers in milliseconds, or the server hangs


@dataclass(frozen=True, slots=True)
class ServerInput:
    """The input that the server feeds a capture from.

    Attributes
    ----------
    capture : int
        The server's number for the capture.
    name : str
        The input's name.
    channels : int
        Channels that it has; the server makes up any more that are asked for.
    rate_hz : int
        Its own rate; the server resamples to any other.
    muted : bool
        The server passes silence.
    volume : float
        Least volume of a channel: 1 where samples pass unchanged.
    """

    capture: int
    name: str
    channels: int
    rate_hz: int
    muted: bool
    volume: float


def _ask(what: str) -> list[dict[str, Any]]:
    """Return the server's list of `what`, empty when it cannot be had."""
    tool = shutil.which("pactl")
    if tool is None:
        return []
    try:
        answer = subprocess.run(
            [tool, "-f", "json", "list", what],
            env={**os.environ, "LC_ALL": "C"},  # a decimal comma would break the JSON
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=_ASK_S,
            check=True,
        )
        found = json.loads(answer.stdout)
    except (OSError, subprocess.SubprocessError, ValueError):
        return []
    return [item for item in found if isinstance(item, dict)] if isinstance(found, list) else []


def _volumes(item: dict[str, Any]) -> float:
    return min((one["value"] / 65536 for one in item["volume"].values()), default=1.0)


def server_input(capture: int | None = None) -> ServerInput | None:
    """Return what feeds this process's capture, None when there is no telling.

    Parameters
    ----------
    capture : int or None
        The server's number for the capture; None for this process's newest.
    """
    pid = str(os.getpid())
    try:
        ours = {
            item["index"]: item
            for item in _ask("source-outputs")
            if item["properties"].get("application.process.id") == pid
        }
        number = max(ours, default=None) if capture is None else capture
        if number is None or number not in ours:
            return None
        output = ours[number]
        for item in _ask("sources"):
            if item["index"] == output["source"]:
                _, channels, rate = item["sample_specification"].split()
                return ServerInput(
                    capture=number,
                    name=item["name"],
                    channels=int(channels.removesuffix("ch")),
                    rate_hz=int(rate.removesuffix("Hz")),
                    muted=item["mute"] or output["mute"],
                    volume=min(_volumes(item), _volumes(output)),
                )
    except (KeyError, TypeError, ValueError, AttributeError):
        return None  # another server's dialect: nothing is known
    return None


class Watch:
    """Looks once a second whether the server still feeds the capture from the same input."""

    def __init__(self, first: ServerInput, interval_s: float = 1.0) -> None:
        self._first = first
        self._interval_s = interval_s
        self._stop = threading.Event()
        self.moved_to: str | None = None
        """Name of the other input, once the capture was moved."""
        self._thread = threading.Thread(target=self._run, name="soundcard-watch", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self._stop.wait(self._interval_s):
            now = server_input(self._first.capture)
            if now is not None and now.name != self._first.name:
                self.moved_to = now.name
                return

    def stop(self) -> None:
        """End the thread; it is gone within the time that ``pactl`` is given."""
        self._stop.set()
