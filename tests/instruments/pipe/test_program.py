"""Programs that are started for what they write: Python's own as stand-ins for capture programs."""

import os
import shlex
import sys
import threading
import time

import numpy as np
import pytest

from instruments.address import open_address
from instruments.pipe.frames import FrameForm
from instruments.pipe.program import ProgramSource
from instruments.pipe.source import StreamOptions
from instruments.source import (
    AddressError,
    FormatError,
    Role,
    SourceEnd,
    SourceLost,
    SourceRequest,
    SourceTimeout,
    SourceUnavailable,
    parse_roles,
)

PATIENCE_S = 30.0
RAW = StreamOptions(FrameForm(48_000.0, "int16", 1))
WRITE = "import sys, time; out = sys.stdout.buffer; say = sys.stderr.write; "


@pytest.fixture
def program():
    """Return a source that runs some lines of Python."""
    made = []

    def one(code, options=RAW, clock=time.monotonic, more=()):
        command = [sys.executable, "-S", "-c", WRITE + code, *more]
        made.append(ProgramSource(command, options, None, "run:", clock))
        return made[-1]

    yield one
    for source in made:
        source.close()
    assert not [t for t in threading.enumerate() if t.name in ("pipe-reader", "program-listener")]


class Clock:
    now_s = 1000.0

    def __call__(self):
        return self.now_s


def read_on(source):
    while True:
        source.read(PATIENCE_S)


def read_until_lost(source):
    with pytest.raises(SourceLost) as lost:
        read_on(source)
    return str(lost.value)


def is_running(pid):
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    with open(f"/proc/{pid}/stat") as stat:
        return stat.read().split()[2] != "Z"


def test_what_it_writes_are_frames(program):
    source = program("out.write(bytes([0, 64, 0, 192]))")
    source.open()
    block = source.read(PATIENCE_S)
    assert block.samples_v.tolist() == [[0.5], [-0.5]]
    assert (block.first_index, block.sample_rate_hz) == (0, 48_000.0)
    with pytest.raises(SourceEnd):
        source.read(PATIENCE_S)


def test_a_command_is_split_without_a_shell():
    command = f"{shlex.quote(sys.executable)} -S -c 'import sys; sys.stdout.write(sys.argv[1])' "
    address = f"run:{command} '$(echo x) ;a|b&c?'?rate=48000&dtype=int16&channels=1"
    source = open_address(address, SourceRequest(roles=parse_roles("differential")))
    source.open()
    block = source.read(PATIENCE_S)
    heard = (block.samples_v[:, 0] * 32768).astype("<i2").tobytes()
    assert heard == b"$(echo x) ;a|b&c?"[: len(heard)]
    assert len(heard) == 16
    assert source.info.roles == (Role.DIFFERENTIAL,)
    assert source.info.name == address
    with pytest.raises(FormatError, match="torn: 1 of its 2 bytes"):
        source.read(PATIENCE_S)
    source.close()


@pytest.mark.parametrize(
    ("address", "said"),
    [
        ("run:", "names no program; write run:PROGRAM ARGUMENTS"),
        ("run:   ", "names no program"),
        ("run:prog 'open", "quotation in the command is not closed"),
        ("run:prog?rate=1&dtype=int16&channels=1", "“rate”"),
        ("run:prog?rate=48000", "“dtype” is missing"),
    ],
)
def test_commands_that_cannot_be_used_as_written(address, said):
    with pytest.raises(AddressError, match=said):
        open_address(address)


def test_a_program_that_is_not_there():
    source = open_address("run:no-such-capture-program --rate 9?full_scale_v=2")
    with pytest.raises(SourceUnavailable, match="“no-such-capture-program” cannot be started"):
        source.open()
    source.close()


def test_nothing_is_on_its_standard_input(program):
    source = program("out.write(b'%02d' % len(sys.stdin.read()))")
    source.open()
    assert (source.read(PATIENCE_S).samples_v * 32768).astype("<i2").tobytes() == b"00"


