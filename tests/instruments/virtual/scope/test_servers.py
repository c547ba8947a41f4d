"""The servers, with PyVISA as a client that knows nothing of this project; and their threads."""

import contextlib
import signal
import socket
import struct
import threading
import time

import numpy as np
import pytest
import pyvisa
from pyvisa_py.protocols.hislip import MESSAGETYPE_STR

from instruments.source import AddressError
from instruments.virtual.scope import TRANSPORTS, ScopeServer, serve
from instruments.virtual.scope.hislip import HislipMessageType
from instruments.virtual.scope.scope import Pause
from instruments.virtual.scope.server import MOST_LINKS
from tests.instruments.virtual.scope.bench import FAMILIES, block, make_scope, ratio, set_up, take

OWN_THREADS = ("scope-accept", "scope-link", "scope-mailbox", "scope-ahead")


FOREVER = b":TRIG:SWE NORM;EDGE:SOUR CHAN4\n:SING\n*OPC?\n"
"""A wait for a trigger that does not come."""


def own_threads():
    return [thread for thread in threading.enumerate() if thread.name in OWN_THREADS]


@pytest.fixture(autouse=True)
def no_thread_left():
    yield
    deadline_s = time.monotonic() + 30
    while own_threads() and time.monotonic() < deadline_s:
        time.sleep(0.01)
    assert own_threads() == []


@pytest.fixture
def manager():
    manager = pyvisa.ResourceManager("@py")
    yield manager
    manager.close()


@contextlib.contextmanager
def served(transport, family="A2", **settings):
    scope = make_scope(family, **settings)
    try:
        with ScopeServer(scope, transport) as server:
            yield scope, server
    finally:
        scope.close()


@contextlib.contextmanager
def opened(manager, server):
    session = manager.open_resource(
        server.address, read_termination="\n", write_termination="\n", timeout=30_000
    )
    try:
        yield session
    finally:
        session.close()


@contextlib.contextmanager
def dialled(server):
    link = socket.create_connection(("127.0.0.1", server.port), timeout=30)
    try:
        yield link
    finally:
        link.close()


def received(link, count):
    data = bytearray()
    while len(data) < count:
        part = link.recv(count - len(data))
        if not part:
            break
        data += part
    return bytes(data)


def line(link):
    data = b""
    while not data.endswith(b"\n"):
        part = link.recv(1)
        if not part:
            break
        data += part
    return data


def visa_asker(session):
    """Return the bench's way to ask, over PyVISA and messages."""

    def ask(text):
        session.write(text)
        return session.read_raw(1 << 20) if "?" in text else b""

    return ask


def socket_asker(link, ending):
    """Return the bench's way to ask, over bare TCP: blocks by exact counts, text by lines."""

    def ask(text):
        link.sendall(text.encode() + b"\n")
        if "?" not in text:
            return b""
        data = received(link, 1)
        while not data.endswith(b"\n"):
            if b"#" in data:
                digits = received(link, 1)
                size = received(link, int(digits))
                return data + digits + size + received(link, int(size) + len(ending))
            data += received(link, 1)
        return data

    return ask


@pytest.mark.parametrize("transport", ["vxi11", "hislip"])
@pytest.mark.parametrize("family", FAMILIES)
def test_every_family_in_messages(manager, transport, family):
    with served(transport, family) as (scope, server), opened(manager, server) as session:
        assert f",VIRTUAL-{family}," in session.query("*IDN?")
        ask = visa_asker(session)
        set_up(ask, family)
        take(ask, family)
        assert ratio(ask, family) == pytest.approx(scope.truth().ratio, abs=0.01)


@pytest.mark.parametrize("family", FAMILIES)
def test_every_family_over_bare_tcp(manager, family):
    with served("socket", family) as (scope, server):
        with opened(manager, server) as session:
            assert f",VIRTUAL-{family}," in session.query("*IDN?")
        with dialled(server) as link:
            ask = socket_asker(link, b"\n\n" if family == "C2" else b"\n")
            set_up(ask, family)
            take(ask, family)
            assert ratio(ask, family) == pytest.approx(scope.truth().ratio, abs=0.01)


