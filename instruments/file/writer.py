"""Write blocks to a float WAV that reads back with its roles and everything else that matters."""

from __future__ import annotations

import contextlib
import secrets
import shutil
import stat
from pathlib import Path
from typing import Self

import numpy as np
import soundfile

from instruments.file.description import describe, description_of
from instruments.file.sound_file import name_for
from instruments.file.wav import make_plain, read_extent
from instruments.source import Block, SourceInfo, SourceUnavailable

_FULL_BYTES = 1 << 20
"""A disk with less room than this is called full when a write fails."""
_LONGEST_HOLE_S = 1.0
"""Lost time is written as not-a-number samples, but no more of it than this."""


def check_place(path: Path, *, overwrite: bool) -> None:
    """Refuse a name under which nothing can be recorded.

    Raises
    ------
    SourceUnavailable
        When it does not end in ``.wav``, its folder is not there, it is taken, be it by what is
        no file, or the system has no such names.
    """
    if path.suffix.lower() != ".wav":
        raise SourceUnavailable(f"recording “{path}”: the name must end in .wav; add it")
    try:
        if not path.parent.is_dir():
            raise SourceUnavailable(f"recording “{path}”: its folder is not there; make it first")
        is_file = stat.S_ISREG(path.stat().st_mode)
    except FileNotFoundError:
        return
    except OSError as fault:
        # A name that the system will not even look up.
        raise _unwritable(path, fault.strerror or str(fault)) from None
    if not (overwrite and is_file):
        raise SourceUnavailable(f"recording “{path}” is there already; name another file")


def _unwritable(path: Path, why: str) -> SourceUnavailable:
    return SourceUnavailable(f"recording “{path}” cannot be written ({why}); choose another place")


class CaptureWriter:
    """Records blocks as float32 WAV, as RF64 when it grows beyond 4 GiB.

    The file appears under its name only once it is whole, on :meth:`close`. As a context
    manager it closes at the end, and leaves nothing behind when an exception passes through.

    Lost frames are written as not-a-number samples, up to one second of them: the turns that
    they touch then cannot be taken for measured ones.

    Parameters
    ----------
    path : pathlib.Path or str
        Ends in ``.wav``.
    info : SourceInfo
        Of the open source whose blocks follow.
    overwrite : bool
        Whether a file of that name may be replaced.

    Raises
    ------
    SourceUnavailable
        When the file may not be written there.
    """

    def __init__(self, path: Path | str, info: SourceInfo, *, overwrite: bool = False) -> None:
        self._path = Path(path)
        self._info = info
        self._overwrite = overwrite
        self._frames = 0
        self._next_index: int | None = None
        check_place(self._path, overwrite=overwrite)
        # Whatever length the recording's name has, this one is taken too.
        self._part = self._path.with_name(f"recording-{secrets.token_hex(4)}.part")
        try:
            # What has that name already, a link that leads elsewhere with it, is not written to.
            self._part.open("xb").close()
        except OSError as fault:
            raise self._error(fault) from None
        try:
            self._file: soundfile.SoundFile | None = soundfile.SoundFile(
                name_for(self._part),
                "w",
                samplerate=round(info.sample_rate_hz),
                channels=len(info.roles),
                format="RF64",
                subtype="FLOAT",
            )
        except soundfile.SoundFileError as fault:
            self._part.unlink()
            raise self._error(fault) from None

    @property
    def frames(self) -> int:
        """Frames written so far."""
        return self._frames

    def write(self, block: Block) -> None:
        """Add a block.

        Raises
        ------
        SourceUnavailable
            When the disk is full, the file cannot be written, or the frames are pairs of
            extremes; nothing is left behind then.
        """
        if self._file is None:
            raise SourceUnavailable(f"recording “{self._path}” is closed; begin another")
        if block.min_max:
            self.abandon()
            raise SourceUnavailable(
                f"recording “{self._path}”: pairs of extremes are no samples, and a recording "
                "would say that they are; measure their source itself"
            )
        try:
            if self._next_index is None:
                said = description_of(self._info, uncalibrated=block.uncalibrated)
                self._file.comment = describe(said)
            else:
                self._write_hole(self._file, block)
            self._file.write(block.samples_v)
        except (soundfile.SoundFileError, OSError) as fault:
            self.abandon()
            raise self._error(fault) from None
        self._frames += len(block.samples_v)
        self._next_index = block.first_index + len(block.samples_v)

    def close(self) -> None:
        """Finish the file and give it its name; does nothing when that is done.

        Raises
        ------
        SourceUnavailable
            When nothing was recorded, or the file cannot be finished; nothing is left then.
        """
        if self._file is None:
            return
        try:
            self._file.close()
            self._file = None
            if not self._frames:
                raise SourceUnavailable(
                    f"recording “{self._path}”: no samples came, so there is no file; "
                    "check the source"
                )
            self._finish()
            check_place(self._path, overwrite=self._overwrite)
            self._part.replace(self._path)
        except (soundfile.SoundFileError, OSError) as fault:
            raise self._error(fault) from None
        finally:
            self._part.unlink(missing_ok=True)

    def abandon(self) -> None:
        """Leave off and remove what was written; does nothing after :meth:`close`."""
        if self._file is None:
            return
        with contextlib.suppress(soundfile.SoundFileError):
            self._file.close()
        self._file = None
        self._part.unlink(missing_ok=True)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: object, *_: object) -> None:
        if kind is None:
            self.close()
        else:
            self.abandon()

    def _write_hole(self, file: soundfile.SoundFile, block: Block) -> None:
        lost = block.first_index - (self._next_index or 0)
        if lost <= 0 and not block.gap_before:
            return
        # A break of unknown length is one frame: enough to spoil the turn that it is in.
        most = max(1, round(_LONGEST_HOLE_S * self._info.sample_rate_hz))
        frames = min(max(lost, 1), most)
        file.write(np.full((frames, len(self._info.roles)), np.nan, np.float32))
        self._frames += frames

    def _finish(self) -> None:
        size = self._part.stat().st_size
        with self._part.open("r+b") as stream:
            extent = read_extent(stream, size)
            if extent.frames != self._frames or not extent.finished:
                raise OSError("not all of it was written")
            make_plain(stream, extent.data_at, size)

    def _error(self, fault: Exception) -> SourceUnavailable:
        if shutil.disk_usage(self._path.parent).free < _FULL_BYTES:
            return SourceUnavailable(
                f"recording “{self._path}”: the disk is full; make room and record again"
            )
        told = getattr(fault, "strerror", None) or str(fault).rpartition(": ")[2]
        return _unwritable(self._path, told.rstrip("."))
