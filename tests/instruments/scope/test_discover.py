"""What is attached, and the sentences about what keeps it from being used."""

import errno
import os
import threading
from types import SimpleNamespace

import pytest
import pyvisa
import usb.core
from pyvisa.constants import StatusCode
from pyvisa.errors import VisaIOError

from instruments.address import open_address
from instruments.scope import discover, ports, visa
from instruments.scope.discover import FoundScopes, find_scopes, the_only_scope
from instruments.scope.links import UDEV_RULES, Garbled, Late, boundary
from instruments.source import SourceLost, SourceUnavailable
from tests.instruments.scope.faultcase import new_scope, served


class Device(list):
    """A USB device as pyusb shows it: a list of configurations, each one of interfaces."""

    def __init__(self, vendor, product, classes, serial="1"):
        interfaces = [SimpleNamespace(bInterfaceClass=a, bInterfaceSubClass=b) for a, b in classes]
        super().__init__([interfaces])
        self.idVendor, self.idProduct = vendor, product
        self.iSerialNumber = 3
        self._serial = serial

    @property
    def serial_number(self):
        if self._serial is None:
            raise ValueError("The device has no langid (permission issue)")
        return self._serial


def test_a_usb_instrument_without_permission_shows_the_rule():
    # USBTMC 1.0, 4.1: interface class 0xFE, subclass 3.
    hint = ports.usb_hint(Device(0x1AB1, 0x04CE, [(0xFE, 3)], serial=None))
    assert all(rule in hint for rule in UDEV_RULES)
    assert "1ab1:04ce" in hint
    assert not ports.usb_hint(Device(0x1AB1, 0x04CE, [(0xFE, 3)]))
    assert not ports.usb_hint(Device(0x1AB1, 0x04CE, [(8, 6)], serial=None))  # a memory stick


def test_a_usb_scope_that_speaks_no_scpi_is_told():
    hint = ports.usb_hint(Device(0x04B5, 0x6022, [(255, 0)]))
    assert "speaks no SCPI" in hint
    assert "pipe:" in hint


def test_a_serial_port_without_permission(monkeypatch):
    monkeypatch.setattr(os, "access", lambda path, mode: path != "/dev/ttyUSB0")
    monkeypatch.setattr(os.path, "exists", lambda path: path != "/dev/ttyUSB9")
    hints = {n: ports.serial_hint(f"ASRL/dev/{n}::INSTR") for n in ("ttyUSB0", "ttyS0", "ttyUSB9")}
    assert (
        "may not open /dev/ttyUSB0; add yourself to its group (often dialout)" in hints["ttyUSB0"]
    )
    assert "there is no /dev/ttyUSB9" in hints["ttyUSB9"]
    assert hints["ttyS0"] == ""
    assert ports.serial_hint("ASRL3::INSTR") == ""


def test_what_is_attached_has_an_address_that_opens():
    scope = new_scope("A2")
    with served(scope, "usb") as _:
        attached = find_scopes(20)
        usb_scopes = [found for found, title in attached.scopes if "VIRTUAL-A2" in title]
        assert len(usb_scopes) == 1
        titles = dict(attached.scopes)
        assert titles[usb_scopes[0]] == "Evenlobe Virtual scope, serial VIRTUAL-A2, USB"
        source = open_address(usb_scopes[0])
        source.open()
        assert source.info.virtual
        source.close()
        for found, title in attached.scopes:
            assert open_address(found).info.name == found
            assert title
    scope.close()


@pytest.mark.parametrize(
    ("resource", "title"),
    [
        ("USB0::0x1AB1::0x04CE::1::0::INSTR", "A B, serial 1, USB"),
        ("USB0::6833::1230::1::INSTR", "A B, serial 1, USB"),
        ("USB0::0x1AB1::0x04CE::2::0::INSTR", "USB instrument, serial 2"),
        ("USB0::0x1AB1::0x04CF::1::0::INSTR", "USB instrument, serial 1"),
        ("USB0::0x1AB1::0x04CE::1::0::RAW", ""),
        ("TCPIP0::192.0.2.7::inst0::INSTR", "Network instrument at 192.0.2.7, VXI-11"),
        ("TCPIP0::192.0.2.7::hislip0,4880::INSTR", "Network instrument at 192.0.2.7, HiSLIP"),
        ("TCPIP0::192.0.2.7::5025::SOCKET", "Network instrument at 192.0.2.7, port 5025"),
        ("GPIB0::5::INSTR", "GPIB instrument at 5"),
        ("ASRL/dev/ttyUSB0::INSTR", "Serial port /dev/ttyUSB0"),
        ("PXI0::5::INSTR", ""),
    ],
)
def test_titles_name_maker_model_and_serial_or_the_place(monkeypatch, resource, title):
    device = Device(0x1AB1, 0x04CE, [(0xFE, 3)])
    device.manufacturer, device.product = "A ", "B"
    monkeypatch.setattr(discover, "usb_devices", lambda: [device])
    monkeypatch.setattr(discover, "_resources", lambda: (resource,))
    assert [words for _, words in find_scopes(20).scopes] == ([title] if title else [])


