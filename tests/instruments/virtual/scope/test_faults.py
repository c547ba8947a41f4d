"""Faults on request: what a client gets to see, and that the next reply is good again."""

import contextlib
import socket

import numpy as np
import pytest
import pyvisa

from instruments.virtual.scope import Fault, ScopeServer
from instruments.virtual.scope.scope import ON_BLOCKS, Break, Pause, Request, Send, faulty
from tests.instruments.virtual.scope.bench import asker, block, make_scope, set_up, take

SIZE = 30_000
WHOLE = 11 + SIZE + 1
PLACES = ("start", "middle", "end")


@pytest.fixture
def scope():
    scope = make_scope("A2")
    ask = asker(scope)
    set_up(ask, "A2")
    take(ask, "A2")
    ask(":WAV:SOUR CHAN1")
    yield scope
    scope.close()


def played(scope, message=b":WAV:DATA?\n"):
    """Return what is sent, and how it ends."""
    steps = scope.deliver(message)
    data = b"".join(bytes(step.data) for step in steps if isinstance(step, Send))
    breaks = [step for step in steps if isinstance(step, Break)]
    return data, breaks[0] if breaks else None


@pytest.mark.parametrize(
    ("fault", "at", "length"),
    [
        ("truncated", "start", 12),
        ("truncated", "middle", 11 + SIZE // 2 + 1),
        ("truncated", "end", WHOLE - 1),
        ("no-newline", "end", WHOLE - 1),
        ("two-newlines", "end", WHOLE + 1),
        ("junk-before", "start", WHOLE + 7),
        ("junk-after", "end", WHOLE + 7),
    ],
)
def test_blocks_of_a_wrong_length(scope, fault, at, length):
    good, _ = played(scope)
    scope.inject(fault, at)
    bad, broken = played(scope)
    assert (len(good), len(bad), broken) == (WHOLE, length, None)
    assert played(scope)[0] == good


def test_truncated_blocks_say_that_they_are_whole(scope):
    scope.inject("truncated", "middle")
    data, _ = played(scope)
    assert data.startswith(b"#9000030000")
    assert data.endswith(b"\n")


@pytest.mark.parametrize(("at", "told"), [("start", 3000), ("middle", 15_000), ("end", 30_007)])
def test_wrong_length_in_the_header(scope, at, told):
    scope.inject(Fault.WRONG_LENGTH, at)
    data, _ = played(scope)
    assert int(data[2:11]) == told
    assert len(data) == WHOLE


@pytest.mark.parametrize("fault", ["stall", "close", "reset"])
@pytest.mark.parametrize(("at", "sent"), [("start", 0), ("middle", 15_011), ("end", WHOLE - 2)])
def test_breaks_come_where_they_were_asked_for(scope, fault, at, sent):
    scope.inject(fault, at)
    data, broken = played(scope)
    assert broken == Break(Fault(fault), WHOLE - sent)
    assert len(data) == sent


def test_dripping_sends_all_of_it_slowly(scope):
    good, _ = played(scope)
    scope.inject("drip", "middle")
    steps = scope.deliver(b":WAV:DATA?\n")
    pauses = [step.seconds for step in steps if isinstance(step, Pause)]
    assert b"".join(step.data for step in steps if isinstance(step, Send)) == good
    assert 5 <= sum(pauses) <= 15
    assert len(steps[0].data) == 15_011


def test_garbage_is_not_a_block(scope):
    scope.inject("garbage", "middle")
    data, _ = played(scope)
    assert len(data) == 15_011
    assert not data.startswith(b"#9000030000")
    scope.inject("garbage-text")
    assert played(scope, b":TIM:SCAL?\n")[0] != b"5.000000e-02\n"
    assert played(scope, b":TIM:SCAL?\n")[0] == b"5.000000e-02\n"


def test_a_full_error_queue(scope):
    scope.inject("errors")
    answers = [played(scope, b":SYST:ERR?\n")[0] for _ in range(11)]
    assert answers[:9] == [b'-113,"Undefined header"\n'] * 9
    assert answers[9:] == [b'-350,"Queue overflow"\n', b'0,"No error"\n']


def test_refused_settings_stay_as_they_were(scope):
    scope.inject("refuse", count=2)
    for _ in range(2):
        assert played(scope, b":ACQ:TYPE NORM\n") == (b"", None)
    assert played(scope, b":ACQ:TYPE?;:SYST:ERR?\n")[0] == b'PEAK;-221,"Settings conflict"\n'
    played(scope, b":ACQ:TYPE NORM\n")
    assert played(scope, b":ACQ:TYPE?\n")[0] == b"NORM\n"


def test_faults_can_be_counted_and_taken_back(scope):
    scope.inject("truncated", "middle", count=3)
    assert [len(played(scope)[0]) < WHOLE for _ in range(4)] == [True, True, True, False]
    scope.inject("truncated", "middle", count=3)
    scope.inject(None)
    assert len(played(scope)[0]) == WHOLE


def test_faults_can_be_asked_for_over_the_link(scope):
    assert played(scope, b":VIRT:FAUL close,start,1\n") == (b"", None)
    assert played(scope)[1] == Break(Fault.CLOSE, WHOLE)
    played(scope, b":VIRT:FAUL none,start,1\n")
    assert played(scope, b":SYST:ERR?\n")[0].startswith(b"-224,")


@pytest.mark.parametrize("wrong", [("nothing", "middle"), ("close", "nowhere")])
def test_unknown_faults_and_places_are_refused(scope, wrong):
    with pytest.raises(ValueError, match=r"nothing|nowhere"):
        scope.inject(*wrong)


@pytest.mark.parametrize("fault", sorted(ON_BLOCKS))
@pytest.mark.parametrize("at", PLACES)
@pytest.mark.parametrize("size", [0, 1, 9])
def test_small_blocks_can_fail_too(fault, at, size):
    parts = [f"#1{size}".encode(), b"x" * size, b"\n"]
    steps = faulty(parts, Request(fault, at, 1), np.random.default_rng(1))
    assert all(isinstance(step, Send | Pause | Break) for step in steps)


# Over the links


@contextlib.contextmanager
def dialled(server):
    link = socket.create_connection(("127.0.0.1", server.port), timeout=30)
    try:
        yield link
    finally:
        link.close()


def until_the_end(link):
    data = b""
    with contextlib.suppress(ConnectionResetError):
        while part := link.recv(65536):
            data += part
        return data, "closed"
    return data, "reset"


@pytest.mark.parametrize("at", PLACES)
@pytest.mark.parametrize(("fault", "ending"), [("close", "closed"), ("reset", "reset")])
def test_bare_tcp_breaks(scope, fault, ending, at):
    with ScopeServer(scope, "socket") as server:
        scope.inject(fault, at)
        with dialled(server) as link:
            link.sendall(b":WAV:DATA?\n")
            data, how = until_the_end(link)
        assert how == ending
        # A reset throws away what had not been read.
        assert len(data) < WHOLE
        with dialled(server) as link:
            link.sendall(b"*OPC?\n")
            assert link.recv(16) == b"1\n"


def test_bare_tcp_stalls_and_others_go_on(scope):
    with ScopeServer(scope, "socket") as server, dialled(server) as link:
        scope.inject("stall", "middle")
        link.sendall(b":WAV:DATA?\n")
        link.settimeout(0.3)
        with pytest.raises(TimeoutError):
            until_the_end(link)
        with dialled(server) as other:
            other.sendall(b"*OPC?\n")
            assert other.recv(16) == b"1\n"


@pytest.mark.parametrize("transport", ["socket", "vxi11", "hislip"])
def test_close_at_connect(scope, transport):
    with ScopeServer(scope, transport) as server:
        scope.inject("close-at-connect")
        with dialled(server) as link:
            assert until_the_end(link)[0] == b""
        manager = pyvisa.ResourceManager("@py")
        session = manager.open_resource(
            server.address, read_termination="\n", write_termination="\n"
        )
        assert session.query("*OPC?") == "1"
        session.close()
        manager.close()


@pytest.mark.parametrize("transport", ["vxi11", "hislip"])
def test_truncated_messages_end_as_usual(scope, transport):
    with ScopeServer(scope, transport) as server:
        manager = pyvisa.ResourceManager("@py")
        session = manager.open_resource(server.address, write_termination="\n", timeout=30_000)
        scope.inject("truncated", "middle")
        session.write(":WAV:DATA?")
        assert len(session.read_raw(WHOLE + 64)) == 15_012
        session.write(":WAV:DATA?")
        assert len(block(session.read_raw(WHOLE + 64))[0]) == SIZE
        session.close()
        manager.close()


# Over VXI-11 PyVISA-py takes some seconds to notice: one case is enough.
@pytest.mark.few(4)
@pytest.mark.parametrize(
    ("transport", "fault", "at"),
    [
        ("vxi11", "close", "middle"),
        *(("hislip", fault, at) for fault in ("close", "reset", "stall") for at in PLACES),
    ],
)
def test_breaks_of_message_links_are_noticed(scope, transport, fault, at):
    with ScopeServer(scope, transport) as server:
        manager = pyvisa.ResourceManager("@py")
        session = manager.open_resource(server.address, write_termination="\n", timeout=500)
        scope.inject(fault, at)
        session.write(":WAV:DATA?")
        with pytest.raises((pyvisa.VisaIOError, RuntimeError, OSError)):
            session.read_raw(WHOLE + 64)
        with contextlib.suppress(pyvisa.VisaIOError, RuntimeError, OSError):
            session.close()
        again = manager.open_resource(server.address, write_termination="\n", timeout=30_000)
        again.write(":WAV:DATA?")
        assert len(block(again.read_raw(WHOLE + 64))[0]) == SIZE
        again.close()
        manager.close()
