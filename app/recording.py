"""Samples into files: any source, or the virtual drive with its truth beside it."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from app.terminal import interrupted
from instruments.addresses import open_address
from instruments.capture.recorder import CaptureWriter
from instruments.source import (
    AddressError,
    Role,
    Source,
    SourceEnd,
    SourceRequest,
    SourceTimeout,
    SourceUnavailable,
)
from instruments.virtual.source import VirtualSource

_SILENCE_READS = 10


@dataclass(frozen=True, slots=True)
class Recorded:
    """What has been written."""

    frames: int
    seconds: float
    roles: tuple[Role, ...]
    lost_frames: int


def record(
    source: Source,
    out: Path,
    seconds: float | None,
    *,
    overwrite: bool,
    progress: Callable[[float], None],
) -> Recorded:
    """Write a source to a WAV file for some seconds, to its end, or until Ctrl-C.

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
        When the source cannot be read or the file cannot be written.
    """
    source.open()
    try:
        info = source.info
        wanted = None if seconds is None else round(seconds * info.sample_rate_hz)
        with interrupted() as stop, CaptureWriter(out, info, overwrite=overwrite) as writer:
            end = lost = silent = 0
            while not stop.is_set() and (wanted is None or end < wanted):
                try:
                    block = source.read(0.5)
                except SourceEnd:
                    break
                except SourceTimeout:
                    silent += 1
                    if silent > _SILENCE_READS:
                        raise
                    continue
                silent = 0
                if wanted is not None:
                    kept = max(0, wanted - block.first_index)
                    block = replace(block, samples_v=block.samples_v[:kept])
                lost += block.first_index - end
                writer.write(block)
                end = block.first_index + len(block.samples_v)
                if wanted:
                    progress(min(1.0, end / wanted))
        return Recorded(end, end / info.sample_rate_hz, info.roles, lost)
    finally:
        source.close()


def write_simulation(
    address: str,
    out: Path,
    seconds: float,
    roles: tuple[Role | None, ...] | None,
    *,
    overwrite: bool,
) -> Path:
    """Write the virtual drive to a WAV file, and what is true of it beside that.

    Returns
    -------
    pathlib.Path
        The truth's file: JSON, named as the capture with ``.truth.json`` at its end.

    Raises
    ------
    SourceError
        When the address is not the virtual drive's, or a file cannot be written.
    """
    source = open_address(address, SourceRequest(roles=roles, paced=False))
    if not isinstance(source, VirtualSource):
        raise AddressError(f"address “{address}”: only the virtual drive is simulated; use sim:")
    beside = out.with_suffix(".truth.json")
    if beside.exists() and not overwrite:
        raise SourceUnavailable(f"file “{beside}” is there already; use --overwrite or another name")
    record(source, out, seconds, overwrite=overwrite, progress=lambda _: None)
    truth = json.dumps(asdict(source.drive.truth(0.0, seconds)), indent=2)
    try:
        beside.write_text(truth + "\n", encoding="utf-8")
    except OSError as fault:
        raise SourceUnavailable(f"file “{beside}” cannot be written: {fault.strerror}") from None
    return beside
