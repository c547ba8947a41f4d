"""PortAudio's devices and streams, by way of sounddevice.

Importing sounddevice initialises PortAudio, so it is imported on first use. PortAudio finds new
devices only when it is initialised again, which silently stops every open stream: that is done only
while none is open. One lock guards all calls except those of PortAudio's own thread.
"""

from __future__ import annotations

import contextlib
import os
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from instruments.ending import end_waits_for
from instruments.sound.server import no_input_by_server
from instruments.source import SourceUnavailable

_USUAL_RATES_HZ = (192_000, 96_000, 48_000)
_NEW_S = 60.0
_CARDS = Path("/proc/asound")
"""Where Linux tells of its sound cards."""
_SERVERS = ("pulse/native", "pipewire-0")
"""Where sound servers answer, in the user's folder of what runs."""


@dataclass(frozen=True, slots=True)
class Device:
    """A sound device with at least one input channel."""

    number: int
    name: str
    host_api: str
    inputs: int
    default_rate_hz: int

    @property
    def full_name(self) -> str:
        """The name with its host interface, which tells namesakes apart."""
        return f"{self.name}, {self.host_api}"

    @property
    def maybe_served(self) -> bool:
        """Whether a sound server may stand between the device and the program."""
        return self.host_api == "ALSA" and "(hw:" not in self.name


@dataclass(frozen=True, slots=True)
class OutputDevice:
    """A sound device with at least one output channel."""

    number: int
    name: str
    host_api: str
    default_rate_hz: int
    channels: int

    @property
    def full_name(self) -> str:
        """The name with its host interface."""
        return f"{self.name}, {self.host_api}"


@dataclass(frozen=True, slots=True)
class Devices:
    """What is attached: the inputs, the default's number and the names of mere outputs."""

    inputs: tuple[Device, ...]
    default: int | None
    outputs: tuple[str, ...]


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """Keep the sound libraries' own diagnostics off standard error: the errors raised say it."""
    try:
        kept = os.dup(2)
    except OSError:  # a windowed program may have no standard error
        yield
        return
    sys.stderr.flush()
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(nowhere)


