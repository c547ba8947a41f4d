"""The scope as a source: its life, its thread, stops in every state, and what it refuses."""

import threading
import time
from types import SimpleNamespace

import numpy as np
import pytest

from instruments.address import open_address
from instruments.scope.options import ScopeOptions
from instruments.scope.session import ScopeSession
from instruments.scope.source import ScopeSource
from instruments.source import (
    AddressError,
    Role,
    SourceError,
    SourceLost,
    SourceRequest,
    SourceTimeout,
    SourceUnavailable,
)
from instruments.virtual.scope import ScopeServer
from tests.instruments.scope.faultcase import SerialLine, new_scope, next_block, served

PATIENCE_S = 30
# The protocol's bound on closing; a kill timer, not a measure.
CLOSE_S = 2.0


def until_s():
    return time.monotonic() + PATIENCE_S


@pytest.fixture
def scope():
    made = new_scope("A2")
    yield made
    made.close()


@pytest.fixture
def server(scope):
    with ScopeServer(scope, "socket", port=0) as made:
        yield made


@pytest.fixture
def source(server):
    made = open_address(f"visa:{server.address}")
    yield made
    made.close()


def close_in_time(source):
    thread = threading.Thread(target=source.close)
    thread.start()
    thread.join(CLOSE_S)
    assert not thread.is_alive()


def read_on(source, timeout_s):
    """Read a few records: one may be under way already when a fault is asked for."""
    for _ in range(5):
        source.read(timeout_s)


def sessions():
    return [thread for thread in threading.enumerate() if thread.name == "scope-session"]


def test_life(source):
    with pytest.raises(SourceUnavailable, match="it is not open"):
        source.read(0.1)
    source.close()
    source.open()
    first = next_block(source, until_s())
    assert first.first_index == 0
    source.close()
    source.close()
    with pytest.raises(SourceUnavailable):
        source.read(0.1)
    source.open()
    assert next_block(source, until_s()).first_index == 0


def test_another_scope_in_its_place_is_left_alone(source, scope, monkeypatch):
    source.open()
    next_block(source, until_s())
    source.close()
    other = scope._interpreter.identity.replace("VIRTUAL-A2", "VIRTUAL-77")
    monkeypatch.setattr(scope._interpreter, "identity", other)
    with pytest.raises(SourceUnavailable, match="VIRTUAL-77” answers there in place of “RIGOL"):
        source.open()
    assert scope.panel.acquisition == "normal"
    monkeypatch.undo()
    source.open()
    next_block(source, until_s())


def test_what_is_known(source):
    assert source.info.roles == (Role.DIFFERENTIAL, Role.INDEX)
    source.open()
    info = source.info
    assert info.virtual
    assert info.live
    assert not info.continuous
    assert info.roles_from == "default"
    assert "RIGOL TECHNOLOGIES,DS1054Z,VIRTUAL-A2" in info.notes[0]
    assert dict(source.settings)["acquisition"] == "peak detect"
    block = next_block(source, until_s())
    assert block.sample_rate_hz == info.sample_rate_hz
    assert block.samples_v.dtype == np.float32
    assert block.samples_v.flags.c_contiguous
    low, high = block.samples_v[::2], block.samples_v[1::2]
    assert (low <= high).all()


def test_nothing_in_time_leaves_it_open(source, scope):
    source.open()
    next_block(source, until_s())
    scope.inject("stall", at="start", count=1)
    with pytest.raises(SourceTimeout):
        read_on(source, 0.05)


def test_no_thread_is_left_after_many_connects(server):
    before = len(sessions())
    for _ in range(5):
        source = open_address(f"visa:{server.address}")
        source.open()
        source.close()
    assert len(sessions()) == before


@pytest.mark.parametrize("transport", ["socket", "vxi11", "hislip", "usb", "serial"])
@pytest.mark.few(2)
def test_a_scope_that_stalls_does_not_hold_up_the_closing(transport, scope):
    with served(scope, transport) as (address, _):
        serial = "?baud=115200" if transport == "serial" else ""
        source = open_address(f"visa:{address}{serial}")
        source.open()
        next_block(source, until_s())
        scope.inject("stall", at="middle", count=3)
        with pytest.raises(SourceTimeout):
            read_on(source, 0.3)
        close_in_time(source)


