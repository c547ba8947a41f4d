"""What is opened, as a form states it, and the kinds of source with the options of each.

A form writes the address and the options that the command line takes, and what it wrote is read by
the same readers.
"""

from __future__ import annotations

import os
import shlex
from collections.abc import Mapping
from dataclasses import dataclass, replace

from app.live.measurement import EnvelopeOptions, envelope_options
from app.live.stepping import Hands, Stepping, check_steps, stepping_of
from instruments.address import FILE_OPTIONS, AddressParts, join_address, split_address
from instruments.options import Option, read_toleranced
from instruments.pipe.source import OPTIONS as STREAM_OPTIONS
from instruments.scope.options import OPTIONS as SCOPE_OPTIONS
from instruments.scope.visa import socket_place
from instruments.sound.source import OPTIONS as SOUND_OPTIONS
from instruments.source import AddressError, Role, SourceError, parse_roles
from instruments.virtual.params import OPTIONS as VIRTUAL_OPTIONS

ROLES = tuple(Role)
PRACTICES = VIRTUAL_OPTIONS["practice"].choices[1:]
"""What may be hidden in a virtual drive to practise on: any fault, then each kind."""
"""What a channel may carry."""
_SCOPE_PORT = 5025
_ROLES_KEY = "roles"


@dataclass(frozen=True, slots=True)
class SourceKind:
    """One kind of source, as a form asks for it.

    Attributes
    ----------
    scheme : str
        What its addresses begin with.
    title : str
        Its name.
    body : str
        What stands behind the colon; empty where nothing does.
    hint : str
        How that is written.
    options : tuple of Option
        All but the roles, for which a form has fields of their own.
    needs_body : bool
        Whether nothing can be opened before the body is stated.
    """

    scheme: str
    title: str
    body: str
    hint: str
    options: tuple[Option, ...]
    needs_body: bool = False


def _without_roles(options: tuple[Option, ...]) -> tuple[Option, ...]:
    return tuple(each for each in options if each.key != _ROLES_KEY)


_VIRTUAL_SHOWN = ("offset_um", "seed", "recording", "screws", "snr_db")
"""What practice most often asks for; the form's last field takes the others."""

KINDS: Mapping[str, SourceKind] = {
    each.scheme: each
    for each in (
        SourceKind(
            "sim",
            "Virtual drive",
            "",
            "",
            tuple(
                Option(name, VIRTUAL_OPTIONS[name].help, f"{VIRTUAL_OPTIONS[name].default}")
                if not VIRTUAL_OPTIONS[name].choices
                else Option(
                    name,
                    VIRTUAL_OPTIONS[name].help,
                    VIRTUAL_OPTIONS[name].default,
                    VIRTUAL_OPTIONS[name].choices,
                )
                for name in _VIRTUAL_SHOWN
            ),
        ),
        SourceKind("file", "Capture", "File", "its path; ~ is your folder", FILE_OPTIONS, True),
        SourceKind(
            "sound",
            "Sound input",
            "Input",
            "number, name or part of it; empty: the system's own choice",
            _without_roles(SOUND_OPTIONS),
        ),
        SourceKind(
            "visa",
            "Scope",
            "Scope",
            "192.0.2.7 or 192.0.2.7:5025, or a VISA resource; empty: the only one attached",
            _without_roles(SCOPE_OPTIONS),
        ),
        SourceKind(
            "run",
            "Program",
            "Command",
            "a program that writes WAV or raw frames to its standard output",
            STREAM_OPTIONS,
            True,
        ),
        SourceKind("pipe", "Standard input", "", "", STREAM_OPTIONS),
    )
}
"""Every kind of source, by its scheme."""


