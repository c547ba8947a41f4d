"""What may be asked of a sound input, and which column carries what."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from instruments.options import positive_option, refuse_others
from instruments.source import (
    AddressError,
    Role,
    SourceRequest,
    SourceUnavailable,
    parse_roles,
)

Columns = tuple[Role | None, ...]


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
    """

    rate_hz: int | None = None
    roles: Columns | None = None
    full_scale_v: float | None = None
    low_corner_hz: float | None = None


# Beyond these nothing sensible is meant, and samples would no longer fit in 32 bits.
_LIMITS = {"rate": (1e3, 1e6), "full_scale_v": (1e-6, 1e6), "low_corner_hz": (0.0, 1e3)}


def _option(text: str, options: Mapping[str, str], key: str) -> float | None:
    if key == "low_corner_hz" and options.get(key) == "0":
        return 0.0
    value = positive_option(text, options, key)
    lowest, highest = _LIMITS[key]
    if value is not None and not lowest <= value <= highest:
        raise AddressError(
            f"address “{text}”: “{key}” is “{options[key]}”; "
            f"it must lie between {lowest:g} and {highest:g}"
        )
    return value


def read_options(text: str, options: Mapping[str, str], request: SourceRequest) -> SoundOptions:
    """Check an address's options and read them.

    Parameters
    ----------
    text : str
        The whole address, for messages.
    options : mapping of str to str
        Any of ``rate``, ``roles``, ``full_scale_v``, ``low_corner_hz``.
    request : SourceRequest
        What else the user asks for; its roles go before those in the address.

    Raises
    ------
    AddressError
        When a name is no option or a text is no value for it.
    """
    refuse_others(text, options, (*_LIMITS, "roles"))
    rate_hz = _option(text, options, "rate")
    if rate_hz is not None and rate_hz != int(rate_hz):
        raise AddressError(
            f"address “{text}”: “rate” is “{options['rate']}”; "
            "it must be a whole number of frames a second"
        )
    roles = parse_roles(options["roles"]) if "roles" in options else None
    return SoundOptions(
        rate_hz=None if rate_hz is None else int(rate_hz),
        roles=roles if request.roles is None else request.roles,
        full_scale_v=_option(text, options, "full_scale_v"),
        low_corner_hz=_option(text, options, "low_corner_hz"),
    )


def choose_columns(roles: Columns | None, channels: int, what: str) -> Columns:
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
