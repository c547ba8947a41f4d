"""Options behind an address: ``?key=value&key=value``, split and read."""

from __future__ import annotations

import math
from collections.abc import Mapping

from instruments.source import AddressError


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
