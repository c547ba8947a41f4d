"""Options of an address, ``?key=value&key=value``: split, checked and read in one place."""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import NamedTuple

from instruments.source import (
    UNSTATED_TOLERANCE,
    AddressError,
    ChannelRoles,
    SourceRequest,
    parse_roles,
)

_MIXED_HZ = (20e3, 10e6)
_TOLERANCE = re.compile(r"(.*?)(?:±|\+/?-)(.*)%")


class Toleranced(NamedTuple):
    """A value with its tolerance as a part of it: within ± that part it lies."""

    value: float
    part: float = UNSTATED_TOLERANCE


def read_toleranced(text: str) -> Toleranced:
    """Read a number with a tolerance, as ``7``, ``7±10%`` or ``7+-10%``.

    Raises
    ------
    ValueError
        With what it must be, when it is anything else.
    """
    parts = _TOLERANCE.fullmatch(text.replace(" ", ""))
    try:
        value = float(parts[1] if parts else text)
        part = UNSTATED_TOLERANCE if parts is None else float(parts[2]) / 100.0
    except ValueError:
        raise ValueError("a number, with a tolerance or without: 7 or 7+-10%") from None
    if not (math.isfinite(value) and value >= 0.0):
        raise ValueError("a number that is not negative")
    if not 0.0 <= part <= 1.0:
        raise ValueError("a number with a tolerance from 0 to 100 %")
    return Toleranced(value, part)


@dataclass(frozen=True, slots=True)
class Option:
    """One option of an address, as it is told to whoever is to state it.

    Attributes
    ----------
    key : str
        Its name in the address.
    meaning : str
        One sentence, with the unit.
    default : str
        What counts where it is not stated; empty for nothing.
    words : tuple of str
        What it may be; empty for a number or a text.
    """

    key: str
    meaning: str
    default: str = ""
    words: tuple[str, ...] = ()


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


class AddressOptions:
    """An address's options, each read by its name; one that nobody reads is refused.

    Parameters
    ----------
    address : str
        The whole address, for messages.
    texts : mapping of str to str
        The options as they are written, by name.
    known : collection of str
        The names that are read: any other is most often a misspelling.

    Raises
    ------
    AddressError
        For the first option that is not known.
    """

    def __init__(self, address: str, texts: Mapping[str, str], known: Collection[str]) -> None:
        self._address = address
        self._texts = texts
        for key in texts:
            if key not in known:
                words = ", ".join(known) or "none"
                raise AddressError(
                    f"address “{address}”: “{key}” is not an option here; known: {words}"
                )

    def number(
        self, key: str, low: float = 0.0, high: float = math.inf, *, whole: str = ""
    ) -> float | None:
        """Return a number, None where it is not given.

        Parameters
        ----------
        key : str
            The option's name.
        low, high : float
            Limits, inclusive; a lower limit of 0 is allowed only where `high` is finite.
        whole : str
            What a whole number it must be, as the message says it; empty where it need not be.

        Raises
        ------
        AddressError
            When it is anything else.
        """
        text = self._texts.get(key)
        if text is None:
            return None
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        zero = value == low == 0 and math.isfinite(high)
        if not math.isfinite(value) or (value <= 0 and not zero):
            raise self._refusal(key, "a number above 0")
        if not low <= value <= high:
            raise self._refusal(key, f"lie between {low:g} and {high:g}", must="must")
        if whole and value != int(value):
            raise self._refusal(key, whole)
        return value

    @property
    def mixed_hz(self) -> float | None:
        """With which frequency the signal was mixed down, as the option of that name says.

        Raises
        ------
        AddressError
            When it is no frequency with which anybody would.
        """
        return self.number("mixed_hz", *_MIXED_HZ)

    def toleranced(self, key: str, high: float) -> Toleranced | None:
        """Return a number from 0 to `high` with its tolerance, None where it is not given.

        Raises
        ------
        AddressError
            When it is anything else.
        """
        text = self._texts.get(key)
        if text is None:
            return None
        try:
            found = read_toleranced(text)
        except ValueError as fault:
            raise self._refusal(key, str(fault)) from None
        if found.value > high:
            raise self._refusal(key, f"lie between 0 and {high:g}", must="must")
        return found

    def word(self, key: str, allowed: Collection[str]) -> str | None:
        """Return one of the words that are allowed, None where it is not given.

        Raises
        ------
        AddressError
            When it is another.
        """
        text = self._texts.get(key)
        if text is not None and text not in allowed:
            raise self._refusal(key, " or ".join(allowed))
        return text

    def roles(self, request: SourceRequest) -> ChannelRoles | None:
        """Return the role of each column: as requested, else as the option ``roles`` has them.

        Raises
        ------
        AddressError
            When the option names what is no role.
        """
        text = self._texts.get("roles")
        roles = None if text is None else parse_roles(text)
        return roles if request.roles is None else request.roles

    def _refusal(self, key: str, what: str, must: str = "must be") -> AddressError:
        text = self._texts[key]
        return AddressError(f"address “{self._address}”: “{key}” is “{text}”; it {must} {what}")