class HangingLink:
    """A VISA that never comes back from one call."""

    def __init__(self, query):
        self.what = "scope “x”"
        self.terminator = "\n"
        self.let_go = threading.Event()
        self._query = query
        self.closed = threading.Event()

    def ask(self, query, deadline):
        if query == self._query:
            self.let_go.wait(PATIENCE_S)
        return "RIGOL TECHNOLOGIES,DS,1,1" if query == "*IDN?" else "0"

    def send(self, command, deadline):
        pass

    def ask_block(self, query, expected, most, deadline):
        return b""

    def transfer_s(self, size):
        return 0.0

    def resync(self):
        pass

    def abort(self):
        pass

    def close(self):
        self.closed.set()


@pytest.mark.parametrize("query", ["*IDN?", ":TIM:SCAL?"])
def test_a_call_that_never_returns_is_given_up_with_its_thread(query):
    link = HangingLink(query)
    source = ScopeSource(ScopeOptions(resource="x"), "visa:x", lambda *_: link)

    def open_it():
        with pytest.raises(SourceError):
            source.open()

    opening = threading.Thread(target=open_it)
    opening.start()
    while not sessions():
        pass
    close_in_time(source)
    # Its thread ends, and lets go of the link, when the call comes back.
    link.let_go.set()
    assert link.closed.wait(PATIENCE_S)
    opening.join(PATIENCE_S)
    assert not opening.is_alive()


def test_closing_while_a_trigger_is_awaited_puts_the_panel_back(source, scope):
    source.open()
    next_block(source, until_s())
    scope.panel.trigger.levels_v[3] = 9.0  # no pulse is so high: as if the wire came off
    with pytest.raises((SourceTimeout, SourceLost)):
        read_on(source, 0.3)
    close_in_time(source)
    assert scope.panel.seconds_per_div == 1e-3
    assert scope.panel.acquisition == "normal"


def test_the_panel_is_put_back_after_a_refusal(scope, server):
    source = open_address(f"visa:{server.address}?probe=1")
    with pytest.raises(SourceUnavailable, match="channel 1 is set to a ×10 probe and probe=1"):
        source.open()
    assert scope.panel.seconds_per_div == 1e-3
    assert not scope.panel.channels[2].on


def test_the_panel_is_put_back_after_the_link_broke(source, scope):
    source.open()
    next_block(source, until_s())
    scope.inject("reset", at="middle", count=1)
    with pytest.raises(SourceLost):
        read_on(source, PATIENCE_S)
    source.close()
    assert scope.panel.acquisition == "peak"  # it could not be
    source.open()
    source.close()
    assert scope.panel.acquisition == "normal"
    assert scope.panel.seconds_per_div == 1e-3


def test_other_probes_than_the_scope_believes(scope, server):
    scope.panel.channels[2].probe = 1.0
    source = open_address(f"visa:{server.address}")
    with pytest.raises(SourceUnavailable, match=r"channel 1 to ×10 and channel 2 to ×1"):
        source.open()


def test_a_probe_s_switch_is_noticed():
    from instruments.virtual.drive import VirtualDrive
    from instruments.virtual.params import VirtualParams
    from instruments.virtual.scope import VirtualScope

    scope = VirtualScope(VirtualDrive(VirtualParams()), "A2", probes=(10, 1, 10, 1))
    with ScopeServer(scope, "socket", port=0) as server:
        source = open_address(f"visa:{server.address}")
        with pytest.raises(SourceUnavailable, match="check both probes' switches"):
            source.open()
    scope.close()


def test_no_index_pulses(scope, server):
    source = open_address(f"visa:{server.address}?roles=plus,minus,-,index")
    with pytest.raises(SourceUnavailable, match="channel 4 carries no index pulses"):
        source.open()


@pytest.mark.parametrize(
    ("channel", "free", "said"),
    [
        (3, False, "no index pulse came to channel 3: check that wire"),
        (None, False, "no index pulse came to the external input: check that wire"),
        (None, True, "let the scope run"),
    ],
)
def test_a_record_that_does_not_come_is_told_with_what_it_waits_for(channel, free, said):
    options = SimpleNamespace(trigger_channel=channel)
    about = SimpleNamespace(options=options, setup=SimpleNamespace(free=free))
    assert ScopeSession._what_is_awaited(about).startswith(said)


