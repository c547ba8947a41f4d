"""The wire, scripted: recorded sessions byte for byte, and the grammar of both kinds of links."""

import contextlib
import itertools
import socket
import threading
from pathlib import Path

import numpy as np
import pytest

from instruments.scope.links import Cancelled, Deadline, Garbled, Late, MessageLink, SocketLink
from instruments.scope.options import ScopeOptions
from instruments.scope.session import ScopeSession, identify
from instruments.scope.shelf import load_families
from instruments.scope.waveform import frames
from instruments.source import SourceLost, SourceUnavailable
from tests.instruments.scope.faultcase import MODELS
from tests.instruments.scope.record_transcripts import LONG
from tests.instruments.scope.wire import ScriptedLink, load

FIXTURES = Path(__file__).parents[3] / "fixtures" / "scopes"
FAMILIES = sorted(load_families())

# Commands as the sources in the families' own files have them.
ASKED = {
    "A1": [":WAV:SOUR CHAN1", ":WAV:PRE?", ":WAV:DATA?", ":ACQ:TYPE PEAK", ":OPER:COND?"],
    "A2": [":WAV:MODE NORM", ":WAV:STOP 1200", ":WAV:DATA?", ":ACQ:TYPE PEAK", ":ACQ:MDEP 30000"],
    "A2-10": [":WAV:STOP 1000", ":ACQ:MDEP?"],
    "A2-14": [":WAV:STOP 1400", ":ACQ:MDEP?"],
    "B": ["HEAD OFF", "DAT:SOU CH1", "CURV?", "WFMO:XZE?", "ACQ:MOD PEAK", "TRIG FORC"],
    "B-15": ["HOR:RECO 2.000E+04", "WFMO:YMU?"],
    "B-2500": ["TRIG:MAI:MOD?", "DAT:STOP 2500", "WFMP:XZE?", "HOR:MAI:POS?"],
    "B-45": ["HOR:MODE MAN", "TRIG:A:LEV:CH3?"],
    "C2": ["C1:WF? DAT2", "C1:VDIV?", "C1:OFST?", "SARA?", "ACQW PEAK_DETECT", "MSIZ 7K"],
    "C2-older": ["CHDR OFF", "C1:WF? ALL", "ACQW PEAK_DETECT"],
    "C2-probe": ["C3:ATTN?", "C1:WF? DAT2"],
    "C3": [":WAV:SOUR C1", ":WAV:INT?", ":WAV:MAXP?", ":WAV:DATA?", ":ACQ:TYPE PEAK"],
    "C3-12": [":WAV:SOUR C1", ":ACQ:MDEP?"],
    "D": ["FORM REAL,32", "CHAN1:DATA:POIN DEF", "CHAN1:DATA:HEAD?", "CHAN1:TYPE PDET"],
    "D-older": ["ACQ:PEAK AUTO", "CHAN1:DATA?"],
    "E": [":HEAD?", ":ACQ1:MEM?", ":ACQ:MOD PDET", ":TRIG:STAT?"],
}


def test_every_family_that_is_quick_and_short_has_a_transcript():
    assert set(FAMILIES) == set(MODELS) == set(ASKED) | set(LONG)


