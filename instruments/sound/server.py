"""The sound server behind an input: what it does to a capture, and whether it is there.

A sound server may resample, mute or attenuate a capture, or move it to another input, without
telling the capturing program; ``pactl`` tells. Threads: *soundcard-watch* asks it once a second and
alone writes ``moved_to``.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import threading
from dataclasses import dataclass
from typing import Any

# pactl answers in milliseconds, on a busy computer in a second or two, or the server hangs.
_ASK_S = 5.0


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
    server : str
        What the server calls itself.
    """

    capture: int
    name: str
    channels: int
    rate_hz: int
    muted: bool
    volume: float
    server: str = ""


def _answer(*words: str) -> Any:
    """Return what the server answers to ``pactl``, None where it does not or there is no tool."""
    tool = shutil.which("pactl")
    if tool is None:
        return None
    try:
        answer = subprocess.run(
            [tool, "-f", "json", *words],
            env={**os.environ, "LC_ALL": "C"},  # a decimal comma would break the JSON
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=_ASK_S,
            check=True,
        )
        return json.loads(answer.stdout)
    except (OSError, subprocess.SubprocessError, ValueError):
        return None


def _ask(what: str) -> list[dict[str, Any]]:
    """Return the server's list of `what`, empty when it cannot be had."""
    found = _answer("list", what)
    return [item for item in found if isinstance(item, dict)] if isinstance(found, list) else []


@dataclass(frozen=True, slots=True)
class ServerState:
    """How a sound server stands at one moment.

    Attributes
    ----------
    name : str
        What it calls itself; empty where it does not answer.
    inputs : tuple of str
        Names of the inputs that it has.
    """

    name: str
    inputs: tuple[str, ...] = ()


def server_state() -> ServerState | None:
    """Return how the sound server stands, None where there is no tool to ask it by."""
    if shutil.which("pactl") is None:
        return None
    info = _answer("info")
    if not isinstance(info, dict):
        return ServerState("")
    name = str(info.get("server_name") or "of this computer")
    return ServerState(name, tuple(str(item.get("name")) for item in _ask("sources")))


def no_input_by_server(what: str) -> str:
    """Return why no input can be had of the sound server, empty where it is not to blame.

    `what` begins the sentence: the input that is asked for.
    """
    state = server_state()
    if state is None or state.inputs:
        return ""
    if not state.name:
        return f"{what}: no sound server answers; start it, or plug in an input that needs none"
    return f"{what}: the sound server “{state.name}” has no input to give; plug one in"


def lost_by_server(what: str, first: ServerInput) -> str:
    """Return why the server gives no more of an input, empty where it still has it."""
    state = server_state()
    if state is None or first.name in state.inputs:
        return ""
    if not state.name:
        return f"{what}: the sound server “{first.server}” does not answer any more; start it again"
    return (
        f"{what}: “{first.name}” is gone from the sound server “{state.name}”; plug it in again, "
        "or choose another input"
    )


def _volumes(item: dict[str, Any]) -> float:
    return min((one["value"] / 65536 for one in item["volume"].values()), default=1.0)


def _own_name() -> str:
    """Return what the server calls itself."""
    info = _answer("info")
    name = info.get("server_name") if isinstance(info, dict) else None
    return str(name or "of this computer")


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
                    server=_own_name(),
                )
    except (KeyError, TypeError, ValueError, AttributeError):
        return None  # another server's dialect: nothing is known
    return None


class Watch:
    """Looks once a second whether the server still feeds the capture from the same input."""

    def __init__(self, first: ServerInput, interval_s: float = 1.0) -> None:
        self.first = first
        """What it began with."""
        self._interval_s = interval_s
        self._stop = threading.Event()
        self.moved_to: str | None = None
        """Name of the other input, once the capture was moved."""
        self._thread = threading.Thread(target=self._run, name="soundcard-watch", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while not self._stop.wait(self._interval_s):
            now = server_input(self.first.capture)
            if now is not None and now.name != self.first.name:
                self.moved_to = now.name
                return

    def stop(self) -> None:
        """End the thread; it is gone within the time that ``pactl`` is given."""
        self._stop.set()
