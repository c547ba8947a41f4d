"""From an address to a source, and what could be opened now.

Nothing is opened here, and a driver is imported only when its kind of address is used: the
sound library starts up on import, and nobody who reads a file should wait for it.
"""

from __future__ import annotations

import os
import re
import threading
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import unquote

from instruments.options import AddressOptions, Option, split_options
from instruments.pipe.program import split_stream
from instruments.scope.visa import meant_as_resource
from instruments.source import AddressError, Source, SourceRequest

_SCHEME = re.compile(r"([a-z][a-z0-9+.-]+):(.*)", re.IGNORECASE | re.DOTALL)
_SCOPES_S = 3.0
"""Longest wait for the list of instruments."""


@dataclass(frozen=True, slots=True)
class Attached:
    """What could be opened now.

    Attributes
    ----------
    sources : tuple of (str, str)
        Address and title of each; the virtual drive comes first.
    hints : tuple of str
        Sentences about what is there and cannot be used as it is.
    """

    sources: tuple[tuple[str, str], ...]
    hints: tuple[str, ...] = ()


def open_address(text: str, request: SourceRequest | None = None) -> Source:
    """Return the source behind an address, not yet opened.

    Parameters
    ----------
    text : str
        ``sim:``, ``file:PATH`` or a bare path, ``sound:DEVICE``, ``visa:RESOURCE``, ``pipe:`` or
        ``run:COMMAND``, with options after ``?``.
    request : SourceRequest or None
        What else the user asks for.

    Raises
    ------
    AddressError
        When the address cannot be used as written.
    """
    request = request or SourceRequest()
    text = text.strip()
    if not text:
        raise AddressError("no source is named; use sim:, sound: or a capture file")
    scheme, rest = _scheme_of(text)
    return _OPENERS[scheme](text, rest, request)


@dataclass(frozen=True, slots=True)
class AddressParts:
    """What an address says: the kind of source, what stands behind the colon, and the options."""

    scheme: str
    body: str
    options: dict[str, str]


def split_address(text: str) -> AddressParts:
    """Split an address into its parts, none of which is read yet.

    Raises
    ------
    AddressError
        When it is of no kind, or an option has no value.
    """
    scheme, rest = _scheme_of(text.strip())
    split = {"file": _split_path, "sim": _split_virtual, "run": split_stream}.get(
        scheme, split_options
    )
    return AddressParts(scheme, *split(text, rest))


def join_address(parts: AddressParts) -> str:
    """Return the address that :func:`split_address` parts in this way."""
    tail = "&".join(f"{key}={value}" for key, value in parts.options.items())
    mark = "?" if tail and parts.scheme != "sim" else ""
    return f"{parts.scheme}:{parts.body}{mark}{tail}"


FILE_OPTIONS = (
    Option("rate", "Frames a second, of text without a column of times."),
    Option("full_scale_v", "Volts of a sound file's largest sample; relative volts without it."),
    Option("mixed_hz", "Frequency of an oscillator that the signal was mixed with, in Hz."),
)


def _scheme_of(text: str) -> tuple[str, str]:
    """Return the kind of source that an address names, and what follows the colon."""
    if os.path.exists(text):
        return "file", text
    if meant := meant_as_resource(text):
        raise AddressError(f"address “{text}”: a scope's address begins with visa:; write {meant}")
    found = _SCHEME.fullmatch(text)
    if found is None:
        return "file", text
    scheme, rest = found[1].lower(), found[2]
    if scheme in _OPENERS:
        return scheme, rest
    raise AddressError(
        f"address “{text}”: “{scheme}:” is not a kind of source; "
        "use sim:, file:, sound:, visa:, pipe: or run:"
    )


def _split_path(text: str, rest: str) -> tuple[str, dict[str, str]]:
    # A name with a question mark in it is a name, where there is such a file.
    path, options = (rest, {}) if os.path.exists(rest) else split_options(text, rest)
    return meant_path(path), options


def meant_path(text: str) -> str:
    """Return the path that was meant: without a paste's quotes or ``file://``, ``~`` as home."""
    if os.path.exists(text):
        return text
    text = text.strip()
    for quote in "'\"":
        if len(text) > 1 and text[0] == text[-1] == quote:
            text = text[1:-1]
    if text.startswith("///"):
        text = unquote(text[2:])
    if text.startswith("~"):
        try:
            return str(Path(text).expanduser())
        except RuntimeError:  # nobody of that name
            return text
    return text


def _split_virtual(text: str, rest: str) -> tuple[str, dict[str, str]]:
    return split_options(text, rest if "?" in rest else f"?{rest}")


def attached_sources(*, anew: bool = True) -> Attached:
    """Return what could be opened now, and what keeps something from being used.

    May take three seconds; inputs and instruments that cannot be listed are none. Unless `anew`,
    sound inputs may be those of the last minute.
    """
    from instruments.scope.discover import find_scopes
    from instruments.sound.source import sound_inputs

    scopes: list[tuple[str, str]] = []
    hints: list[str] = []

    def find() -> None:
        found = find_scopes(_SCOPES_S)
        scopes.extend(found.scopes)
        hints.extend(found.hints)

    # Beside the listing of the inputs, which takes about as long.
    finding = threading.Thread(target=find, name="scopes", daemon=True)
    finding.start()
    inputs, why_none = sound_inputs(anew=anew)
    finding.join()
    hints.extend(filter(None, [why_none]))
    return Attached((("sim:", "Virtual drive"), *inputs, *scopes), tuple(hints))


def _file(text: str, rest: str, request: SourceRequest) -> Source:
    path, options = _split_path(text, rest)
    if not path:
        raise AddressError(f"address “{text}” names no file; write file:PATH")
    given = AddressOptions(text, options, [each.key for each in FILE_OPTIONS])
    from instruments.file.source import FileSource

    return FileSource(
        path,
        request,
        address=text,
        rate_hz=given.number("rate"),
        full_scale_v=given.number("full_scale_v"),
        mixed_hz=given.mixed_hz,
    )


def _sim(text: str, rest: str, request: SourceRequest) -> Source:
    body, options = _split_virtual(text, rest)
    if body:
        raise AddressError(f"address “{text}”: write sim:NAME=VALUE, as sim:offset_um=25")
    from instruments.virtual.source import VirtualSource

    return VirtualSource.from_options(text, options, request)


def _sound(text: str, rest: str, request: SourceRequest) -> Source:
    device, options = split_options(text, rest)
    from instruments.sound.source import SoundSource

    return SoundSource.from_options(text, device, options, request)


def _visa(text: str, rest: str, request: SourceRequest) -> Source:
    resource, options = split_options(text, rest)
    from instruments.scope.source import ScopeSource

    return ScopeSource.from_options(text, resource, options, request)


def _pipe(text: str, rest: str, request: SourceRequest) -> Source:
    body, options = split_options(text, rest)
    if body:
        raise AddressError(
            f"address “{text}”: frames come on standard input; write pipe:?rate=…, nothing between"
        )
    from instruments.pipe.source import PipeSource

    return PipeSource.from_options(text, options, request)


def _run(text: str, rest: str, request: SourceRequest) -> Source:
    from instruments.pipe.program import ProgramSource

    return ProgramSource.from_address(text, rest, request)


_OPENERS = {"file": _file, "sim": _sim, "sound": _sound, "visa": _visa, "pipe": _pipe, "run": _run}