@pytest.mark.parametrize("family", ASKED)
def test_a_recorded_session_is_followed_to_its_end(family):
    head, wire = load(FIXTURES / f"{family}.jsonl")
    link = ScriptedLink("scope", wire)
    session = ScopeSession(link, ScopeOptions(resource="scope"), {})
    session.begin(None, Deadline(30))
    sweep = session.sweep(Deadline(30))
    samples_v = frames(sweep.columns, sweep.skip)
    session.leave(Deadline(30))
    assert session.family.name == family
    assert session.identity is not None
    assert session.identity.virtual
    assert link.left == []
    assert link.closed
    assert len(samples_v) == head["frames"]
    assert sweep.bin_s == pytest.approx(head["cell_s"])
    swing = np.ptp(samples_v[:, 0].reshape(-1, 2), axis=1)[: round(0.2 / sweep.bin_s)]
    # One lobe in each half, wherever in the turn the record begins.
    swing = np.roll(swing, len(swing) // 4 - int(np.argmax(swing)))
    tops = sorted((swing[: len(swing) // 2].max(), swing[len(swing) // 2 :].max()))
    assert tops[0] / tops[1] == pytest.approx(head["ratio"], abs=0.015)


@pytest.mark.parametrize(
    ("answers", "forgotten"),
    [(["STOP", "{identity}"], True), (["\xff", "{identity}"], True), (["STOP"], False)],
)
def test_leaving_waits_for_the_scope_s_own_answer(answers, forgotten):
    """A late answer to a query that was given up is not that to the last one."""
    _, wire = load(FIXTURES / "A2.jsonl")
    asked, identity = wire.pop()
    for text in answers:
        answer = text.format(identity=identity.decode("ascii").strip()) + "\n"
        wire.append((asked, answer.encode("latin-1")))
    wire.append((asked, b""))  # asked once more: the line is dead
    link = ScriptedLink("scope", wire)
    memory = {}
    session = ScopeSession(link, ScopeOptions(resource="scope"), memory)
    session.begin(None, Deadline(30))
    session.sweep(Deadline(30))
    assert memory
    session.leave(Deadline(30))
    assert (memory == {}) is forgotten
    assert link.left == ([asked] if forgotten else [])
    assert link.closed


@pytest.mark.parametrize("family", ASKED)
def test_the_commands_of_the_table_are_sent(family):
    _, wire = load(FIXTURES / f"{family}.jsonl")
    sent = [out.rstrip("\n") for out, _ in wire]
    assert [command for command in ASKED[family] if command not in sent] == []
    assert all(out.endswith("\n") for out, _ in wire)


def test_terminators_are_whole_commands():
    """A scope may leave a command without a newline unanswered."""
    for family in load_families().values():
        assert family.terminator == "\n"


# Streams: raw TCP.


@pytest.fixture
def peer():
    """A listening socket, and the link connected to it."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        link = SocketLink("127.0.0.1", server.getsockname()[1], "scope “x”", Deadline(30))
        far, _ = server.accept()
        with far:
            yield link, far
        link.close()


@pytest.fixture
def answer_with(peer):
    """Returns what has the far end do something, or send bytes, once the query has come."""
    _, far = peer
    threads = []

    def one(answer):
        def listen():
            assert far.recv(99) == b"X?\n"
            if callable(answer):
                answer()
            else:
                far.sendall(answer)

        threads.append(threading.Thread(target=listen))
        threads[-1].start()

    yield one
    for thread in threads:
        thread.join()


def soon():
    return Deadline(0.3)


@pytest.mark.parametrize("answer", [b"1.5\n", b"1.5\r\n", b"\n1.5\n", b" 1.5 \n", b"\r\n\r\n1.5\n"])
def test_text_ends_with_its_newline(peer, answer_with, answer):
    link, far = peer
    far.sendall(b"\n")  # left over from a doubled newline
    answer_with(answer)
    assert link.ask("X?", Deadline(30)) == "1.5"


@pytest.mark.parametrize("answer", [b"\xff\xfe\x00\n", b"a\x07b\n"])
def test_text_that_is_none(peer, answer_with, answer):
    link, _ = peer
    answer_with(answer)
    with pytest.raises(Garbled, match=r"the answer to X\? cannot be read"):
        link.ask("X?", Deadline(30))


def test_endless_text_is_cut_off(peer, answer_with):
    link, _ = peer
    answer_with(b"x" * 20000)
    with pytest.raises(Garbled, match="8192 bytes without a newline"):
        link.ask("X?", Deadline(30))


def test_a_block_in_pieces(peer, answer_with):
    link, far = peer

    def drip():
        for part in (b"WF #", b"90000", b"00005a\n", b"\n#b"):
            far.sendall(part)

    answer_with(drip)
    assert bytes(link.ask_block("X?", 5, 100, Deadline(30))) == b"a\n\n#b"


@pytest.mark.parametrize(
    ("answer", "expected", "words"),
    [
        (b"#15abcde", 9, "5 bytes of data and not 9"),
        (b"#9000000999", None, "promises 999 bytes"),
        (b"#0abc\n", None, "indefinite"),
        (b"-" * 80, None, "no # within"),
    ],
)
def test_blocks_that_cannot_be_meant(peer, answer_with, answer, expected, words):
    link, _ = peer
    answer_with(answer)
    with pytest.raises(Garbled, match=words):
        link.ask_block("X?", expected, 100, Deadline(30))


def test_bytes_that_nobody_asked_for_spoil_the_next_answer_and_can_be_cleared(peer, answer_with):
    link, far = peer
    far.sendall(b"left over")
    while not link._waiting():
        pass
    far.sendall(b"left over")
    with pytest.raises(Garbled, match="9 bytes came before it was asked"):
        wait_and_ask(link)
    link.resync()
    answer_with(b"good\n")
    assert link.ask("X?", Deadline(30)) == "good"


def wait_and_ask(link):
    import select

    select.select([link._socket], [], [], 3)
    return link.ask("X?", Deadline(30))


def test_a_chatterer_is_given_up(peer):
    link, _ = peer
    with chatter(peer, itertools.repeat(b"bla\n" * 1000)):
        with pytest.raises(Garbled, match="does not stop sending"):
            link.resync()
        link.close()


def test_the_rest_of_a_long_block_is_forgotten(peer, answer_with):
    link, _ = peer
    # A million values of which nobody takes more, as when the source is closed meanwhile.
    with chatter(peer, [bytes(100_000)] * 10):
        link.resync()
    answer_with(b"good\n")
    assert link.ask("X?", Deadline(30)) == "good"


@contextlib.contextmanager
def chatter(peer, parts):
    """Let the far end send some parts, while the near one reads them or is gone."""
    link, far = peer

    def send():
        with contextlib.suppress(OSError):
            for part in parts:
                far.sendall(part)

    thread = threading.Thread(target=send)
    thread.start()
    while not link._waiting():
        pass
    yield
    thread.join()


def test_no_answer_names_the_query(peer):
    link, _ = peer
    with pytest.raises(Late, match=r"no answer to :WAV:DATA\? within 0\.3 s"):
        link.ask(":WAV:DATA?", soon())


def test_half_a_block_is_late(peer, answer_with):
    link, _ = peer
    answer_with(b"#3100abc")
    with pytest.raises(Late, match=r"no answer to X\?"):
        link.ask_block("X?", 100, 100, soon())


@pytest.mark.parametrize("before", [b"", b"#3100abc"])
def test_a_peer_that_closes_is_lost_at_once(peer, answer_with, before):
    link, far = peer

    def leave():
        far.sendall(before)
        far.shutdown(socket.SHUT_RDWR)

    answer_with(leave)
    with pytest.raises(SourceLost, match="the scope closed the connection"):
        link.ask_block("X?", 100, 100, Deadline(30))


def test_abort_ends_a_wait_from_another_thread(peer, answer_with):
    link, _ = peer
    answer_with(link.abort)
    with pytest.raises(SourceLost):
        link.ask("X?", Deadline(30))


def test_nobody_at_the_port_is_told_with_the_mend():
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    with pytest.raises(SourceUnavailable, match=f"nothing answers at 127.0.0.1 port {port}"):
        SocketLink("127.0.0.1", port, "scope “x”", Deadline(30))


def test_a_closed_source_stops_the_talk(peer):
    link, _ = peer
    cancelled = threading.Event()
    cancelled.set()
    with pytest.raises(Cancelled):
        link.ask("X?", Deadline(30, cancelled))


# Messages: USB, VXI-11, HiSLIP.


class Messages(MessageLink):
    """A link with its answers made up beforehand."""

    def __init__(self, *answers):
        super().__init__("scope “x”")
        self.answers = list(answers)
        self.sizes = []

    def _write(self, data, deadline):
        self.sent = data

    def _read(self, size, deadline):
        self.sizes.append(size)
        return self.answers.pop(0)

    def abort(self):
        pass

    def close(self):
        pass


def test_one_read_of_more_than_will_come():
    # one read_raw(size=expected + 64), then parse from "#".
    link = Messages(b"#15abcde\n", b"#15abcde\n")
    assert bytes(link.ask_block("X?", 5, 1000, Deadline(1))) == b"abcde"
    link.ask_block("X?", None, 1000, Deadline(1))
    assert link.sizes[0] >= 5 + 64
    assert link.sizes[1] >= 1000 + 64


def test_messages_that_cannot_be_meant():
    for answer in (b"#15abc", b"abc", b"#15abcdefgh", b""):
        with pytest.raises(Garbled, match=r"the answer to X\? cannot be read"):
            Messages(answer).ask_block("X?", 5, 1000, Deadline(1))
    with pytest.raises(Garbled):
        Messages(b"").ask("X?", Deadline(1))


# Who is there?


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (b"HTTP/1.1 400 Bad Request\n", "it answers 'HTTP/1.1 400 Bad Request' to"),
        (b"SSH-2.0-OpenSSH_9.2\n", "SSH-2.0"),
        (b",,,\n", "it answers ',,,'"),
        (b"\xff\xff\n", "is not a scope's"),
    ],
)
def test_somebody_else_is_no_scope(answer, words):
    with pytest.raises(SourceUnavailable, match=words) as caught:
        identify(Messages(answer), Deadline(1))
    assert "is it a scope" in str(caught.value)


def test_silence_is_no_scope(peer):
    link, _ = peer
    with pytest.raises(SourceUnavailable, match=r"does not answer \*IDN\?"):
        identify(link, soon())