class PortAudio:
    """The process's one PortAudio.

    Parameters
    ----------
    module : module or None
        What stands in for sounddevice.
    """

    def __init__(self, module: Any = None) -> None:
        self._module = module
        self._lock = threading.Lock()
        self._streams = 0  # open streams; written under the lock
        self._looked_s = -_NEW_S
        self._there: object = None  # what was there at that look; both under the lock

    def devices(self, *, anew: bool = True) -> Devices:
        """Look for devices, anew where no stream is open.

        Where it need not be `anew`, a look of the last minute will do if no card has come or gone
        since, or been taken or left by a program. On Linux alone that can be told, and there a look
        is dear: it loads and drops every plug-in of ALSA's. Debian's for AC-3 brings half a player
        along, which loses 13 KiB each time.

        Raises
        ------
        SourceUnavailable
            When PortAudio is missing or fails.
        """
        with self._lock:
            fresh = "sounddevice" not in sys.modules
            sd = self._load()
            try:
                now_s, there = time.monotonic(), _there()
                is_new = there is not None and there == self._there
                is_new = is_new and now_s - self._looked_s < _NEW_S
                if not fresh and self._streams == 0 and (anew or not is_new):
                    _rescan(sd)
                    fresh = True
                if fresh:
                    self._looked_s, self._there = now_s, there
                return _list(sd)
            except sd.PortAudioError as error:
                raise SourceUnavailable(
                    f"sound inputs: PortAudio cannot list them ({_words(error)}); "
                    "check that the sound system runs"
                ) from error

    def _load(self) -> Any:
        if self._module is not None:
            return self._module
        end_waits_for(self._lock)
        return _sounddevice()

    def accepts(self, device: Device, channels: int, rate_hz: int) -> bool:
        """Tell whether `device` takes float32 input of so many channels at `rate_hz`."""
        with self._lock, _quiet():
            sd = self._load()
            try:
                sd.check_input_settings(
                    device=device.number, channels=channels, dtype="float32", samplerate=rate_hz
                )
            except sd.PortAudioError:
                return False
            return True

    def choose_rate(self, device: Device, channels: int, asked_hz: int | None) -> int:
        """Return the rate asked for, or the highest usual one that `device` takes.

        Raises
        ------
        SourceUnavailable
            When the device refuses.
        """
        if asked_hz is not None and self.accepts(device, channels, asked_hz):
            return asked_hz
        candidates = dict.fromkeys((*_USUAL_RATES_HZ, device.default_rate_hz))
        taken = next((rate for rate in candidates if self.accepts(device, channels, rate)), None)
        if asked_hz is None and taken is not None:
            return taken
        asked = "every usual rate" if asked_hz is None else f"{asked_hz} frames a second"
        mend = f"use rate={taken}" if taken else "check that no other program holds it"
        what = f"sound input “{device.full_name}”"
        if taken is None and device.maybe_served and (by_server := no_input_by_server(what)):
            raise SourceUnavailable(by_server)
        raise SourceUnavailable(f"{what}: it refuses {asked}; {mend}")

    def start(self, device: Device, **settings: Any) -> Any:
        """Open and start an input stream; `settings` are those of ``sounddevice.InputStream``.

        Raises
        ------
        SourceUnavailable
            When the device refuses.
        """
        return self._start("InputStream", device, "that no other program holds it", settings)

    def output(self, wanted: str = "") -> OutputDevice:
        """Return the output that `wanted` names: a number, a name or part of one, "" the default.

        Raises
        ------
        SourceUnavailable
            When there is none, or more than one.
        """
        with self._lock, _quiet():
            sd = self._load()
            interfaces = [item["name"] for item in sd.query_hostapis()]
            outputs = [
                OutputDevice(
                    number=number,
                    name=item["name"],
                    host_api=interfaces[item["hostapi"]],
                    default_rate_hz=round(item["default_samplerate"]),
                    channels=item["max_output_channels"],
                )
                for number, item in enumerate(sd.query_devices())
                if item["max_output_channels"] > 0
            ]
            default = sd.default.device[1]
        word = wanted.casefold()
        if not wanted:
            found = [one for one in outputs if one.number == default]
        elif wanted.isdecimal():
            found = [one for one in outputs if one.number == int(wanted)]
        else:
            found = [one for one in outputs if one.name.casefold() == word] or [
                one for one in outputs if word in one.name.casefold()
            ]
        if len(found) == 1:
            return found[0]
        if not outputs:
            raise SourceUnavailable("sound output: there is none; plug one in")
        known = "; ".join(f"{one.number} is “{one.name}”" for one in outputs)
        why = "several have that in their name" if found else "it is not there"
        raise SourceUnavailable(
            f"sound output “{wanted or 'default'}”: {why}; type a name or a number: {known}"
        )

    def start_output(self, output: OutputDevice, **settings: Any) -> Any:
        """Open and start an output stream; `settings` are those of ``sounddevice.OutputStream``.

        Raises
        ------
        SourceUnavailable
            When the device refuses.
        """
        return self._start("OutputStream", output, "that it takes sound", settings)

    def _start(
        self, kind: str, device: Device | OutputDevice, look: str, settings: dict[str, Any]
    ) -> Any:
        """Open and start a stream of a class of sounddevice's; `look` is what to look at."""
        side = "input" if isinstance(device, Device) else "output"
        with self._lock, _quiet():
            sd = self._load()
            stream = None
            try:
                stream = getattr(sd, kind)(device=device.number, dtype="float32", **settings)
                stream.start()
            except sd.PortAudioError as error:
                if stream is not None:
                    stream.close(ignore_errors=True)
                raise SourceUnavailable(
                    f"sound {side} “{device.full_name}”: it cannot be started ({_words(error)}); "
                    f"check that it is plugged in and {look}"
                ) from error
            self._streams += 1
            return stream

    def close(self, stream: Any, patience_s: float) -> None:
        """Close a stream, leaving it to a thread of its own when that takes too long."""

        def work() -> None:
            with self._lock, _quiet():
                stream.abort(ignore_errors=True)
                stream.close(ignore_errors=True)
                self._streams -= 1

        closer = threading.Thread(target=work, name="soundcard-close", daemon=True)
        closer.start()
        closer.join(patience_s)


PORTAUDIO = PortAudio()
"""The process's one."""


