"""What each reader makes of what others have written: of all that tests.fuzz is tried from.

The input is that of ``fixtures/fuzz`` and of the captures; here stands what was read of each, or
the sentence that refuses it.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import replace
from functools import cache, partial
from itertools import islice
from pathlib import Path
from unittest.mock import patch

from app.dashboard.settings import Settings
from app.profiles import files as profile_files
from app.profiles.files import ProfileError
from app.profiles.profile import load_profile
from instruments.file.source import FileSource
from instruments.kept import read_proof
from instruments.pipe.frames import WavFrames
from instruments.scope.family import FamilyError, Waveform, read_family
from instruments.scope.links import BlockError, parse_block
from instruments.scope.preamble import PreambleError
from instruments.scope.shelf import load_families
from instruments.scope.waveform import decode
from instruments.source import Block, FormatError, SourceEnd, SourceError
from instruments.steps import protocol
from tests.fuzz.corpora import known
from tests.fuzz.targets import ROOT, TARGETS
from tests.recorded.keeping import Net
from tests.recorded.telling import told

_BLOCKS = 3


def _capture(name: str, data: bytes, folder: Path) -> Iterator[str]:
    path = folder / name
    path.write_bytes(data)
    source = FileSource(str(path))
    try:
        source.open()
        yield told(source.info)
        blocks: list[Block] = []
        with suppress(SourceEnd):
            while len(blocks) < _BLOCKS:
                blocks.append(source.read(0.0))
        # A file is read as if it began now.
        yield from (told(replace(each, t0_s=each.t0_s - blocks[0].t0_s)) for each in blocks)
    finally:
        source.close()


def _block(data: bytes, folder: Path) -> Iterator[str]:
    expected = None if data[:1] < b"\x80" else len(data) // 2
    yield repr(bytes(parse_block(data, expected))[:40])


@cache
def _waveforms() -> list[Waveform]:
    """Return one of each way to read a record."""
    families = load_families().values()
    ways = {(w.parser, w.scale, w.codes): w for w in (each.waveform for each in families)}
    return list(ways.values())


def _record(data: bytes, folder: Path) -> Iterator[str]:
    waveforms = _waveforms()
    way, lines = data[0] if data else 0, data[1:].split(b"\n")
    waveform = waveforms[way // 2 % len(waveforms)]
    wanted = sorted(waveform.parser.needs)
    answers = dict.fromkeys(wanted, b"") | dict(zip(wanted, lines, strict=False))
    rest = b"\n".join(lines[len(wanted) :])
    block = bytes(parse_block(rest)) if rest else data[1:]
    answers |= dict.fromkeys((*waveform.blocks, "data"), block)
    preamble = waveform.parser.parse(answers)
    yield told(preamble)
    yield told(decode(preamble, block, waveform, detecting=bool(way % 2), span_s=0.02))


def _steps(data: bytes, folder: Path) -> Iterator[str]:
    text = data.decode("ascii", "replace")
    before = protocol.Standing(track=16, head=0, motor=True)
    for command in (protocol.WHERE, protocol.motor(True), protocol.seek(16)):
        yield _refusable(lambda of=command: protocol.read_answer(of, text, before))
    yield _refusable(lambda: protocol.read_command(text))


def _refusable(read: Callable[[], object]) -> str:
    try:
        return told(read())
    except ValueError as refusal:
        return str(refusal)


def _stream(data: bytes, folder: Path) -> Iterator[str]:
    size = (data[0] if data else 0) + 1
    frames = WavFrames()
    for start in islice(range(1, len(data), size), 400):
        taken = frames.take(data[start : start + size])
        if len(taken) and start < 6 * size:
            yield told(taken)
    yield told(frames.form)


def _family(data: bytes, folder: Path) -> Iterator[str]:
    yield told(read_family("own", data.decode("utf-8", "replace")))


def _profile(data: bytes, folder: Path) -> Iterator[str]:
    (folder / "own.toml").write_bytes(data)
    with patch.object(profile_files, "user_profile_folder", lambda: folder):
        yield told(load_profile("own"))


def _proof(data: bytes, folder: Path) -> Iterator[str]:
    path = folder / "input.toml"
    path.write_bytes(data)
    yield told(read_proof(path))


def _settings(data: bytes, folder: Path) -> Iterator[str]:
    path = folder / "window.json"
    path.write_bytes(data)
    settings = Settings(path)
    yield settings.fault
    yield told({name: value for name, value in vars(settings).items() if name[0] != "_"})


Reading = Callable[[bytes, Path], Iterator[str]]
READERS: dict[str, Reading] = {
    "csv": partial(_capture, "capture.csv"),
    "wav": partial(_capture, "capture.wav"),
    "binary": partial(_capture, "capture.bin"),
    "block": _block,
    "record": _record,
    "steps": _steps,
    "stream": _stream,
    "family": _family,
    "profile": _profile,
    "proof": _proof,
    "settings": _settings,
}
_REFUSALS = (SourceError, FormatError, BlockError, PreambleError, FamilyError, ProfileError)
_PARTS = 8
"""So many subjects of one reader: each of them a test of its own."""


def read(name: str, part: int) -> list[str]:
    """Tell what a reader makes of its inputs, every eighth of them."""
    lines = []
    with tempfile.TemporaryDirectory(prefix="evenlobe-recorded-") as folder:
        inputs = list(enumerate(known(TARGETS[name])))
        for number, data in inputs[part::_PARTS]:
            found = [f"{number}:"]
            try:
                found += READERS[name](data, Path(folder))
            except _REFUSALS as refusal:
                found.append(f"{type(refusal).__name__}: {refusal}")
            lines += [
                line.replace(folder, "FOLDER").replace(str(ROOT), "CHECKOUT") for line in found
            ]
    return lines


NET = Net(
    "readers",
    {
        f"{name}, part {part}": partial(read, name, part)
        for name in READERS
        for part in range(_PARTS)
    },
)
