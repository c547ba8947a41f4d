"""What reads what others have written, each as a function of bytes; and what it is tried from.

A reader is asked twice: what it refuses it must refuse in a sentence, and with what it takes the
program must be able to go on.
"""

from __future__ import annotations

import base64
import json
import tempfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, replace
from math import inf
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np

from app.blackbox.file import BoxError, BoxFile, Event, Stream, read_box
from app.blackbox.pairs import Piece
from app.blackbox.playing import PLAYING_FAULTS, facts_of, played
from app.book.exchange import export_json, import_json
from app.book.model import BookError, CodingError, RefusedError
from app.book.store import Book
from app.dashboard.settings import Choice, Settings
from app.live.measurement import EnvelopeOptions
from app.live.opening import Opening
from app.live.session import OpenedAs
from app.numbers import Unit
from app.profiles import files as profile_files
from app.profiles.files import ProfileError
from app.profiles.profile import load_profile
from app.report.check import changes_in_page
from app.report.content import report_of
from app.report.html import page_of
from app.report.seal import into_page, sealed
from instruments.file.source import FileSource
from instruments.kept import read_proof
from instruments.pipe.frames import WavFrames
from instruments.proof import DetectorProof, InputIdentity, InputProof
from instruments.proof_text import PROOF_KIND, as_toml, proof_of_table
from instruments.scope.family import FamilyError, read_family
from instruments.scope.links import BlockError, parse_block
from instruments.scope.preamble import PreambleError
from instruments.scope.shelf import load_families
from instruments.scope.waveform import decode
from instruments.source import FormatError, Role, SourceEnd, SourceError, SourceInfo
from instruments.steps import protocol
from tests.app.book.jobs import DRIVE, filled, standing

ROOT = Path(__file__).parents[2]
_CAPTURES = ROOT / "fixtures" / "captures"
_CUT = 3000
"""A text is a text, however soon it ends, and a short one is read soon."""
Reader = Callable[[bytes], str]
"""Reads input and returns in a word what came of it."""
LONGEST = 1 << 14
"""Input is mostly no longer than this: what is longer is slower, and no other."""


@dataclass(frozen=True, slots=True)
class Target:
    """A reader: how it is opened on a folder of its own, and what its input looks like."""

    name: str
    opened: Callable[[Path], Any]
    corpus: Callable[[], list[bytes]]
    is_tree: bool = False
    """Its input is JSON."""
    longest: int = LONGEST


def _answer(fault: Exception) -> str:
    """Return a refusal without what differs from case to case; it must be one line."""
    said = str(fault)
    assert said, repr(fault)
    assert said.isprintable(), said
    return f"{type(fault).__name__}: {said[-60:]}"


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
                _read_whole(source, len(data))
                return f"read {source.info.roles_from}"
            except SourceError as fault:
                return _answer(fault)
            finally:
                source.close()

        yield read

    return opened


def _read_whole(source: FileSource, size: int) -> None:
    info = source.info
    assert 0.0 < info.sample_rate_hz < inf
    frames = end = 0
    with suppress(SourceEnd):
        while True:
            block = source.read(0.0)
            samples_v = block.samples_v
            assert samples_v.dtype == np.float32
            assert samples_v.shape[1] == len(info.roles)
            assert not block.min_max or len(samples_v) % 2 == 0
            # What is lost is counted, and a gap is told.
            assert block.first_index >= end
            assert block.gap_before or block.first_index == end
            end = block.end_index
            frames += len(samples_v)
            # Nothing is made up: a sample takes at least a bit.
            assert frames <= 8 * size + 8, frames
    assert info.length_frames is None or end <= info.length_frames


