"""What is printed, and what cannot be."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from app.book.store import Book
from app.cli import main, output
from app.cli.main import BAD_INPUT, NO_READING, run
from tests.app.book.jobs import DRIVE, filled

PROGRAM = [sys.executable, "-m", "app"]


def started(command, **streams):
    return subprocess.run(
        [*PROGRAM, *command], stderr=subprocess.PIPE, text=True, check=False, **streams
    )


def test_a_full_disk_behind_the_output_is_told_in_a_sentence():
    with open("/dev/full", "w") as full:
        done = started(["profiles"], stdout=full)
    assert done.returncode == BAD_INPUT
    assert done.stderr == (
        "evenlobe: standard output: it cannot be written: No space left on device; send it "
        "elsewhere\n"
    )


@pytest.mark.skipif(os.name == "nt", reason="a pipe breaks otherwise there")
@pytest.mark.parametrize(("command", "status"), [("verify", BAD_INPUT), ("drives", 0)])
def test_a_report_is_not_called_unchanged_to_a_pipe_that_nobody_reads(tmp_path, command, status):
    """A write to it fails with [EPIPE]: POSIX.1-2024, write."""
    book, out = str(tmp_path / "book.sqlite3"), str(tmp_path / "r.html")
    with Book(tmp_path / "book.sqlite3") as made:
        filled(made)
    assert run(["report", "--drive", DRIVE.identity, "--out", out, "--book", book]) == 0
    reader, writer = os.pipe()
    os.close(reader)
    with open(writer, "w") as nobody:
        words = [command, *([out] if command == "verify" else []), "--book", book]
        done = started(words, stdout=nobody)
    assert (done.returncode, done.stderr) == (status, "")


def test_a_needle_of_text_tells_a_full_disk_too():
    with open("/dev/full", "w") as full:
        done = started(["measure", "sim:", "--live", "--seconds", "1"], stdout=full)
    assert done.returncode == BAD_INPUT
    assert "it cannot be written" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.slow
def test_closed_streams_lead_nowhere_and_no_file_takes_their_place(tmp_path):
    shell = " ".join([*PROGRAM, "profiles", ">&-", "2>&-", "<&-"])
    assert subprocess.run(["sh", "-c", shell], check=False).returncode == 0
    out = tmp_path / "made.wav"
    shell = " ".join([*PROGRAM, "simulate", str(out), "--seconds", "0.1", ">&-"])
    done = subprocess.run(["sh", "-c", shell], stderr=subprocess.PIPE, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert out.read_bytes()[:4] == b"RIFF"


def test_nothing_printed_steers_a_terminal(capsys, tmp_path):
    r"""ECMA-48 (1991), 5.3: a control sequence begins with ESC [, or with CSI alone."""
    name = tmp_path / "a\x1b[2Jb\x9bc.csv"
    name.write_text("no numbers")
    for words in (["measure", str(name)], ["measure", "sim:", "--roles", "a\x1b[1m\nvalid: yes"]):
        assert run(words) == BAD_INPUT
        told = capsys.readouterr().err
        assert told.count("\n") == 1
        assert not {"\x1b", "\x9b"} & set(told)
    output.say("one\x1b[1m\ntwo\r")
    assert capsys.readouterr().out == "one\ufffd[1m\ntwo\ufffd\n"


def test_the_error_output_may_be_full(monkeypatch, tmp_path):
    with (tmp_path / "err").open("w") as lost:
        fault = OSError(28, os.strerror(28))

        class Full:
            def write(self, text):
                raise fault

            def fileno(self):
                return lost.fileno()

        monkeypatch.setattr(sys, "stderr", Full())
        output.tell("nobody reads this")


@pytest.mark.parametrize("command", ["measure sim:", "record sim: x.wav", "simulate x.wav"])
def test_a_length_beyond_a_week_is_refused(capsys, command):
    assert run([*command.split(), "--seconds", "1e305"]) == BAD_INPUT
    assert "“1e305” is more than a week (604800 s)" in capsys.readouterr().err


def test_an_envelope_too_slow_for_any_turn_is_no_reading(tmp_path, capsys):
    path = tmp_path / "slow.csv"
    path.write_text("".join(f"{abs(i % 100 - 50):.2f}\n" for i in range(4000)))
    assert run(["measure", f"{path}?rate=1", "--roles", "envelope"]) == NO_READING
    assert "Traceback" not in capsys.readouterr().err


@pytest.mark.parametrize("words", [["replay"], ["record", "sim:", "x.wav", "--seconds", "1"]])
def test_a_place_that_may_not_be_looked_at_is_one_line(monkeypatch, capsys, words):
    """A folder of another user's on the way there."""

    def denied(path, *_, **__):
        raise PermissionError(13, "Permission denied", str(path))

    for each in ("stat", "open", "iterdir", "glob", "is_dir"):
        monkeypatch.setattr(Path, each, denied)
    assert run(words) == 2
    told = capsys.readouterr().err
    assert "Permission denied" in told
    assert told.count("\n") == 1


@pytest.mark.parametrize("words", [["record", "sim:", "NAME"], ["measure", "NAME"]])
def test_a_name_longer_than_any_is_one_line(capsys, tmp_path, words):
    name = str(tmp_path / ("x" * 300 + ".wav"))
    assert run([name if word == "NAME" else word for word in words]) == 2
    told = capsys.readouterr().err
    assert "File name too long" in told
    assert (told.count("\n"), told.count(name)) == (1, 1)


@pytest.mark.parametrize(
    ("words", "status"), [(["drives"], 2), (["job", "sim:", "--drive", "A"], 3)]
)
def test_a_full_memory_is_one_line(monkeypatch, capsys, words, status):
    def full(*_):
        raise MemoryError

    monkeypatch.setitem(main._COMMANDS, words[0], full)
    assert run(words) == status
    assert capsys.readouterr().err == (
        "evenlobe: this computer's memory is full; close other programs, and try again\n"
    )