def _sounddevice() -> Any:
    try:
        import sounddevice
    except ImportError:
        raise SourceUnavailable(
            "sound input: the Python package sounddevice is missing; "
            "install it with “pip install sounddevice”"
        ) from None
    except OSError:
        raise SourceUnavailable(
            "sound input: the PortAudio library is missing; install it "
            "(Debian and Ubuntu: “apt install libportaudio2”)"
        ) from None
    except Exception as error:  # PortAudio's own, whose class went with the failed import
        raise SourceUnavailable(
            f"sound input: PortAudio does not start ({_words(error)}); "
            "check that the sound system runs"
        ) from error
    return sounddevice


def _there() -> object:
    """Return what changes where devices come, go, are taken or left; None where nothing tells."""
    if sys.platform != "linux":
        return None
    servers = [Path(os.environ.get("XDG_RUNTIME_DIR", "")) / name for name in _SERVERS]
    said: list[object] = [server.exists() for server in servers]
    for path in sorted([_CARDS / "cards", *_CARDS.glob("card*/pcm*/sub*/status")]):
        try:
            text = path.read_text(encoding="utf-8", errors="replace")
        except OSError:
            text = ""
        # Of a device that runs the rest tells how far it is.
        said.append((path, text if path.name == "cards" else text.startswith("closed")))
    return said


def _rescan(sd: Any) -> None:
    # sounddevice has no public call for this; its manual names these two.
    if sd._initialized:  # noqa: SLF001 - a rescan that failed half way left it at zero
        sd._terminate()  # noqa: SLF001
    sd._initialize()  # noqa: SLF001


def _list(sd: Any) -> Devices:
    interfaces = [item["name"] for item in sd.query_hostapis()]
    inputs: list[Device] = []
    outputs: list[str] = []
    for number, item in enumerate(sd.query_devices()):
        if item["max_input_channels"] > 0:
            inputs.append(
                Device(
                    number=number,
                    name=item["name"],
                    host_api=interfaces[item["hostapi"]],
                    inputs=item["max_input_channels"],
                    default_rate_hz=round(item["default_samplerate"]),
                )
            )
        else:
            outputs.append(item["name"])
    default = sd.default.device[0]
    return Devices(tuple(inputs), default if default >= 0 else None, tuple(outputs))


def _words(error: Exception) -> str:
    """Return PortAudio's words for an error, on one line."""
    return " ".join(str(error).split()) or type(error).__name__


def find_device(devices: Devices, wanted: str) -> Device:
    """Return the input that `wanted` names: a number, a name or part of one, or "" (default).

    Raises
    ------
    SourceUnavailable
        When there is none, or more than one.
    """
    if not devices.inputs:
        if by_server := no_input_by_server("sound input"):
            raise SourceUnavailable(by_server)
        raise SourceUnavailable(
            "sound input: there is none; plug one in, and check that the sound server runs "
            "(on Linux it also takes the ALSA plug-ins: “apt install libasound2-plugins”)"
        )
    known = "; ".join(f"{device.number} is “{device.full_name}”" for device in devices.inputs)
    if not wanted:
        matches = [one for one in devices.inputs if one.number == devices.default]
    elif wanted.isdecimal():
        matches = [one for one in devices.inputs if one.number == int(wanted)]
    else:
        matches = _by_name(devices, wanted.casefold())
    if len(matches) == 1:
        return matches[0]
    if matches:
        raise SourceUnavailable(
            f"sound input “{wanted}”: several have that in their name; "
            f"type more of it, or a number: {known}"
        )
    if wanted and any(wanted.casefold() in name.casefold() for name in devices.outputs):
        raise SourceUnavailable(
            f"sound input “{wanted}”: that device has no input; choose one that has: {known}"
        )
    what = f"sound input “{wanted}”: it is not there" if wanted else "sound input: no default"
    raise SourceUnavailable(f"{what}; plug it in, or choose one that is: {known}")


def _by_name(devices: Devices, wanted: str) -> list[Device]:
    """Narrow the inputs down by name until one test has a single answer."""
    tests: tuple[Callable[[Device], bool], ...] = (
        lambda device: device.full_name.casefold() == wanted,
        lambda device: device.name.casefold() == wanted,
        lambda device: wanted in device.full_name.casefold(),
    )
    usual = next((one.host_api for one in devices.inputs if one.number == devices.default), None)
    for test in tests:
        matches = [device for device in devices.inputs if test(device)]
        if len(matches) > 1:  # one card under several host interfaces: take the default's
            matches = [one for one in matches if one.host_api == usual] or matches
        if matches:
            return matches
    return []
