"""A sound input as a source, by way of PortAudio.

Threads: the reader's opens and reads; any may close. The capture beneath has PortAudio's thread,
and one that watches the sound server.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from instruments.kept import proof_for
from instruments.options import AddressOptions, Option
from instruments.proof import InputIdentity
from instruments.sound.capture import SoundCapture, SoundTiming
from instruments.sound.portaudio import (
    PORTAUDIO,
    Device,
    PortAudio,
    find_device,
)
from instruments.sound.server import ServerInput, Watch, no_input_by_server, server_input
from instruments.source import (
    UNSTATED_TOLERANCE,
    Block,
    ChannelRoles,
    Role,
    Source,
    SourceInfo,
    SourceRequest,
    SourceUnavailable,
)

# Anti-alias filters of audio converters pass about so much of the rate (common practice).
_PASSED = 0.45

OPTIONS = (
    Option("rate", "Frames a second; the highest usual one that the input takes."),
    Option("full_scale_v", "Volts at which the input clips; relative volts without it."),
    Option("low_corner_hz", "Corner of the input's coupling in Hz, as 7 or 7+-10%."),
    Option("mixed_hz", "Frequency of an oscillator that the signal was mixed with, in Hz."),
    Option("roles", "What each channel carries, in order."),
)


@dataclass(frozen=True, slots=True)
class SoundOptions:
    """What the user asked of a sound input; None where nothing was asked.

    Attributes
    ----------
    rate_hz : int or None
        Frames a second; None takes the highest usual rate that the device accepts.
    roles : tuple of (Role or None), or None
        One an input channel, None for a channel to skip.
    full_scale_v : float or None
        Volts at digital full scale.
    low_corner_hz : float or None
        Corner of the input's high-pass; 0 for a DC-coupled input.
    low_corner_part : float
        Its tolerance, as a part of it.
    mixed_hz : float or None
        With what the signal was mixed down before it was sampled.
    fresh : bool
        Whether what an earlier check kept is passed over.
    """

    rate_hz: int | None
    roles: ChannelRoles | None
    full_scale_v: float | None
    low_corner_hz: float | None
    low_corner_part: float
    mixed_hz: float | None
    fresh: bool


def read_options(text: str, options: Mapping[str, str], request: SourceRequest) -> SoundOptions:
    """Check an address's options and read them.

    Parameters
    ----------
    text : str
        The whole address, for messages.
    options : mapping of str to str
        Any of `OPTIONS`.
    request : SourceRequest
        What else the user asks for; its roles go before those in the address.

    Raises
    ------
    AddressError
        When a name is no option or a text is no value for it.
    """
    given = AddressOptions(text, options, [each.key for each in OPTIONS])
    # Beyond these limits nothing sensible is meant, and samples would no longer fit in 32 bits.
    rate_hz = given.number("rate", 1e3, 1e6, whole="a whole number of frames a second")
    corner = given.toleranced("low_corner_hz", 1e3)
    return SoundOptions(
        rate_hz=None if rate_hz is None else int(rate_hz),
        roles=given.roles(request),
        fresh=request.fresh,
        full_scale_v=given.number("full_scale_v", 1e-6, 1e6),
        low_corner_hz=None if corner is None else corner.value,
        low_corner_part=UNSTATED_TOLERANCE if corner is None else corner.part,
        mixed_hz=given.mixed_hz,
    )


def choose_columns(roles: ChannelRoles | None, channels: int, what: str) -> ChannelRoles:
    """Return the role of each channel to capture.

    Parameters
    ----------
    roles : tuple of (Role or None), or None
        As given by the user; None takes the usual ones: ``plus,minus`` of two channels or
        more, ``differential`` of one.
    channels : int
        Channels that the input has.
    what : str
        The input's name, for the message.

    Raises
    ------
    SourceUnavailable
        When the input has fewer channels than there are roles.
    """
    if roles is None:
        return (Role.PLUS, Role.MINUS) if channels >= 2 else (Role.DIFFERENTIAL,)
    if len(roles) > channels:
        named = ",".join(role or "-" for role in roles)
        has = "1 channel" if channels == 1 else f"{channels} channels"
        raise SourceUnavailable(
            f"{what}: the roles {named} need {len(roles)} channels and it has {has}; "
            "name fewer roles, or choose another input"
        )
    return roles


class SoundSource(Source):
    """A sound input as a source of blocks.

    Once opened it holds on to the input that it found: when that goes away, opening again takes
    up the same one, and no other in its place.

    Parameters
    ----------
    device : str
        Number, name or part of a name; empty for the default input.
    options : SoundOptions
        Rate, roles, volts at full scale and low corner.
    name : str
        The address as the user typed it.
    timing : Timing
        Times of the capture.
    portaudio : PortAudio
        Where devices and streams come from.
    """

    def __init__(
        self,
        device: str,
        options: SoundOptions,
        name: str,
        timing: SoundTiming | None = None,
        portaudio: PortAudio = PORTAUDIO,
    ) -> None:
        self._wanted = device
        self._options = options
        self._timing = timing or SoundTiming()
        self._portaudio = portaudio
        self._device: Device | None = None  # as first found
        self._server_name: str | None = None  # the server's input, as first found
        self._capture: SoundCapture | None = None
        self.identity: InputIdentity | None = None
        """What a check of the open input holds for."""
        self._closes = 0  # how often it was closed
        self._swap = threading.Lock()  # guards both
        self._name = name
        rate_hz = float(self._options.rate_hz or 0)
        self._info = SourceInfo(
            name=self._name,
            roles=tuple(role for role in self._options.roles or () if role is not None),
            roles_from="given" if self._options.roles else "default",
            sample_rate_hz=rate_hz,
            bandwidth_hz=_PASSED * rate_hz,
            low_corner_hz=self._options.low_corner_hz,
            low_corner_part=self._options.low_corner_part,
            mixed_hz=self._options.mixed_hz,
            live=True,
            full_scale_v=self._options.full_scale_v,
        )

    @classmethod
    def from_options(
        cls, text: str, device: str, options: Mapping[str, str], request: SourceRequest
    ) -> SoundSource:
        """Make a source from the parts of an address ``sound:DEVICE?option=text&…``.

        Parameters
        ----------
        text : str
            The whole address.
        device : str
            What stands before the question mark.
        options : mapping of str to str
            As :func:`read_options` takes them.
        request : SourceRequest
            What else the user asks for.

        Raises
        ------
        AddressError
            When an option cannot be used as written.
        """
        return cls(device.strip(), read_options(text, options, request), text)

    def open(self) -> None:
        """Find the input and start capturing.

        Raises
        ------
        SourceUnavailable
            When PortAudio or the input is not there, or refuses what was asked.
        """
        self.close()
        closes = self._closes
        device = self._find()
        what = f"sound input “{device.full_name}”"
        columns = choose_columns(self._options.roles, device.inputs, what)
        rate_hz = self._portaudio.choose_rate(device, len(columns), self._options.rate_hz)
        capture = self._start(device, rate_hz, columns)
        try:
            server = self._ask_server(device)
            if server is not None and server.channels < len(columns):
                # The server would make up the missing channel out of the others.
                columns = choose_columns(
                    self._options.roles, server.channels, f"sound input “{server.name}”"
                )
                capture.close()
                capture = self._start(device, rate_hz, columns)
                server = self._ask_server(device)
        except SourceUnavailable:
            capture.close()
            raise
        if server is not None:
            self._server_name = server.name
            capture.watch(Watch(server))
        self._device = device
        self._info = self._describe(device, columns, rate_hz, server)
        capture.go_by(self._info.full_scale_v, self._info.proof)
        with self._swap:
            if self._closes == closes:
                self._capture = capture
        if self._capture is not capture:
            capture.close()

    def read(self, timeout_s: float) -> Block:
        """Return the next block, waiting for it no longer than `timeout_s`.

        Raises
        ------
        SourceTimeout
            When none came in time.
        SourceLost
            When the input went away, or was closed meanwhile.
        SourceUnavailable
            When it is not open.
        """
        capture = self._capture
        if capture is None:
            raise SourceUnavailable(f"{self._name}: it is not open; open it before reading")
        return capture.read(timeout_s)

    def close(self) -> None:
        """Let go of the input; from any thread, any number of times, within two seconds."""
        with self._swap:
            capture, self._capture = self._capture, None
            self._closes += 1
        if capture is not None:
            capture.close()

    def _find(self) -> Device:
        devices = self._portaudio.devices()
        if self._device is None:
            return find_device(devices, self._wanted)
        # Numbers and the default change as devices come and go: hold on to the name.
        for device in devices.inputs:
            if device.full_name == self._device.full_name:
                return device
        what = f"sound input “{self._device.full_name}”"
        if self._device.maybe_served and (by_server := no_input_by_server(what)):
            raise SourceUnavailable(by_server)
        raise SourceUnavailable(
            f"{what}: it is not there; plug it in again, or choose another input"
        )

    def _start(self, device: Device, rate_hz: int, columns: ChannelRoles) -> SoundCapture:
        return SoundCapture(
            self._portaudio, device, rate_hz, columns, self._options.full_scale_v, self._timing
        )

    def _ask_server(self, device: Device) -> ServerInput | None:
        """Return the server's input behind the capture, insisting on the one first found."""
        if not device.maybe_served:
            return None
        server = server_input()
        if server is not None and self._server_name not in (None, server.name):
            raise SourceUnavailable(
                f"sound input “{self._server_name}”: it is not there and the sound server gives "
                f"“{server.name}” in its place; plug it in again, or choose the source anew"
            )
        return server

    def _describe(
        self, device: Device, columns: ChannelRoles, rate_hz: int, server: ServerInput | None
    ) -> SourceInfo:
        options = self._options
        arrives_hz = rate_hz if server is None else min(rate_hz, server.rate_hz)
        identity = InputIdentity(
            device.full_name,
            rate_hz,
            ",".join("-" if role is None else role for role in columns),
            0.0 if server is None else server.volume,
        )
        proof, told = (None, ()) if options.fresh else proof_for(identity, date.today())
        corner_hz, corner_part = options.low_corner_hz, options.low_corner_part
        if corner_hz is None and proof is not None and proof.detector is not None:
            corner_hz, corner_part = proof.detector.corner_hz, proof.detector.corner_part
        if proof is not None and proof.limit:
            told = (*told, _CUT.format(100.0 * proof.limit))
        self.identity = identity
        full_scale_v = options.full_scale_v
        if full_scale_v is None and proof is not None and proof.full_scale_v:
            full_scale_v = proof.full_scale_v
            part = 100.0 * proof.full_scale_part
            told = (*told, f"The volts are those of a meter's reading, within ± {part:.2g} %.")
        return SourceInfo(
            name=self._name,
            roles=tuple(role for role in columns if role is not None),
            roles_from="default" if options.roles is None else "given",
            sample_rate_hz=float(rate_hz),
            bandwidth_hz=_PASSED * arrives_hz,
            low_corner_hz=corner_hz,
            low_corner_part=corner_part,
            mixed_hz=options.mixed_hz,
            live=True,
            full_scale_v=full_scale_v,
            proof=proof,
            notes=(*_notes(rate_hz, server, relative=full_scale_v is None), *told),
        )