def test_a_title_repeats_no_maker_and_asks_no_more_than_is_told():
    device = Device(0x1AB1, 0x04CE, [(0xFE, 3)])
    device.manufacturer, device.product = "Maker", "Maker B"
    assert ports.usb_name(device) == "Maker B, serial 1, USB"
    assert ports.usb_name(Device(0x1AB1, 0x04CE, [(0xFE, 3)], serial=None)) == ""


def test_a_listing_that_hangs_is_left_to_itself(monkeypatch):
    let_go = threading.Event()
    monkeypatch.setattr(discover, "_find", lambda: let_go.wait(20))
    attached = find_scopes(0.05)
    let_go.set()
    assert attached.scopes == ()
    assert "could not be listed" in attached.hints[0]


def attach(monkeypatch, *names, hints=()):
    found = FoundScopes(tuple((f"visa:{name}", name) for name in names), hints)
    monkeypatch.setattr(discover, "find_scopes", lambda: found)


def test_the_only_one_is_taken_and_two_are_named(monkeypatch):
    attach(monkeypatch, "ASRL/dev/ttyS0::INSTR", "USB0::1::2::A::0::INSTR")
    assert the_only_scope() == "USB0::1::2::A::0::INSTR"
    attach(monkeypatch, "USB0::1::2::A::0::INSTR", "USB0::1::2::B::0::INSTR")
    with pytest.raises(SourceUnavailable, match="2 instruments are attached: USB0::1::2::A") as two:
        the_only_scope()
    assert "for example visa:USB0::1::2::A::0::INSTR" in str(two.value)
    attach(monkeypatch, hints=("this user may not open x",))
    with pytest.raises(SourceUnavailable, match="no instrument was found; this user may not"):
        the_only_scope()


def test_an_address_with_nothing_in_it_means_the_only_one(monkeypatch):
    scope = new_scope("A2")
    with served(scope, "socket") as (address, _):
        attach(monkeypatch, address)
        source = open_address("visa:")
        source.open()
        assert source.info.virtual
        source.close()
    scope.close()


def test_no_visa_at_all(monkeypatch):
    def refuse(library=""):
        raise ValueError("Could not locate a VISA implementation")

    monkeypatch.setattr(visa, "_managers", [])
    monkeypatch.setattr(pyvisa, "ResourceManager", refuse)
    source = open_address("visa:USB0::0x1234::0x5678::X::0::INSTR")
    with pytest.raises(SourceUnavailable, match="no VISA was found; install the package PyVISA-py"):
        source.open()
    scope = new_scope("A2")
    with served(scope, "socket") as (address, _):
        raw = open_address(f"visa:{address}")  # needs none
        raw.open()
        raw.close()
    scope.close()


def test_the_maker_s_visa_that_does_not_load_gives_way(monkeypatch):
    asked = []

    def manager(library=""):
        asked.append(library)
        if not library:
            raise OSError("libvisa.so: wrong ELF class")
        return "a manager"

    monkeypatch.setattr(visa, "_managers", [])
    monkeypatch.setattr(pyvisa, "ResourceManager", manager)
    assert visa.resource_manager() == "a manager"
    assert asked == ["", "@py"]


# The boundary: everything that a library may raise.


@pytest.mark.parametrize(
    ("raised", "kind", "words"),
    [
        (VisaIOError(StatusCode.error_timeout), Late, "no answer in time"),
        (TimeoutError("timed out"), Late, "no answer in time"),
        (VisaIOError(StatusCode.error_connection_lost), SourceLost, "the connection broke"),
        (VisaIOError(StatusCode.error_io), SourceLost, "the connection broke"),
        (ValueError("[Errno 19] No such device"), SourceLost, "the connection broke"),
        (BrokenPipeError(errno.EPIPE, "Broken pipe"), SourceLost, "the connection broke"),
        (RuntimeError("Connection was dropped by server."), SourceLost, "the connection broke"),
        (EOFError(), SourceLost, "the connection broke"),
        (AttributeError("'NoneType' object"), SourceLost, "the connection broke"),
        (VisaIOError(StatusCode.error_resource_not_found), SourceUnavailable, "no such instrument"),
        (usb.core.USBError("Access denied", -3, errno.EACCES), SourceUnavailable, "udev/rules.d"),
        (PermissionError(errno.EACCES, "Permission denied"), SourceUnavailable, "udev/rules.d"),
        (usb.core.NoBackendError("No backend available"), SourceUnavailable, "libusb is missing"),
        (Garbled("as it is"), Garbled, "as it is"),
    ],
)
def test_everything_comes_out_as_a_source_error(raised, kind, words):
    with pytest.raises(kind, match=words) as caught, boundary("scope “x”"):
        raise raised
    assert "\n" not in str(caught.value)
    assert type(caught.value) is kind


def test_interrupts_pass_through():
    with pytest.raises(KeyboardInterrupt), boundary("scope “x”"):
        raise KeyboardInterrupt