def test_a_level_that_no_pulse_goes_through(server):
    source = open_address(f"visa:{server.address}?level=20")
    with pytest.raises(SourceUnavailable, match=r"channel 3 goes from .* never through level=20;"):
        source.open()
    source = open_address(f"visa:{server.address}?level=2")
    source.open()
    assert "2 V" in dict(source.settings)["trigger"]
    source.close()


def test_a_setting_that_is_refused_names_command_and_answer(scope, server):
    scope.inject("refuse", count=1)
    source = open_address(f"visa:{server.address}")
    with pytest.raises(
        SourceUnavailable, match=r"does not take :TIM:SCAL 5\.000E-02 \(:TIM:SCAL\?"
    ):
        source.open()


def test_a_full_error_queue_hinders_nothing(source, scope):
    scope.inject("errors", count=1)
    source.open()
    next_block(source, until_s())


def test_unmatched_and_unknown_families(scope, server):
    source = open_address(f"visa:{server.address}?family=Z9")
    with pytest.raises(SourceUnavailable, match="family “Z9” is not known"):
        source.open()


def test_the_wrong_family_by_name_is_told_by_its_first_unanswered_query(server):
    source = open_address(f"visa:{server.address}?family=C2")
    with pytest.raises(SourceError, match=r"no answer to TRMD\?.*check-scope"):
        source.open()


def test_somebody_else_s_port():
    import socket

    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]

        def answer():
            peer, _ = server.accept()
            with peer:
                peer.recv(99)
                peer.sendall(b"HTTP/1.1 400 Bad Request\r\n\r\n")
                peer.recv(99)

        thread = threading.Thread(target=answer)
        thread.start()
        source = open_address(f"visa:TCPIP::127.0.0.1::{port}::SOCKET")
        with pytest.raises(SourceUnavailable, match="is it a scope"):
            source.open()
        thread.join(PATIENCE_S)


@pytest.mark.parametrize(
    "resource",
    [
        "TCPIP::127.0.0.1,9::inst0::INSTR",
        "TCPIP::127.0.0.1::hislip0,9::INSTR",
        "ASRL/dev/no-such-line::INSTR",
        "USB0::0x1234::0x5678::NONE::0::INSTR",
    ],
)
def test_nobody_there(resource):
    source = open_address(f"visa:{resource}")
    with pytest.raises(SourceUnavailable, match=r"^scope “") as caught:
        source.open()
    assert "\n" not in str(caught.value)


def test_a_usb_scope_that_this_user_may_not_open(scope):
    with served(scope, "usb") as (address, peer):
        peer.permitted = False
        source = open_address(f"visa:{address}")
        with pytest.raises(SourceUnavailable, match=r'TAG\+="uaccess"'):
            source.open()


def test_an_unplugged_usb_scope_is_lost_and_comes_back(scope):
    with served(scope, "usb") as (address, peer):
        source = open_address(f"visa:{address}")
        source.open()
        next_block(source, until_s())
        peer.unplug()
        with pytest.raises(SourceLost):
            read_on(source, PATIENCE_S)
        close_in_time(source)
        peer.plug()
        source.open()
        next_block(source, until_s())
        source.close()


@pytest.mark.parametrize("packet_bytes", [64, 512])
def test_usb_packets_of_either_size(scope, packet_bytes):
    from tests.peers.usbtmc import UsbScope

    peer = UsbScope(scope, packet_bytes=packet_bytes)
    with peer.plugged_in():
        source = open_address(f"visa:{peer.address}")
        source.open()
        assert len(next_block(source, until_s()).samples_v) == 1200
        source.close()


def test_a_serial_line_at_another_baud(scope, tmp_path):
    with SerialLine(scope, str(tmp_path)) as line:
        source = open_address(f"visa:{line.address}?baud=57600")
        source.open()
        assert len(next_block(source, until_s()).samples_v) == 1200
        source.close()


# Addresses.

SOCKET = "visa:TCPIP::127.0.0.1::5025::SOCKET"


