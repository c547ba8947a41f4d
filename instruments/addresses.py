"""From an address to a source, and what could be opened now.

Nothing is opened here, and a driver is imported only when its kind of address is used: the
sound library starts up on import, and nobody who reads a file should wait for it.
"""

from __future__ import annotations

import os
import re

from instruments.addressoptions import positive_option, refuse_others, split_options
from instruments.source import AddressError, Source, SourceRequest

_SCHEME = re.compile(r"([a-z][a-z0-9+.-]+):(.*)", re.IGNORECASE | re.DOTALL)


def open_address(text: str, request: SourceRequest | None = None) -> Source:
    """Return the source behind an address, not yet opened.

    Parameters
    ----------
    text : str
        ``sim:``, ``file:PATH`` or a bare path, ``sound:DEVICE`` or ``visa:RESOURCE``, with options
        after ``?``.
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
    found = _SCHEME.fullmatch(text)
    if found is None or os.path.exists(text):
        return _file(text, text, request)
    scheme, rest = found[1].lower(), found[2]
    if scheme == "file":
        return _file(text, rest, request)
    if scheme == "sim":
        return _sim(text, rest, request)
    if scheme == "sound":
        return _sound(text, rest, request)
    if scheme == "visa":
        return _visa(text, rest, request)
    raise AddressError(
        f"address “{text}”: “{scheme}:” is not a kind of source; use sim:, file:, sound: or visa:"
    )


def attached_sources() -> tuple[tuple[str, str], ...]:
    """Return address and title of each source that could be opened now.

    The virtual drive comes first. May take two seconds; sound inputs that cannot be listed are
    none.
    """
    from instruments.soundcard import sound_inputs

    return (("sim:", "Virtual drive"), *sound_inputs())


def _file(text: str, rest: str, request: SourceRequest) -> Source:
    # A name with a question mark in it is a name, where there is such a file.
    path, options = (rest, {}) if os.path.exists(rest) else split_options(text, rest)
    if not path:
        raise AddressError(f"address “{text}” names no file; write file:PATH")
    refuse_others(text, options, ("rate", "full_scale_v"))
    from instruments.playback import FileSource

    return FileSource(
        path,
        request,
        address=text,
        rate_hz=positive_option(text, options, "rate"),
        full_scale_v=positive_option(text, options, "full_scale_v"),
    )


def _sim(text: str, rest: str, request: SourceRequest) -> Source:
    body, options = split_options(text, rest if "?" in rest else f"?{rest}")
    if body:
        raise AddressError(f"address “{text}”: write sim:NAME=VALUE, as sim:offset_um=25")
    from instruments.virtual.source import VirtualSource

    return VirtualSource.from_options(text, options, request)


def _sound(text: str, rest: str, request: SourceRequest) -> Source:
    device, options = split_options(text, rest)
    from instruments.soundcard import SoundSource

    return SoundSource.from_options(text, device, options, request)


def _visa(text: str, rest: str, request: SourceRequest) -> Source:
    resource, options = split_options(text, rest)
    from instruments.scope.source import ScopeSource

    return ScopeSource.from_options(text, resource, options, request)
