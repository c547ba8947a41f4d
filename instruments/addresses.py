"""From an address to a source, and what could be opened now.

Nothing is opened here, and a driver is imported only when its kind of address is used: the
sound library starts up on import, and nobody who reads a file should wait for it.
"""

from __future__ import annotations

import math
import os
import re
from collections.abc import Mapping

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


def split_options(text: str, rest: str) -> tuple[str, dict[str, str]]:
    """Split what follows the scheme into its body and its options.

    Parameters
    ----------
    text : str
        The whole address, for messages.
    rest : str
        For example ``"DEVICE?rate=192000&full_scale_v=2"``.

    Raises
    ------
    AddressError
        When an option has no value, or stands there twice.
    """
    body, mark, tail = rest.rpartition("?")
    if not mark:
        return rest, {}
    options: dict[str, str] = {}
    for part in tail.split("&") if tail else ():
        key, equals, value = part.partition("=")
        if not key or not equals or not value:
            raise AddressError(f"address “{text}”: the option “{part}” must be NAME=VALUE")
        if key in options:
            raise AddressError(f"address “{text}”: the option “{key}” stands there twice")
        options[key] = value
    return body, options


def positive_option(text: str, options: Mapping[str, str], key: str) -> float | None:
    """Return an option as a number above zero, None where it is not given.

    Raises
    ------
    AddressError
        When it is anything else.
    """
    if key not in options:
        return None
    try:
        value = float(options[key])
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or value <= 0:
        raise AddressError(
            f"address “{text}”: “{key}” is “{options[key]}”; it must be a number above 0"
        )
    return value


def refuse_others(text: str, options: Mapping[str, str], known: tuple[str, ...]) -> None:
    """Refuse options that nobody reads: most often a misspelling.

    Raises
    ------
    AddressError
        For the first option that is not in `known`.
    """
    for key in options:
        if key not in known:
            words = ", ".join(known) or "none"
            raise AddressError(f"address “{text}”: “{key}” is not an option here; known: {words}")


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
