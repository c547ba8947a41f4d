"""What reads what others have written, each as a function of bytes; and what it is tried from."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np

from app.blackbox.file import BoxError, BoxFile, Event, read_box
from app.blackbox.pairs import Piece
from app.blackbox.playing import PLAYING_FAULTS, facts_of, played
from app.book.exchange import export_json, import_json
from app.book.model import BookError
from app.book.store import Book
from app.dashboard.settings import Choice, Settings
from app.live.measurement import EnvelopeOptions
from app.live.opening import Opening
from app.live.session import OpenedAs
from app.profiles import files as profile_files
from app.profiles.files import ProfileError
from app.profiles.profile import load_profile
from instruments.file.source import FileSource
from instruments.pipe.frames import WavFrames
from instruments.scope.family import FamilyError, read_family
from instruments.scope.links import BlockError, parse_block
from instruments.scope.preamble import PARSERS, PreambleError
from instruments.source import FormatError, Role, SourceEnd, SourceError, SourceInfo
from instruments.steps import protocol
from tests.app.book.jobs import filled, standing

ROOT = Path(__file__).parents[2]
_CAPTURES = ROOT / "fixtures" / "captures"
Reader = Callable[[bytes], str]
"""Reads input and returns in a word what came of it, so that what is new can be told."""


@dataclass(frozen=True, slots=True)
class Target:
    """A reader: how it is opened on a folder of its own, and what its input looks like."""

    name: str
    opened: Callable[[Path], Any]
    corpus: Callable[[], list[bytes]]


def _answer(fault: Exception) -> str:
    """Return a refusal without what differs from case to case; it must be one line."""
    said = str(fault)
    assert said, repr(fault)
    assert said.isprintable(), said
    return f"{type(fault).__name__}: {''.join(c for c in said if c.isalpha() or c == ' ')[:60]}"


# -- captures


def _capture(name: str) -> Callable[[Path], Any]:
    @contextmanager
    def opened(folder: Path) -> Iterator[Reader]:
        path = folder / name

        def read(data: bytes) -> str:
            path.write_bytes(data)
            source = FileSource(str(path))
            try:
                source.open()
                frames = 0
                while True:
                    frames += len(source.read(0.0).samples_v)
                    # Nothing is made up: a sample takes at least a bit.
                    assert frames <= 8 * len(data) + 8, frames
            except SourceEnd:
                return f"read {source.info.roles_from}"
            except SourceError as fault:
                return _answer(fault)
            finally:
                source.close()

        yield read

    return opened


def _files(*endings: str) -> Callable[[], list[bytes]]:
    def corpus() -> list[bytes]:
        paths = [p for p in sorted(_CAPTURES.rglob("*")) if p.suffix.lower() in endings]
        return [data for p in paths if len(data := p.read_bytes()) <= 1 << 16]

    return corpus


# -- what instruments say


@contextmanager
def _block(folder: Path) -> Iterator[Reader]:
    del folder

    def read(data: bytes) -> str:
        expected = None if data[:1] < b"\x80" else len(data) // 2
        try:
            found = parse_block(data, expected)
        except BlockError as fault:
            return str(fault)[:12]
        assert len(found) <= len(data)
        return "block"

    yield read


def _blocks() -> list[bytes]:
    return [b"#11a", b"#9000000003abc\n", b"C1:WF ALL,#12xy\n", b"#210ABCDEFGHIJ\r\n", b"#0abc\n"]


@contextmanager
def _preamble(folder: Path) -> Iterator[Reader]:
    del folder
    names = sorted(PARSERS)

    def read(data: bytes) -> str:
        """The first byte names the parser; each line is an answer, those that it needs first."""
        name = names[(data[0] if data else 0) % len(names)]
        parser = PARSERS[name]
        lines = data[1:].split(b"\n")
        wanted = [*sorted(parser.needs), "data", "preamble", "rest"]
        answers = dict(zip(wanted, lines, strict=False))
        for each in parser.needs:
            answers.setdefault(each, b"")
        answers["preamble"] = data[1:] if name.startswith("desc") else answers.get("preamble", b"")
        try:
            parser.parse(answers)
        except (PreambleError, BlockError) as fault:
            return f"{name} {str(fault)[:16]}"
        return f"{name} read"

    yield read


def _preambles() -> list[bytes]:
    ten = b"1,2,1200,1,1.000000e-05,-6.000000e-03,0,3.125000e-02,0,127\n"
    lines = b"\n".join([b"8.0E-3", b"RI", b"2500", b"1250", b"0.0", b"4.0E-4", b"-5.0E-1", b"0.0"])
    record = _from_trc()
    bodies = [ten, lines, b"0.5V\n1.0E-01V\n1.00GSa/s", b"-5.0E-3,5.0E-3,2000,1", *record]
    return [bytes([number]) + body for number in range(len(PARSERS)) for body in bodies]


def _from_trc() -> list[bytes]:
    return [(_CAPTURES / "layouts" / "bytes.trc").read_bytes()[:2000]]


@contextmanager
def _steps(folder: Path) -> Iterator[Reader]:
    del folder
    asked = (protocol.WHERE, protocol.motor(True), protocol.seek(16), protocol.step(-2, 100.0))

    def read(data: bytes) -> str:
        text = data.decode("ascii", "replace")
        before = protocol.Standing(track=16, head=0, motor=True)
        said = []
        for command in asked:
            try:
                said.append(str(protocol.read_answer(command, text, before)))
            except ValueError as fault:
                said.append(str(fault)[:10])
        try:
            protocol.read_command(text)
        except ValueError as fault:
            said.append(str(fault)[:10])
        return said[0][:30]

    yield read


def _answers() -> list[bytes]:
    return [
        *(b"ok track 16 head 0 motor on", b"ok track ? head 1 motor off", b"no beyond a stop"),
        *(b"evenlobe steps 1", b"step in 2 100", b"seek 16", b"head 1", b"motor on", b"where"),
    ]


@contextmanager
def _stream(folder: Path) -> Iterator[Reader]:
    del folder

    def read(data: bytes) -> str:
        """The first byte says in what pieces the rest comes."""
        size = (data[0] if data else 0) + 1
        frames, taken = WavFrames(), 0
        try:
            for start in range(1, len(data), size):
                taken += len(frames.take(data[start : start + size]))
        except FormatError as fault:
            return _answer(fault)
        assert taken <= len(data)
        return f"taken {bool(taken)} {frames.form is not None}"

    yield read


def _streams() -> list[bytes]:
    return [bytes([size]) + data for data in _files(".wav")() for size in (3, 40, 255)]


# -- what the user or the program has written


@contextmanager
def _family(folder: Path) -> Iterator[Reader]:
    del folder

    def read(data: bytes) -> str:
        try:
            read_family("own", data.decode("utf-8", "replace"))
        except FamilyError as fault:
            return _answer(fault)
        return "family"

    yield read


@contextmanager
def _profile(folder: Path) -> Iterator[Reader]:
    path = folder / "own.toml"

    def read(data: bytes) -> str:
        path.write_bytes(data)
        try:
            load_profile("own")
        except ProfileError as fault:
            return _answer(fault)
        return "profile"

    with patch.object(profile_files, "user_profile_folder", lambda: folder):
        yield read


def _toml(*folders: str) -> Callable[[], list[bytes]]:
    return lambda: [
        p.read_bytes() for each in folders for p in sorted((ROOT / each).glob("*.toml"))
    ]


@contextmanager
def _import(folder: Path) -> Iterator[Reader]:
    path = folder / "export.json"
    with Book(folder / "book.sqlite3") as book:

        def read(data: bytes) -> str:
            path.write_bytes(data)
            # Nothing of what is tried stays: a job that is there would be passed over.
            book._db.execute("BEGIN IMMEDIATE")
            try:
                drives, jobs = import_json(book, path)
            except BookError as fault:
                return _answer(fault)
            finally:
                book._db.execute("ROLLBACK")
            return f"{bool(drives)} {bool(jobs)}"

        yield read


def _exports() -> list[bytes]:
    with tempfile.TemporaryDirectory(prefix="evenlobe-fuzz-") as name:
        path = Path(name) / "export.json"
        with Book(Path(name) / "book.sqlite3") as book:
            number = filled(book, 1)
            book.keep(number, standing())
            export_json(book, path)
        return [path.read_bytes(), b'{"schema": "evenlobe.book/2", "drives": [], "jobs": []}']


@contextmanager
def _settings(folder: Path) -> Iterator[Reader]:
    path = folder / "window.json"

    def read(data: bytes) -> str:
        path.write_bytes(data)
        settings = Settings(path)
        assert settings.fault.isprintable()
        return settings.fault[-30:] or f"{settings.unit} {len(settings.recent)}"

    yield read


def _remembered() -> list[bytes]:
    with tempfile.TemporaryDirectory(prefix="evenlobe-fuzz-") as name:
        path = Path(name) / "window.json"
        settings, made = Settings(path), []
        settings.save()
        made.append(path.read_bytes())
        settings.size_px = 800, 600
        settings.remember(Choice(Opening("visa:TCPIP::192.0.2.7::INSTR", "plus,minus"), "own"))
        settings.remember(Choice(Opening("sound:")))
        return [*made, path.read_bytes()]


@contextmanager
def _blackbox(folder: Path) -> Iterator[Reader]:
    path = folder / "a.blackbox"

    def read(data: bytes) -> str:
        path.write_bytes(data)
        try:
            box = read_box(path)
        except BoxError as fault:
            return _answer(fault)
        said = []
        for stream in box.streams:
            try:
                said += [reading.valid for _, reading in played(stream)]
            except PLAYING_FAULTS as fault:
                said.append(type(fault).__name__)
        return f"{len(box.events)} {said}"

    yield read


def _boxes() -> list[bytes]:
    heard = OpenedAs(
        SourceInfo("sound:", (Role.DIFFERENTIAL,), "given", 1e4, 5e3),
        load_profile("130mm-48tpi"),
        EnvelopeOptions(),
    )
    piece = Piece(1e9, 0, 1e-3, False, False, np.sin(np.arange(1200) ** 2).astype("f4")[:, None])
    with tempfile.TemporaryDirectory(prefix="evenlobe-fuzz-") as name:
        path = Path(name) / "a.blackbox"
        file = BoxFile(Path(name) / "running-a.blackbox")
        file.add([(1, facts_of(heard))], [(1, piece)], [Event(1e9, "state", "running", {"a": 1})])
        file.copy(path)
        file.close()
        return [path.read_bytes()]


TARGETS: dict[str, Target] = {
    each.name: each
    for each in (
        Target("block", _block, _blocks),
        Target("preamble", _preamble, _preambles),
        Target("csv", _capture("capture.csv"), _files(".csv", ".txt", ".tsv", ".lvm")),
        Target("wav", _capture("capture.wav"), _files(".wav", ".aiff", ".aifc", ".caf", ".w64")),
        Target("binary", _capture("capture.bin"), _files(".isf", ".trc", ".bin")),
        Target("family", _family, _toml("instruments/scope/families")),
        Target("profile", _profile, _toml("app/profiles", "app/profiles/disks")),
        Target("import", _import, _exports),
        Target("stream", _stream, _streams),
        Target("steps", _steps, _answers),
        Target("settings", _settings, _remembered),
        Target("blackbox", _blackbox, _boxes),
    )
}
"""All targets by name."""
