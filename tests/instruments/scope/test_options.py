"""What may stand in a scope's address, at its bounds, and what stands where nothing is said."""

import pytest

from instruments.address import open_address
from instruments.scope.options import ScopeChannels, ScopeOptions, columns_of, read_options
from instruments.source import AddressError, Role, SourceRequest, parse_roles

PLACE = "TCPIP::h::1::SOCKET"


def read(roles=None, **options):
    request = SourceRequest(roles=None if roles is None else parse_roles(roles))
    return read_options("visa:x", PLACE, options, request)


def test_what_stands_where_nothing_is_said():
    assert read() == ScopeOptions(PLACE)
    usual = read()
    assert usual.columns == ScopeChannels(plus=1, minus=2, index=3)
    assert (usual.family, usual.roles_from, usual.speed_rpm) == (None, "default", 300.0)
    assert (usual.trigger, usual.edge, usual.coupling) == ("index", "falling", "ac")
    # 9600 bits a second is what most instruments have on leaving the works (common practice).
    assert (usual.level_v, usual.scale_v, usual.probe, usual.baud) == (None, None, None, 9600)
    assert usual.trigger_channel == 3


def test_what_is_said_is_kept():
    told = read(
        family="A1",
        speed="360",
        level="2.5",
        scale="0.05",
        probe="10",
        baud="115200",
        trigger="external",
        edge="rising",
        coupling="dc",
        roles="-,differential,-,index",
    )
    columns = ScopeChannels(differential=2, index=4)
    assert told == ScopeOptions(
        PLACE, "A1", columns, "given", 360.0, "external", "rising", "dc", 2.5, 0.05, 10.0, 115200
    )
    assert told.trigger_channel is None
    assert (columns.signals, columns.delivered) == ((2,), (Role.DIFFERENTIAL, Role.INDEX))


def test_without_an_index_nothing_waits_for_it():
    assert read("plus,minus").trigger == "free"
    assert read("plus,minus", trigger="external").trigger == "external"
    assert read("envelope").columns.delivered == (Role.ENVELOPE,)
    assert read("minus,plus").columns.signals == (2, 1)


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        # Nominal speeds are 300 and 360 rpm (ECMA-70, ECMA-99); pulses are of logic or of 24 V
        # (common practice); probes divide by 1 to 1000; serial ports know 300 bits a second up.
        ("speed", 250, 400),
        ("level", 0.01, 50),
        ("probe", 0.001, 10000),
        # From the finest range with a ×1 probe to the coarsest with a ×10 one.
        ("scale", 1e-3, 100),
        ("baud", 300, 4e6),
    ],
)
def test_numbers_lie_within_their_limits(name, low, high):
    for value in (low, high):
        read(**{name: f"{value}"})
    for value in (0.99 * low, 1.01 * high):
        with pytest.raises(AddressError, match=f"“{name}” is “.*between {low:g} and "):
            read(**{name: f"{value}"})


def test_a_scope_has_eight_channels_at_most():
    nine = "-,-,-,-,-,-,-,-,differential"
    assert columns_of("a", parse_roles(nine[2:])).differential == 8
    with pytest.raises(AddressError, match="9 roles are named; a scope has at most 8 channels"):
        columns_of("a", parse_roles(nine))


@pytest.mark.parametrize(
    ("address", "words"),
    [
        (f"visa:{PLACE}?trigger=never", "must be index or external or free"),
        (f"visa:{PLACE}?edge=up", "must be falling or rising"),
        (f"visa:{PLACE}?coupling=gnd", "must be ac or dc"),
        ("visa:TCPIP::h::65536::SOCKET", "there is no port 65536"),
        ("visa:TCPIP::h::1861::SOCKET", "VICP, a maker's own protocol.* visa:TCPIP::h::INSTR"),
        ("visa:TCPIP::[::1]::inst0::INSTR", "an IPv6 address can be used with raw TCP alone"),
    ],
)
def test_what_may_not_stand(address, words):
    with pytest.raises(AddressError, match=words):
        open_address(address)


@pytest.mark.parametrize("port", [1, 65535])
def test_the_first_and_the_last_port(port):
    info = open_address(f"visa:TCPIP::h::{port}::SOCKET").info
    assert (info.live, info.continuous, info.virtual) == (True, False, False)
    assert info.roles_from == "default"