@pytest.mark.parametrize(
    ("address", "words"),
    [
        ("visa:127.0.0.1", "“127.0.0.1” is not where a scope can be"),
        ("visa:TCPIP::host::SOCKET", "is not where a scope can be"),
        ("visa:TCPIP::host::70000::SOCKET", "there is no port 70000; it must be 1 to 65535"),
        ("visa:TCPIP::host::0::SOCKET", "there is no port 0;"),
        ("visa:TCPIP::host::hislip0,65536::INSTR", "there is no port 65536"),
        ("visa:TCPIP::[::1]::INSTR", r"IPv6 address can be used with raw TCP alone"),
        ("visa:TCPIP::::1::5025::SOCKET", "is not where a scope can be"),
        (SOCKET + "?speed=9", "“speed” is “9”; it must lie between 250 and 400"),
        (SOCKET + "?level=x", "“level” is “x”; it must be a number above 0"),
        (SOCKET + "?edge=up", "“edge” is “up”; it must be falling or rising"),
        (SOCKET + "?trigger=4", "“trigger” is “4”; it must be index or external or free"),
        (SOCKET + "?colour=red", "“colour” is not an option here; known: family, trigger"),
        (SOCKET + "?roles=plus", "the lobes need plus and minus together"),
        (SOCKET + "?roles=" + "-," * 8 + "differential", "9 roles are named"),
    ],
)
def test_addresses_that_cannot_be_used(address, words):
    with pytest.raises(AddressError, match=words):
        open_address(address)


@pytest.mark.parametrize("host", ["no-such-host.invalid", "a..b", ".", "a" * 64, "ä"])
@pytest.mark.parametrize("rest", ["5025::SOCKET", "INSTR", "hislip0::INSTR"])
def test_a_name_that_nobody_has(host, rest):
    """RFC 6761 keeps .invalid from being anybody's; RFC 1035 has labels of 1 to 63 octets."""
    source = open_address(f"visa:TCPIP::{host}::{rest}")
    with pytest.raises(SourceUnavailable, match=f"the name “{host}” is not known"):
        source.open()


def test_a_name_that_is_looked_up_for_ever_is_given_up(monkeypatch):
    import socket

    known = threading.Event()
    monkeypatch.setattr(socket, "getaddrinfo", lambda *_, **__: known.wait(PATIENCE_S) and [])
    monkeypatch.setattr("instruments.scope.source._CONNECT_S", 0.1)
    source = open_address("visa:TCPIP::scope.example::5025::SOCKET")
    with pytest.raises(SourceUnavailable, match=r"the name “scope\.example” is not known"):
        source.open()
    known.set()


def test_every_address_behind_a_name_is_tried(scope, server, monkeypatch):
    import socket

    dead = ("127.0.0.1", 1)
    alive = ("127.0.0.1", server.port)
    kinds = (socket.AF_INET, socket.SOCK_STREAM, 0, "")
    monkeypatch.setattr(socket, "getaddrinfo", lambda *_, **__: [(*kinds, dead), (*kinds, alive)])
    source = open_address(f"visa:TCPIP::scope.example::{server.port}::SOCKET")
    source.open()
    assert source.info.virtual
    source.close()


def test_an_ipv6_address_in_brackets():
    import socket

    with socket.create_server(("::1", 0), family=socket.AF_INET6) as listening:
        port = listening.getsockname()[1]
        source = open_address(f"visa:TCPIP::[::1]::{port}::SOCKET")
        came = threading.Thread(target=lambda: listening.accept()[0].close())
        came.start()
        with pytest.raises(SourceError, match=r"closed the connection|connection broke"):
            source.open()
        came.join(PATIENCE_S)


@pytest.mark.parametrize(
    ("resource", "words"),
    [
        ("GPIB0::7::INSTR", "GPIB needs the system's own VISA"),
        ("ASRL1::INSTR", "there is no serial port “1”; name its file, as ASRL/dev/ttyUSB0"),
    ],
)
def test_what_this_machine_does_not_have(resource, words):
    with pytest.raises(SourceUnavailable, match=words):
        open_address(f"visa:{resource}").open()


def test_roles_of_the_command_line_go_before_those_of_the_address():
    roles = (None, Role.DIFFERENTIAL)
    source = open_address(SOCKET + "?roles=plus,minus", SourceRequest(roles=roles))
    assert source.info.roles == (Role.DIFFERENTIAL,)
    assert source.info.roles_from == "given"


def test_a_differential_probe_alone(scope, server):
    source = open_address(f"visa:{server.address}?roles=differential")
    source.open()
    block = next_block(source, until_s())
    source.close()
    assert block.samples_v.shape == (1200, 1)