@pytest.mark.parametrize("transport", TRANSPORTS)
def test_errors_and_settings_over_every_transport(manager, transport):
    with served(transport) as (_, server), opened(manager, server) as session:
        session.write(":TIM:SCAL 0.05")
        assert float(session.query(":TIM:SCAL?")) == 0.05
        session.write(":MEASU")
        assert session.query(":SYST:ERR?") == '-113,"Undefined header"'
        assert session.query(":SYST:ERR?") == '0,"No error"'


@pytest.mark.parametrize("transport", ["vxi11", "hislip"])
def test_clearing_ends_a_wait(manager, transport):
    with served(transport) as (_, server), opened(manager, server) as session:
        session.write(":TRIG:SWE NORM;EDGE:SOUR CHAN4")
        session.write(":SING")
        session.write("*OPC?")
        session.clear()
        assert ",VIRTUAL-" in session.query("*IDN?")


# IEEE 488.2, 6.3.2.3: a new message before the last response was read is an interrupted query.
def test_a_reply_that_nobody_fetched_is_an_error(manager):
    with served("vxi11") as (scope, server), opened(manager, server) as session:
        session.write("*IDN?")
        deadline_s = time.monotonic() + 30
        while not session.read_stb() & 16:
            assert time.monotonic() < deadline_s
        assert session.query(":TIM:SCAL?") == "1.000000e-03"
        assert session.query(":SYST:ERR?") == '-410,"Query INTERRUPTED"'
        assert len(scope.errors) == 0


def test_vxi11_reads_in_pieces_and_times_out_on_nothing(manager):
    with served("vxi11") as (_, server), opened(manager, server) as session:
        session.write("*IDN?")
        assert session.read_bytes(5) == b"RIGOL"
        assert b",VIRTUAL-" in session.read_raw()
        session.timeout = 200
        with pytest.raises(pyvisa.VisaIOError, match="VI_ERROR_TMO"):
            session.read()


@pytest.mark.parametrize("transport", ["vxi11", "hislip"])
def test_a_large_record_in_messages(manager, transport):
    with served(transport, "B") as (_, server), opened(manager, server) as session:
        for text in ("HEAD OFF", "HOR:RECO 1000000", "DAT:STOP 1000000", "ACQ:STATE STOP"):
            session.write(text)
        session.write("CURV?")
        # PyVISA-py waits for more after a whole number of VXI-11 chunks: ask for some more.
        data, rest = block(session.read_raw(1_000_009 + 64))
        assert (len(data), rest) == (1_000_000, b"\n")


def test_a_large_record_over_bare_tcp():
    with served("socket", "B") as (_, server), dialled(server) as link:
        link.sendall(b"HEAD OFF\nHOR:RECO 1000000\nDAT:STOP 1000000\nACQ:STATE STOP\nCURV?\n")
        data, rest = block(received(link, 1_000_010))
        assert (len(data), rest) == (1_000_000, b"\n")
        codes = np.frombuffer(data, "i1")
        assert codes.any()


def test_lines_may_come_in_any_pieces():
    with served("socket") as (_, server), dialled(server) as link:
        for part in (b"*ID", b"N?", b"\n:TIM", b":SCAL 0.0", b"2\n:TIM:SCAL?\n*OPC?\n"):
            link.sendall(part)
            time.sleep(0.01)
        assert line(link).startswith(b"RIGOL")
        assert line(link) == b"2.000000e-02\n"
        assert line(link) == b"1\n"


def test_a_line_without_an_end_is_an_overrun():
    with served("socket") as (_, server), dialled(server) as link:
        link.sendall(b"x" * 70_000)
        deadline_s = time.monotonic() + 30
        answer = b""
        while not answer.startswith(b"-363") and time.monotonic() < deadline_s:
            link.sendall(b"\n:SYST:ERR?\n")
            answer = line(link)
        assert answer == b'-363,"Input buffer overrun"\n'


