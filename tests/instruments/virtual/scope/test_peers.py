"""The peers of the link tests, under PyVISA-py's own USB and serial code."""

import contextlib
import threading

import pytest
import pyvisa

from tests.instruments.virtual.scope.bench import block, make_scope, set_up
from tests.peers.serial_pty import PtyScope
from tests.peers.usbtmc import UsbScope

SIZE = 30_000


@pytest.fixture
def scope():
    scope = make_scope("A2")
    yield scope
    scope.close()


@pytest.fixture
def manager():
    manager = pyvisa.ResourceManager("@py")
    yield manager
    manager.close()


@contextlib.contextmanager
def opened(manager, address):
    session = manager.open_resource(
        address, read_termination="\n", write_termination="\n", timeout=30_000
    )
    try:
        yield session
    finally:
        with contextlib.suppress(pyvisa.VisaIOError, ValueError, OSError):
            session.close()


def take_one(session):
    set_up(lambda text: b"" if session.write(text) else None, "A2")
    session.write(":SING;:WAV:SOUR CHAN1")
    assert session.query("*OPC?") == "1"


@pytest.mark.parametrize("packet_bytes", [64, 512])
def test_usb_blocks_of_every_length(scope, manager, packet_bytes):
    """Lengths around a packet: a transfer of whole packets is ended by an empty one."""
    usb = UsbScope(scope, packet_bytes)
    with usb.plugged_in(), opened(manager, usb.address) as session:
        assert ",VIRTUAL-" in session.query("*IDN?")
        take_one(session)
        session.write(":WAV:DATA?")
        whole, rest = block(session.read_raw(SIZE + 64))
        assert (len(whole), rest) == (SIZE, b"\n")
        for points in (1, 28, 29, 36, 37, 39, 40, 41, 476, 488, 489, 500, 1000):
            session.write(f":WAV:STOP {points};DATA?")
            assert block(session.read_raw(points + 64)) == (whole[:points], b"\n")
        session.write(":VIRT:FAUL truncated,middle,1;:WAV:DATA?")
        assert len(session.read_raw(SIZE)) == 11 + 500 + 1


def test_usb_stall_is_a_time_out_and_passes(scope, manager):
    with UsbScope(scope).plugged_in() as bus, opened(manager, bus.address) as session:
        take_one(session)
        session.timeout = 200
        session.write(":VIRT:FAUL stall,middle,1;:WAV:DATA?")
        with pytest.raises(pyvisa.VisaIOError, match="VI_ERROR_TMO"):
            session.read_raw(SIZE + 64)
        assert session.query("*OPC?") == "1"


@pytest.mark.parametrize("at", ["start", "middle", "end"])
def test_usb_unplugged_in_mid_block(scope, manager, at):
    with UsbScope(scope).plugged_in() as bus:
        with opened(manager, bus.address) as session:
            take_one(session)
            session.write(f":VIRT:FAUL reset,{at},1;:WAV:DATA?")
            with pytest.raises((pyvisa.VisaIOError, ValueError, OSError)):
                session.read_raw(SIZE + 64)
            with pytest.raises(ValueError, match="No such device"):
                session.write("*IDN?")
        bus.plug()
        with opened(manager, bus.address) as session:
            assert session.query("*OPC?") == "1"


def test_usb_device_that_may_not_be_opened(scope, manager):
    with UsbScope(scope).plugged_in() as bus:
        bus.permitted = False
        with pytest.raises(Exception, match=r"(?i)no device found|denied|permission"):
            manager.open_resource(bus.address)


def test_serial_blocks_by_exact_counts(scope, manager):
    with PtyScope(scope) as line, opened(manager, line.address) as session:
        assert ",VIRTUAL-" in session.query("*IDN?")
        take_one(session)
        session.write(":WAV:DATA?")
        whole, rest = block(session.read_bytes(SIZE + 12, break_on_termchar=False))
        assert (len(whole), rest) == (SIZE, b"\n")


def test_serial_line_that_ends(scope, manager):
    with PtyScope(scope) as line, opened(manager, line.address) as session:
        take_one(session)
        session.write(":VIRT:FAUL close,middle,1;:WAV:DATA?")
        with pytest.raises((pyvisa.VisaIOError, OSError)):
            session.read_bytes(SIZE + 12, break_on_termchar=False)
    names = {thread.name for thread in threading.enumerate()}
    assert not names & {"scope-pty", "scope-mailbox"}