@dataclass(frozen=True, slots=True)
class Opening:
    """What is to be opened, each part as it is typed; empty where nothing is stated.

    Attributes
    ----------
    address : str
        Where the samples come from.
    roles : str
        What the channels carry, as ``--roles`` has it.
    low_corner, detector_threshold : str
        What is stated of an envelope, as ``--low-corner`` and ``--detector-threshold`` have it.
    steps : str
        The line that steps the drive in a job, as ``--steps`` has it.
    """

    address: str = ""
    roles: str = ""
    low_corner: str = ""
    detector_threshold: str = ""
    steps: str = ""

    @property
    def envelope(self) -> EnvelopeOptions | None:
        """What is stated of an envelope; None where nothing is, and the session's own counts.

        Raises
        ------
        AddressError
            When it cannot be read.
        """
        if not self.low_corner and not self.detector_threshold:
            return None
        stated = []
        for name, text in (
            ("low corner", self.low_corner),
            ("detector threshold", self.detector_threshold),
        ):
            try:
                stated.append(read_toleranced(text) if text else None)
            except ValueError as fault:
                raise AddressError(f"{name} “{text}”: it must be {fault}") from None
        return envelope_options(*stated)

    @property
    def is_virtual(self) -> bool:
        """Whether it is the virtual drive, which touches nothing, whoever has named it."""
        try:
            return split_address(self.address).scheme == "sim"
        except AddressError:
            return False

    @property
    def lasting(self) -> Opening | None:
        """The same as it may be offered on another day; None where nothing may.

        A program is started by the person's own hand alone, and never by what a file says.
        """
        try:
            parts = split_address(self.address)
        except AddressError:
            return None
        if parts.scheme in ("pipe", "run"):
            return None
        kept = replace(self, steps="") if self.steps.startswith("run:") else self
        if parts.scheme == "file":
            path = os.path.abspath(parts.body)
            return replace(kept, address=join_address(replace(parts, body=path)))
        return kept

    @property
    def command(self) -> str:
        """The same as a command line has it, without the program's name."""
        words = [self.address]
        for name, text in (
            ("--roles", self.roles),
            ("--low-corner", self.low_corner),
            ("--detector-threshold", self.detector_threshold),
            ("--steps", self.steps),
        ):
            words += [name, text] if text else []
        return shlex.join(words)

    def fault(self) -> str:
        """Return why it cannot be opened as it is written, empty where it can be tried."""
        try:
            parts = split_address(self.address)
            if self.roles:
                parse_roles(self.roles)
            _ = self.envelope
            if self.steps:
                check_steps(self.steps, virtual=parts.scheme == "sim")
        except SourceError as fault:
            return str(fault)
        kind = KINDS[parts.scheme]
        return f"{kind.title}: first state “{kind.body}”" if _lacks(parts, kind) else ""


def _lacks(parts: AddressParts, kind: SourceKind) -> bool:
    return kind.needs_body and not parts.body.strip()


@dataclass(frozen=True, slots=True)
class Stated:
    """What the fields of a form hold for an opening.

    Attributes
    ----------
    kind : Kind
        Of the source.
    body : str
        As it is typed: of a scope on the network host and port.
    options : dict of str to str
        By name, without the roles.
    roles : str
        Comma-separated.
    """

    kind: SourceKind
    body: str
    options: dict[str, str]
    roles: str = ""


def stated_by(opening: Opening) -> Stated | None:
    """Return what the fields hold for an opening; None for an address that cannot be split."""
    try:
        parts = split_address(opening.address)
    except AddressError:
        return None
    options = dict(parts.options)
    # Roles that are asked for go before those in the address.
    roles = options.pop(_ROLES_KEY, "")
    body = parts.body
    if parts.scheme == "visa" and (place := socket_place(body)) is not None:
        host, port = place
        body = host if port == _SCOPE_PORT else f"{host}:{port}"
    return Stated(KINDS[parts.scheme], body, options, opening.roles or roles)


def address_of(kind: SourceKind, body: str, options: Mapping[str, str]) -> str:
    """Return the address that the fields of a form stand for."""
    body = body.strip()
    if kind.scheme == "file":
        body = body.removeprefix("file:")
    if kind.scheme == "visa" and body and "::" not in body and not body.upper().startswith("ASRL"):
        host, _, port = body.partition(":")
        body = f"TCPIP::{host}::{port or _SCOPE_PORT}::SOCKET"
    told = {key: value.strip() for key, value in options.items() if value.strip()}
    return join_address(AddressParts(kind.scheme, body, told))


def line_of(steps: str, hands: Hands | None) -> Stepping | str:
    """Return the line that is stated to step a drive, or a sentence that says why it cannot.

    `hands` returns those at the virtual drive; None at any other.
    """
    try:
        return stepping_of(steps, hands)
    except SourceError as fault:
        return str(fault)