@pytest.mark.parametrize("transport", TRANSPORTS)
def test_no_thread_is_left_after_a_hundred_connections(transport):
    with served(transport) as (_, server):
        for _ in range(100):
            with dialled(server):
                pass
        deadline_s = time.monotonic() + 30
        while len(own_threads()) > 1 and time.monotonic() < deadline_s:
            time.sleep(0.01)
        assert [thread.name for thread in own_threads()] == ["scope-accept"]


def test_closing_ends_links_that_wait():
    with served("socket") as (_, server), dialled(server) as link:
        link.sendall(FOREVER)
        server.close()
        server.close()
        assert own_threads() == []
        # What was still under way to the scope makes the end a reset.
        with contextlib.suppress(ConnectionResetError):
            assert link.recv(1) == b""


def test_commands_that_arrived_are_carried_out_before_the_end():
    for _ in range(20):
        with served("socket") as (scope, server):
            with dialled(server) as link:
                link.sendall(b"*OPC?\n")
                assert line(link) == b"1\n"
                link.sendall(b":CHAN1:COUP DC\n" * 50 + b":TIM:SCAL 0.05\n")
            server.close()
            assert scope.panel.seconds_per_div == 0.05


def test_hislip_numbers_its_messages_as_another_implementation_does():
    """IVI-6.1, as PyVISA-py has it, whose names are longer."""
    for kind in HislipMessageType:
        name = MESSAGETYPE_STR[kind]
        for left in ("Device", "Msg", "Control", "Query"):
            name = name.replace(left, "")
        name = name if kind.name.startswith("ASYNC") else name.removeprefix("Async")
        assert name.upper() == kind.name.replace("_", "")


def test_each_hislip_session_has_a_number_of_its_own():
    """IVI-6.1, InitializeResponse: by its number the second connection finds the first."""
    header, numbers = struct.Struct(">2s2BIQ"), set()
    with served("hislip") as (_, server), contextlib.ExitStack() as links:
        for _ in range(4):
            link = links.enter_context(dialled(server))
            link.sendall(header.pack(b"HS", HislipMessageType.INITIALIZE, 0, 1 << 24, 0))
            _, kind, _, parameter, _ = header.unpack(received(link, header.size))
            assert kind == HislipMessageType.INITIALIZE_RESPONSE
            numbers.add(parameter & 0xFFFF)
    assert len(numbers) == 4


def test_closing_ends_sessions_that_wait(manager):
    with served("hislip") as (_, server), opened(manager, server) as session:
        session.write(FOREVER.decode().replace("\n", ";"))
        server.close()
        assert own_threads() == []


def test_closing_ends_messages_that_wait():
    with served("vxi11") as (_, server), dialled(server) as link:
        reply = called(link, 10, struct.pack(">4I4s", 0, 0, 0, 4, b"inst"))
        error, number, _, _ = struct.unpack(">4I", reply)
        assert error == 0
        data = FOREVER + bytes(-len(FOREVER) % 4)
        written = struct.pack(">5I", number, 1000, 0, 8, len(FOREVER)) + data
        assert called(link, 11, written) == struct.pack(">2I", 0, len(FOREVER))
        server.close()
        assert own_threads() == []


def test_vxi11_stalls_without_an_answer():
    with served("vxi11") as (scope, server), dialled(server) as link:
        for message in (b":ACQ:MDEP 12000\n", b":STOP\n"):
            scope.reply(message)
        scope.inject("stall", "start")
        number = struct.unpack_from(">4I", called(link, 10, struct.pack(">4I", 0, 0, 0, 0)))[1]
        question = b":STOP;:WAV:DATA?\n"
        written = struct.pack(">5I", number, 1000, 0, 8, len(question)) + question + bytes(3)
        called(link, 11, written)
        link.settimeout(0.3)
        with pytest.raises(TimeoutError):
            called(link, 12, struct.pack(">6I", number, 100, 100, 0, 0, 0))


def test_a_link_that_leaves_during_a_wait_leaves_no_thread():
    with served("socket") as (scope, server):
        with dialled(server) as link:
            link.sendall(FOREVER)
            while not scope._acquisition.awaited:
                time.sleep(0.01)
        deadline_s = time.monotonic() + 30
        while len(own_threads()) > 1 and time.monotonic() < deadline_s:
            time.sleep(0.01)
        assert len(own_threads()) == 1