def _files(*endings: str, cut: bool = False) -> Callable[[], list[bytes]]:
    """Return what gives captures of such endings: of long ones the beginning, or none."""

    def corpus() -> list[bytes]:
        paths = [p for p in sorted(_CAPTURES.rglob("*")) if p.suffix.lower() in endings]
        every = [p.read_bytes() for p in paths]
        return [each[:_CUT] if cut else each for each in every if cut or len(each) <= LONGEST]

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
def _record(folder: Path) -> Iterator[Reader]:
    del folder
    # The families differ in much else: one of each way to read a record is enough.
    ways = {
        (each.waveform.parser, each.waveform.scale, each.waveform.codes): each.waveform
        for each in load_families().values()
    }
    waveforms = list(ways.values())
    assert 2 * len(waveforms) <= _WAYS

    def read(data: bytes) -> str:
        """The first byte names the way; each line is an answer, the last the samples' block."""
        way, lines = data[0] if data else 0, data[1:].split(b"\n")
        waveform = waveforms[way // 2 % len(waveforms)]
        wanted = sorted(waveform.parser.needs)
        answers = dict.fromkeys(wanted, b"") | dict(zip(wanted, lines, strict=False))
        rest = b"\n".join(lines[len(wanted) :])
        try:
            block = bytes(parse_block(rest)) if rest else data[1:]
            answers |= dict.fromkeys((*waveform.blocks, "data"), block)
            preamble = waveform.parser.parse(answers)
            record = decode(preamble, block, waveform, detecting=bool(way % 2), span_s=0.02)
        except (PreambleError, BlockError) as fault:
            return f"{way} {str(fault)[:16]}"
        assert np.isfinite(record.low_v).all()
        assert (record.low_v <= record.high_v).all()
        assert 0.0 < record.interval_s < inf
        return f"{way} read"

    yield read


_WAYS = 40
"""Twice as many as there are ways to read a record, at least: with peak detect and without."""


def _records() -> list[bytes]:
    ten = b"1,2,1200,1,1.000000e-05,-6.000000e-03,0,3.125000e-02,0,127\n"
    lines = b"\n".join([b"8.0E-3", b"RI", b"2500", b"1250", b"0.0", b"4.0E-4", b"-5.0E-1", b"0.0"])
    texts = [ten, lines, b"0.5V\n1.0E-01V\n1.00GSa/s\n", b"-5.0E-3,5.0E-3,2000,1\n"]
    described = (_CAPTURES / "layouts" / "bytes.trc").read_bytes()[:2000]
    block = b"#216ABCDEFGHIJKLMNOP"
    bodies = [*(text + block for text in texts), b"#42000" + described, b"\n#42000" + described]
    return [bytes([way]) + body for body in bodies for way in range(_WAYS)]


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
                _go_on(book)
            except BookError as fault:
                return _answer(fault)
            finally:
                book._db.execute("ROLLBACK")
            return f"{bool(drives)} {bool(jobs)}"

        yield read


def _go_on(book: Book) -> None:
    """Read what was let in, and report on it."""
    try:
        for number in book.numbers():
            page_of(report_of(book.job(number)))
            with suppress(RefusedError):
                book.left(number)
    except BookError as fault:
        raise AssertionError("what was let in is refused") from fault


def _exports() -> list[bytes]:
    with tempfile.TemporaryDirectory(prefix="evenlobe-fuzz-") as name:
        path = Path(name) / "export.json"
        with Book(Path(name) / "book.sqlite3") as book:
            number = filled(book, 1)
            book.keep(number, standing())
            export_json(book, path)
        return [path.read_bytes(), b'{"schema": "evenlobe.book/2", "drives": [], "jobs": []}']


@contextmanager
def _seal(folder: Path) -> Iterator[Reader]:
    del folder

    def read(data: bytes) -> str:
        text = base64.b64encode(zlib.compress(data, 1)).decode("ascii")
        page = into_page("<html></html>", text)
        try:
            changes, _ = changes_in_page(page)
        except CodingError as fault:
            return _answer(fault)
        return f"read {len(changes)}"

    yield read


def _seals() -> list[bytes]:
    with tempfile.TemporaryDirectory(prefix="evenlobe-fuzz-") as name:
        with Book(Path(name) / "book.sqlite3") as book:
            number = filled(book, 1)
            record, past = book.job(number), book.history(DRIVE.identity)
        # Without its arrays, which no change makes others.
        bare = replace(record, entries=record.entries[:2])
        return [
            zlib.decompress(base64.b64decode(sealed(each, past, Unit.UM)))
            for each in (record, bare)
        ]


@contextmanager
def _proof(folder: Path) -> Iterator[Reader]:
    path = folder / "input.toml"

    def read(data: bytes) -> str:
        path.write_bytes(data)
        try:
            proof = read_proof(path)
        except SourceError as fault:
            return _answer(fault)
        assert proof is not None
        # It is written into recordings, and has to come back as it is.
        again = proof_of_table(PROOF_KIND.parse(as_toml(proof), "again"), "again")
        assert as_toml(again) == as_toml(proof)
        return "read"

    yield read


def _proofs() -> list[bytes]:
    law = DetectorProof(2e4, 0.1, 0.01, 0.02, 0.01, 100.0, 5.0, (0.1, 0.5, 1.0), (0.2, 0.6, 1.1))
    identity = InputIdentity("Bench (hw:1,0)", 48_000, "plus,minus", 0.5)
    proof = InputProof(
        identity, "2026-03-01", "21 °C", 1e-4, 1e-5, 1e-6, 1e-6, law, "Speaker", level=0.9
    )
    return [as_toml(each).encode() for each in (proof, replace(proof, detector=None))]


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


def _heard() -> OpenedAs:
    return OpenedAs(
        SourceInfo("sound:", (Role.DIFFERENTIAL,), "given", 1e4, 5e3),
        load_profile("130mm-48tpi"),
        EnvelopeOptions(),
    )


def _boxes() -> list[bytes]:
    piece = Piece(1e9, 0, 1e-3, False, False, np.sin(np.arange(200) ** 2).astype("f4")[:, None])
    with tempfile.TemporaryDirectory(prefix="evenlobe-fuzz-") as name:
        path = Path(name) / "a.blackbox"
        file = BoxFile(Path(name) / "running-a.blackbox")
        events = [Event(1e9, "state", "running", {"a": 1})]
        file.add([(1, facts_of(_heard()))], [(1, piece)], events)
        file.copy(path)
        file.close()
        return [path.read_bytes()]


@contextmanager
def _played(folder: Path) -> Iterator[Reader]:
    del folder
    pairs_v = np.sin(np.arange(400) ** 2).astype("f4").reshape(-1, 1)

    def read(data: bytes) -> str:
        """Facts alone, beside samples that stay."""
        try:
            facts = json.loads(data)
            roles = tuple(Role(each) for each in facts["roles"])
            piece = Piece(1e9, 0, 1e-3, False, False, np.repeat(pairs_v, max(1, len(roles)), 1))
            made = [reading.valid for _, reading in played(Stream(facts, roles, (piece,)))]
        except (*PLAYING_FAULTS, RecursionError) as fault:
            return type(fault).__name__
        return str(made)

    yield read


def _facts() -> list[bytes]:
    facts = facts_of(_heard())
    stated = asdict(EnvelopeOptions(10.0, 0.1))
    envelope = facts | {"roles": ["envelope"], "stated": stated}
    return [json.dumps(each).encode() for each in (facts, envelope)]


TARGETS: dict[str, Target] = {
    each.name: each
    for each in (
        Target("block", _block, _blocks),
        Target("record", _record, _records),
        Target(
            "csv",
            _capture("capture.csv"),
            _files(".csv", ".txt", ".tsv", ".lvm", cut=True),
            longest=4096,
        ),
        Target("wav", _capture("capture.wav"), _files(".wav", ".aiff", ".aifc", ".caf", ".w64")),
        Target("binary", _capture("capture.bin"), _files(".isf", ".trc", ".bin")),
        Target("family", _family, _toml("instruments/scope/families"), longest=8192),
        Target("profile", _profile, _toml("app/profiles", "app/profiles/disks")),
        Target("proof", _proof, _proofs),
        Target("import", _import, _exports, is_tree=True),
        Target("seal", _seal, _seals, is_tree=True),
        Target("stream", _stream, _streams),
        Target("steps", _steps, _answers),
        Target("settings", _settings, _remembered, is_tree=True),
        Target("blackbox", _blackbox, _boxes, longest=1 << 16),
        Target("played", _played, _facts, is_tree=True),
    )
}
"""All targets by name."""
