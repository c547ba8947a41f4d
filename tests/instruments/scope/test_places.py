"""Resource names: VISA's grammar (VPP-4.3, 4.3.1), and what was meant without ``visa:``."""

import pytest

from instruments.scope.ports import is_serial
from instruments.scope.visa import meant_as_resource, server_place, socket_place


@pytest.mark.parametrize(
    ("resource", "place"),
    [
        ("TCPIP::host::5025::SOCKET", ("host", 5025)),
        ("tcpip0::192.0.2.7::5555::socket", ("192.0.2.7", 5555)),
        ("TCPIP::[fe80::1%eth0]::5025::SOCKET", ("fe80::1%eth0", 5025)),
        ("TCPIP::host::inst0::INSTR", None),
        ("TCPIP::host::5025::SOCKET::X", None),
        ("USB0::1::2::3::INSTR", None),
    ],
)
def test_the_place_of_a_raw_socket(resource, place):
    assert socket_place(resource) == place


@pytest.mark.parametrize(
    ("resource", "place"),
    [
        # HiSLIP listens on 4880 (IVI-6.1), VXI-11 is asked for at the port mapper's 111 (RFC 1833).
        ("TCPIP::host::hislip0::INSTR", ("host", 4880)),
        ("TCPIP0::host::HiSLIP0,4881::INSTR", ("host", 4881)),
        ("TCPIP::host::INSTR", ("host", 111)),
        ("TCPIP::host::inst0::INSTR", ("host", 111)),
        ("TCPIP::host,1111::inst0::INSTR", ("host", 1111)),
        ("TCPIP::host::5025::SOCKET", None),
        ("GPIB0::5::INSTR", None),
    ],
)
def test_the_place_of_a_server(resource, place):
    assert server_place(resource) == place


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("USB0::1::2::3::INSTR", "visa:USB0::1::2::3::INSTR"),
        ("asrl3", "visa:asrl3"),
        ("ASRLCOM3", "visa:ASRLCOM3"),
        ("192.0.2.7", "visa:TCPIP::192.0.2.7::5025::SOCKET"),
        ("192.0.2.7:80", "visa:TCPIP::192.0.2.7::80::SOCKET"),
        ("192.0.2", ""),
        ("asrlonger.wav", ""),
        ("sim:", ""),
    ],
)
def test_what_was_meant(text, meant):
    assert meant_as_resource(text) == meant


def test_serial_ports():
    assert is_serial("asrl/dev/ttyUSB0::INSTR")
    assert not is_serial("GPIB0::5::INSTR")