def test_more_links_than_allowed_are_closed():
    with served("socket") as (_, server), contextlib.ExitStack() as stack:
        links = [stack.enter_context(dialled(server)) for _ in range(MOST_LINKS)]
        for link in links:
            link.sendall(b"*OPC?\n")
            assert line(link) == b"1\n"
        more = stack.enter_context(dialled(server))
        assert more.recv(1) == b""


def test_unknown_transports_and_ports_in_use_are_refused():
    scope = make_scope()
    with pytest.raises(ValueError, match="socket, vxi11, hislip"):
        ScopeServer(scope, "carrier pigeon")
    with ScopeServer(scope, "socket") as server, pytest.raises(OSError, match="in use"):
        ScopeServer(scope, "socket", server.port)
    scope.close()


def called(link, procedure, arguments=b"", program=0x0607AF, version=1):
    """Return the results of a call, after its accepted state; in two fragments."""
    call = struct.pack(">10I", 7, 0, 2, program, version, procedure, 0, 0, 0, 0) + arguments
    for part, last in ((call[:12], 0), (call[12:], 0x80000000)):
        link.sendall(struct.pack(">I", last | len(part)) + part)
    (size,) = struct.unpack(">I", received(link, 4))
    reply = received(link, size & 0x7FFFFFFF)
    assert reply[:20] == struct.pack(">5I", 7, 1, 0, 0, 0)
    return reply[20:] if reply[20:24] != bytes(4) else reply[24:]


# RFC 5531, 9: what a call of a program, version or procedure that is not there is answered.
@pytest.mark.parametrize(
    ("program", "version", "procedure", "state"),
    [(0x0607AF, 1, 0, 0), (100000, 1, 0, 1), (0x0607AF, 2, 10, 2), (0x0607AF, 1, 99, 3)],
)
def test_rpc_calls_of_what_is_not_there(program, version, procedure, state):
    with served("vxi11") as (_, server), dialled(server) as link:
        reply = called(link, procedure, b"", program, version)
        assert reply == {0: b"", 2: struct.pack(">3I", 2, 1, 1)}.get(
            state, struct.pack(">I", state)
        )


@pytest.mark.parametrize("noise", [b"\x00" * 64, b"GET / HTTP/1.0\r\n\r\n" * 4, b"\xff" * 64])
@pytest.mark.parametrize("transport", ["vxi11", "hislip"])
def test_noise_closes_the_link_and_nothing_else(manager, transport, noise):
    with served(transport) as (_, server):
        with dialled(server) as link:
            link.sendall(noise)
            # The server may have closed it before, with or without a reset.
            with contextlib.suppress(OSError):
                link.shutdown(socket.SHUT_WR)
                while link.recv(4096):
                    pass
        with opened(manager, server) as session:
            assert session.query("*OPC?") == "1"


@pytest.mark.parametrize(
    ("settings", "said"),
    [
        ({"left": ("upside down",)}, "state “upside down” is not known; use ac, armed"),
        ({"answer_s": -1.0}, "answer-s -1: write seconds from 0 to 600"),
        ({"byte_s": float("nan")}, "byte-s nan: write seconds from 0 to 600"),
    ],
)
def test_what_cannot_be_served_is_refused(settings, said):
    with pytest.raises(AddressError, match=said):
        serve("ds1054z", tell=print, **settings)


def test_a_slow_link_is_slow():
    with served("socket", answer_s=0.01) as (scope, server), dialled(server) as link:
        steps = scope.deliver(b":TIM:SCAL?\n")
        assert steps[0] == Pause(0.01)
        link.sendall(b"*OPC?\n")
        assert line(link) == b"1\n"


@pytest.mark.parametrize(("pace", "is_ahead"), [("fast", True), ("live", False)])
def test_where_sweeps_take_no_time_the_next_is_made_beforehand(pace, is_ahead):
    names = []

    def tell(_address):
        names.extend(thread.name for thread in own_threads())
        signal.raise_signal(signal.SIGTERM)

    serve("A2", "socket", 0, f"pace={pace}", tell=tell)
    assert ("scope-ahead" in names) is is_ahead
