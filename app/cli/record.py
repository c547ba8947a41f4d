"""Samples into files: any source, or the virtual drive with its truth beside it."""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from app.cli.measure import Interrupt, interrupted
from app.files import atomic_write, check_replaceable
from instruments.address import open_address
from instruments.file.source import FileSource
from instruments.file.writer import CaptureWriter, check_place
from instruments.source import (
    AddressError,
    Block,
    Role,
    Source,
    SourceError,
    SourceLost,
    SourceRequest,
    SourceUnavailable,
)
from instruments.virtual.source import VirtualSource

ProgressOf = Callable[[float, float | None], None]
"""Called with each block: the seconds done, and the seconds wanted or None."""


@dataclass(frozen=True, slots=True)
class Recorded:
    """What has been written.

    Attributes
    ----------
    frames, seconds, lost_frames : int, float, int
        Frames and seconds that the recording spans; how many of the frames were lost.
    roles : tuple of Role
        One a column.
    fault : SourceError or None
        What ended it early; what came before that is in the file.
    """

    frames: int
    seconds: float
    roles: tuple[Role, ...]
    lost_frames: int
    fault: SourceError | None = None


def record(
    source: Source, out: Path, seconds: float | None, *, overwrite: bool, progress: ProgressOf
) -> Recorded:
    """Write a source to a WAV file for some seconds, to its end, or until Ctrl-C.

    Of a scope one record is written, at the full rate of its deep memory: what it gives otherwise
    are extremes, not samples.

    Parameters
    ----------
    source : Source
        Not yet open; closed at the end.
    out : pathlib.Path
        The file, which appears once it is whole.
    seconds : float or None
        How long; None goes on until the source ends or Ctrl-C.

    Raises
    ------
    SourceError
        When the source gives nothing at all, or the file cannot be written.
    """
    _refuse_itself(source, out)
    if source.has_deep_record:
        _refuse_length(source, seconds)
        check_place(out, overwrite=overwrite)
    source.open()
    try:
        if source.has_deep_record:
            return _write_deep(source, source.fetch_deep(), out, overwrite=overwrite)
        info = source.info
        wanted = None if seconds is None else round(seconds * info.sample_rate_hz)
        with interrupted() as stop, CaptureWriter(out, info, overwrite=overwrite) as writer:
            tape = _Tape(source, wanted, stop)
            for block in tape.blocks():
                writer.write(block)
                progress(tape.end / info.sample_rate_hz, seconds)
            if tape.fault is not None and tape.end == 0:
                raise tape.fault
        fault = None
        if tape.fault is not None:
            fault = SourceLost(f"{tape.fault}; what came before that is kept in “{out}”")
        return Recorded(tape.end, tape.end / info.sample_rate_hz, info.roles, tape.lost, fault)
    finally:
        source.close()


class _Tape:
    """Blocks of an open source until there are enough, or no more."""

    def __init__(self, source: Source, wanted: int | None, stop: Interrupt) -> None:
        self._source = source
        self._wanted = wanted
        self._stop = stop
        self.end = self.lost = 0
        self.fault: SourceError | None = None

    def blocks(self) -> Iterator[Block]:
        """Yield them until the end, a fault, or the request to end."""
        try:
            for block in self._source.blocks():
                if block is not None:
                    yield self._kept(block)
                enough = self._wanted is not None and self.end >= self._wanted
                if self._stop.asked or enough:
                    return
        except SourceError as fault:
            self.fault = fault

    def _kept(self, block: Block) -> Block:
        """Count a block, cut to what is still wanted."""
        if self._wanted is not None:
            kept = max(0, self._wanted - block.first_index)
            block = replace(block, samples_v=block.samples_v[:kept])
        self.lost += block.first_index - self.end
        self.end = block.first_index + len(block.samples_v)
        return block


def _write_deep(source: Source, block: Block, out: Path, *, overwrite: bool) -> Recorded:
    rate_hz = block.sample_rate_hz
    info = replace(source.info, sample_rate_hz=rate_hz, bandwidth_hz=rate_hz / 2)
    with CaptureWriter(out, info, overwrite=overwrite) as writer:
        writer.write(block)
    frames = len(block.samples_v)
    return Recorded(frames, frames / rate_hz, info.roles, lost_frames=0)


def _refuse_length(source: Source, seconds: float | None) -> None:
    if seconds is not None:
        raise AddressError(
            f"source “{source.info.name}”: one record of a scope is as long as its memory; leave "
            "--seconds out"
        )


def _refuse_itself(source: Source, out: Path) -> None:
    is_itself = False
    if isinstance(source, FileSource):
        with contextlib.suppress(OSError):  # either is not there: the one who opens it tells
            is_itself = os.path.samefile(source.path, out)
    if is_itself:
        raise AddressError(f"recording “{out}” is the capture itself; name another file")


def write_simulation(
    address: str,
    out: Path,
    seconds: float,
    roles: tuple[Role | None, ...] | None,
    *,
    overwrite: bool,
    progress: ProgressOf,
) -> tuple[Recorded, Path]:
    """Write the virtual drive to a WAV file, and what is true of it beside that.

    Returns
    -------
    Recorded, pathlib.Path
        What was written, and the truth's file: JSON, named as the capture with ``.truth.json`` at
        its end.

    Raises
    ------
    SourceError
        When the address is not the virtual drive's, or a file cannot be written.
    """
    source = open_address(address, SourceRequest(roles=roles, paced=False))
    if not isinstance(source, VirtualSource):
        raise AddressError(f"address “{address}”: only the virtual drive is simulated; use sim:")
    check_place(out, overwrite=overwrite)
    beside = out.with_suffix(".truth.json")
    try:
        check_replaceable(beside)
        is_taken = beside.exists()
    except OSError as fault:
        raise _unwritable(beside, fault) from None
    if is_taken and not overwrite:
        raise SourceUnavailable(f"file “{beside}” is there already; name another capture")
    done = record(source, out, seconds, overwrite=overwrite, progress=progress)
    truth = json.dumps(asdict(source.drive.truth(0.0, done.seconds)), indent=2)
    try:
        with atomic_write(beside) as part:
            part.write_text(truth + "\n", encoding="utf-8")
    except OSError as fault:
        raise _unwritable(beside, fault) from None
    return done, beside


def _unwritable(path: Path, fault: OSError) -> SourceUnavailable:
    return SourceUnavailable(
        f"file “{path}” cannot be written: {fault.strerror}; name another capture"
    )