def test_it_ends_with_the_source_and_so_does_what_it_started(program):
    source = program(
        "import os, signal, subprocess; signal.signal(signal.SIGTERM, signal.SIG_IGN); "
        "child = subprocess.Popen([sys.executable, '-S', '-c', "
        "'import signal, time; signal.signal(signal.SIGTERM, signal.SIG_IGN); "
        "print(1, flush=True); time.sleep(60)'], stdout=subprocess.PIPE); child.stdout.read(1); "
        "out.write(os.getpid().to_bytes(4, 'little') + child.pid.to_bytes(4, 'little')); "
        "out.flush(); time.sleep(60)",
        StreamOptions(FrameForm(48_000.0, "int16", 2)),
    )
    source.open()
    words = (source.read(PATIENCE_S).samples_v * 32768).astype("<i2").tobytes()
    pids = np.frombuffer(words, "<u4").tolist()
    # A session of its own: a Ctrl-C at the terminal does not reach it.
    assert os.getsid(pids[0]) == pids[0] != os.getsid(0)
    assert all(map(is_running, pids))
    source.close()
    until_s = time.monotonic() + PATIENCE_S
    while any(map(is_running, pids)) and time.monotonic() < until_s:
        time.sleep(0.01)
    assert not any(map(is_running, pids))


def test_how_it_died_and_what_it_said_last(program):
    source = program("out.write(bytes(4)); say('lots\\nno card\\x1b[31m\\n\\n'); sys.exit(3)")
    source.open()
    said = read_until_lost(source)
    assert said.endswith("it ended with status 3 (it wrote: no card [31m)")
    assert said.startswith(f"run: “{sys.executable}”: ")
    killed = program("import os; out.write(bytes(4)); out.flush(); os.kill(os.getpid(), 9)")
    killed.open()
    said = read_until_lost(killed)
    assert "it was ended by SIGKILL and did not say why; try it in a terminal" in said


def test_a_flood_on_standard_error_is_not_kept(program):
    source = program(
        "say('x' * 3000000 + '\\n'); say('the end\\r'); sys.stderr.flush(); out.write(bytes(2)); "
        "out.flush(); time.sleep(60)"
    )
    source.open()
    assert len(source.read(PATIENCE_S).samples_v) == 1
    until_s = time.monotonic() + PATIENCE_S
    said = ""
    while "the end" not in said and time.monotonic() < until_s:
        with pytest.raises(SourceTimeout) as silence:
            source.read(0.05)
        said = str(silence.value)
    assert said.endswith("no frame came within 0.05 s (it wrote: the end)")


def test_output_that_it_closes_while_it_runs_on(program):
    source = program("import os; out.write(bytes(2)); out.flush(); os.close(1); time.sleep(60)")
    source.open()
    assert "it closed its output and runs on" in read_until_lost(source)


def test_it_is_started_again_soon_after_each_death(program):
    clock = Clock()
    source = program("out.write(bytes(4)); out.flush(); sys.exit(1)", clock=clock)
    for _ in range(8):
        source.open()
        assert "status 1" in read_until_lost(source)
        source.close()
        # Not at once: one that dies at once would keep the machine busy.
        clock.now_s += 0.5
        with pytest.raises(SourceUnavailable, match="it died; it is started again in a second"):
            source.open()
        # A lost source is opened each second.
        clock.now_s += 0.5


def test_what_is_read_after_opening_anew_is_of_the_new_program(program, tmp_path):
    source = program(
        "f = open(sys.argv[1], 'ab'); f.write(b'x'); f.close(); "
        "out.write(bytes([open(sys.argv[1], 'rb').read().count(b'x'), 0, 7])); out.flush(); "
        "time.sleep(60)",
        more=[str(tmp_path / "count")],
    )
    for count in (1, 2):
        source.open()
        block = source.read(PATIENCE_S)
        assert (block.samples_v * 32768).tolist() == [[count]]
        assert block.first_index == 0
        source.close()
    with pytest.raises(SourceUnavailable, match="run: it is not open"):
        source.read(0.0)