_CUT = (
    "The input's own stage cuts tops off at {:.3g} % of its full scale, as its check found; there "
    "no reading is taken: keep the level below."
)


def _notes(rate_hz: int, server: ServerInput | None, *, relative: bool) -> list[str]:
    notes: list[str] = []
    if relative:
        notes.append(
            "The volts are relative to the sound input's full scale; "
            "give full_scale_v, the volts at which it clips, for true heights."
        )
    if server is None:
        return notes
    if server.rate_hz < rate_hz:
        notes.append(
            f"The sound server takes “{server.name}” at {server.rate_hz} frames a second and "
            f"makes up the rest; nothing above {_PASSED * server.rate_hz / 1000:.4g} kHz arrives."
        )
    if server.muted:
        notes.append(f"The sound server mutes “{server.name}”; unmute it in the sound settings.")
    if abs(server.volume - 1) > 0.005:
        notes.append(
            f"The sound server scales “{server.name}” to {100 * server.volume:.0f} % volume; "
            "set it to 100 % for true volts."
        )
    return notes


def sound_inputs(*, anew: bool = True) -> tuple[list[tuple[str, str]], str]:
    """Return the address and a title of each sound input, and why there is none, if that is known.

    Whether they are looked for `anew` is as with :meth:`PortAudio.devices`. It may take a second:
    call it from a worker. There is none without PortAudio.
    """
    try:
        devices = PORTAUDIO.devices(anew=anew)
    except SourceUnavailable:
        return [], ""
    served = all(device.maybe_served for device in devices.inputs)
    why_none = no_input_by_server("sound input") if served else ""
    listed: list[tuple[str, str]] = []
    for device in devices.inputs:
        channels = "1 channel" if device.inputs == 1 else f"{device.inputs} channels"
        default = ", default" if device.number == devices.default else ""
        listed.append((f"sound:{device.full_name}", f"{device.full_name} ({channels}{default})"))
    return listed, why_none
