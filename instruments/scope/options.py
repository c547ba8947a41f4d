"""Options of a scope's address, in one table from which help and errors are made."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from instruments.options import AddressOptions, Option
from instruments.scope.visa import check_resource
from instruments.source import AddressError, ChannelRoles, Role, SourceRequest

DEFAULT_ROLES = (Role.PLUS, Role.MINUS, Role.INDEX)
MOST_CHANNELS = 8

NUMBERS: Mapping[str, tuple[float, float, float | None, str]] = {
    "speed": (250, 400, 300, "Nominal speed in rpm; a record spans about 2.5 turns."),
    "level": (0.01, 50, None, "Trigger level in V; found from the pulses if not given."),
    "scale": (1e-3, 100, None, "Volts a division, held; found from the signal if not given."),
    "probe": (0.001, 10000, None, "Factor of the signal probes; the scope's own must agree."),
    "baud": (300, 4e6, 9600, "Bits a second of a serial port."),
}
"""Options that are numbers: lowest, highest, default, meaning."""

WORDS: Mapping[str, tuple[tuple[str, ...], str, str]] = {
    "trigger": (
        ("index", "external", "free"),
        "index",
        "Trigger on the index channel, on the external input, or run free.",
    ),
    "edge": (("falling", "rising"), "falling", "Edge of the index that begins a record."),
    "coupling": (("ac", "dc"), "ac", "Coupling of the signal channels."),
}
"""Options that are words: allowed, default, meaning."""

OPTIONS = (
    Option("family", "Family of commands; told by the scope's own answer unless stated."),
    *(Option(key, meaning, default, words) for key, (words, default, meaning) in WORDS.items()),
    *(
        Option(key, meaning, "" if default is None else f"{default:g}")
        for key, (_, _, default, meaning) in NUMBERS.items()
    ),
    Option("roles", "What each channel carries, in order."),
)


@dataclass(frozen=True, slots=True)
class ScopeChannels:
    """Which channel carries what.

    Attributes
    ----------
    plus, minus, differential, envelope, index : int or None
        The channel's number, from 1.
    """

    plus: int | None = None
    minus: int | None = None
    differential: int | None = None
    envelope: int | None = None
    index: int | None = None

    @property
    def signals(self) -> tuple[int, ...]:
        """The channels that carry the read signal, in the order of recording."""
        four = (self.plus, self.minus, self.differential, self.envelope)
        return tuple(channel for channel in four if channel is not None)

    @property
    def delivered(self) -> tuple[Role, ...]:
        """The roles of a block's columns: the two phases come as their differential."""
        signal = Role.ENVELOPE if self.envelope is not None else Role.DIFFERENTIAL
        return (signal,) if self.index is None else (signal, Role.INDEX)


@dataclass(frozen=True, slots=True)
class ScopeOptions:
    """What the user asked of a scope.

    Attributes
    ----------
    resource : str
        Where it is, as VISA names it.
    family : str or None
        Family of commands; None when ``*IDN?`` decides.
    columns : Columns
        Channels by role.
    roles_from : str
        ``"given"`` or ``"default"``.
    speed_rpm : float
        Nominal speed.
    trigger, edge, coupling : str
        One of ``WORDS``.
    level_v, scale_v, probe : float or None
        As ``NUMBERS`` tells.
    baud : int
        Of a serial port.
    """

    resource: str
    family: str | None = None
    columns: ScopeChannels = ScopeChannels(plus=1, minus=2, index=3)
    roles_from: str = "default"
    speed_rpm: float = 300.0
    trigger: str = "index"
    edge: str = "falling"
    coupling: str = "ac"
    level_v: float | None = None
    scale_v: float | None = None
    probe: float | None = None
    baud: int = 9600

    @property
    def trigger_channel(self) -> int | None:
        """The channel whose edge begins a record, None for another trigger or none."""
        return self.columns.index if self.trigger == "index" else None

    @property
    def shortened(self) -> bool:
        """Whether the scope has no channel for the index that nobody asked for."""
        return self.roles_from == "default" and self.columns.index is None

    def of_scope(self, channels: int | None) -> ScopeOptions:
        """Return the options for a scope of so many channels, None where that is not known.

        With two of them the index is left out, unless the roles were given.
        """
        if self.roles_from != "default" or channels != 2 or self.columns.index is None:
            return self
        return replace(
            self,
            columns=replace(self.columns, index=None),
            trigger="free" if self.trigger == "index" else self.trigger,
        )


def read_options(
    text: str, resource: str, options: Mapping[str, str], request: SourceRequest
) -> ScopeOptions:
    """Check an address's parts and read them.

    Parameters
    ----------
    text : str
        The whole address, for messages.
    resource : str
        What stands before the question mark.
    options : mapping of str to str
        What stands after it, split.
    request : SourceRequest
        What else the user asks for; its roles go before those in the address.

    Raises
    ------
    AddressError
        When a part cannot be used as written.
    """
    check_resource(text, resource)
    given = AddressOptions(text, options, [each.key for each in OPTIONS])
    roles = given.roles(request)
    columns = columns_of(text, DEFAULT_ROLES if roles is None else roles)
    numbers = {
        key: given.number(key, low, high) or default
        for key, (low, high, default, _) in NUMBERS.items()
    }
    words = {
        key: given.word(key, allowed) or default for key, (allowed, default, _) in WORDS.items()
    }
    return ScopeOptions(
        resource=resource,
        family=options.get("family"),
        columns=columns,
        roles_from="default" if roles is None else "given",
        speed_rpm=numbers["speed"] or 300.0,
        trigger=words["trigger"] if columns.index or words["trigger"] != "index" else "free",
        edge=words["edge"],
        coupling=words["coupling"],
        level_v=numbers["level"],
        scale_v=numbers["scale"],
        probe=numbers["probe"],
        baud=int(numbers["baud"] or 9600),
    )


def columns_of(text: str, roles: ChannelRoles) -> ScopeChannels:
    """Return the channels of roles that name channels 1, 2, 3 … in turn.

    Raises
    ------
    AddressError
        When there are more than a scope has channels.
    """
    if len(roles) > MOST_CHANNELS:
        raise AddressError(
            f"address “{text}”: {len(roles)} roles are named; a scope has at most "
            f"{MOST_CHANNELS} channels"
        )
    return ScopeChannels(**{role.value: n for n, role in enumerate(roles, 1) if role is not None})
