"""From bytes to whole frames: raw ones whose form is stated, and a WAV that tells its own."""

from __future__ import annotations

import struct
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from instruments.source import FormatError

DTYPES: Mapping[str, tuple[int, float]] = {
    "int16": (2, 2.0**-15),
    "int24": (3, 2.0**-23),
    "int32": (4, 2.0**-31),
    "float32": (4, 1.0),
}
"""How a sample is written, little-endian: its bytes, and its part of the full scale."""

MOST_CHANNELS = 8
RATES_HZ = (1e3, 1e9)


@dataclass(frozen=True, slots=True)
class FrameForm:
    """How frames are written: one sample of each channel in turn.

    Attributes
    ----------
    rate_hz : float
        Frames a second.
    dtype : str
        One of ``DTYPES``.
    channels : int
        Samples of a frame.
    """

    rate_hz: float
    dtype: str
    channels: int

    @property
    def frame_bytes(self) -> int:
        """Bytes of one frame."""
        return self.channels * DTYPES[self.dtype][0]

    def samples(self, data: bytes) -> NDArray[np.float32]:
        """Return whole frames as float32, shape (frames, channels), as parts of the full scale."""
        width, unit = DTYPES[self.dtype]
        if self.dtype == "float32":
            return np.frombuffer(data, "<f4").reshape(-1, self.channels)
        if width == 3:
            # As the upper three bytes of four, so that the sign is where int32 has it.
            wide = np.zeros((len(data) // 3, 4), np.uint8)
            wide[:, 1:] = np.frombuffer(data, np.uint8).reshape(-1, 3)
            values, unit = wide.view("<i4"), DTYPES["int32"][1]
        else:
            values = np.frombuffer(data, f"<i{width}")
        return np.multiply(values.reshape(-1, self.channels), np.float32(unit), dtype=np.float32)


class Frames(Protocol):
    """Bytes as they come; whole frames out of them."""

    joined: bool
    """Whether another recording of the same form has begun with the frames last taken."""

    @property
    def form(self) -> FrameForm | None:
        """How the frames are written; None until it is known."""
        ...

    @property
    def torn(self) -> int:
        """Bytes of a frame that is not whole yet."""
        ...

    def take(self, data: bytes) -> bytes:
        """Return the frames that are whole with these bytes."""
        ...

    def lose(self, count: int) -> None:
        """Count bytes that came and were never taken."""
        ...


class RawFrames:
    """Frames with nothing around them."""

    joined = False

    def __init__(self, form: FrameForm) -> None:
        self.form = form
        self._left = b""
        self._skip = 0

    @property
    def torn(self) -> int:
        """Bytes of a frame that is not whole yet."""
        return len(self._left)

    def take(self, data: bytes) -> bytes:
        """Return the frames that are whole with these bytes."""
        kept = data[self._skip :]
        self._skip -= len(data) - len(kept)
        data = self._left + kept
        whole = len(data) - len(data) % self.form.frame_bytes
        self._left = data[whole:]
        return data[:whole]

    def lose(self, count: int) -> None:
        """Count bytes that came and were never taken; frames begin where the next one does."""
        self._skip = -(len(self._left) + count - self._skip) % self.form.frame_bytes
        self._left = b""


_OPEN_END = 0x7FFF0000
"""A stated length from here on, or of nought, is that of a program that cannot know it."""
_LONGEST_CHUNK = 1 << 20
_TAGS = {(1, 16): "int16", (1, 24): "int24", (1, 32): "int32", (3, 32): "float32"}
_EXTENSIBLE = 0xFFFE


class WavFrames:
    """Frames of a WAV that comes as a stream, with its header ahead of them.

    Programs that write to a pipe cannot go back to fill in the lengths, so they may be anything;
    where they are stated, frames end there, and another WAV may follow. Layout: "Multimedia
    Programming Interface and Data Specifications 1.0" (RIFF), EBU Tech 3306 (RF64) and ITU-R
    BS.2088 (BW64).
    """

    def __init__(self) -> None:
        self.joined = False
        self._form: FrameForm | None = None
        self._raw: RawFrames | None = None
        self._held = b""
        self._skip = 0
        self._data_bytes: int | None = None
        """Bytes of the samples that are still to come; None where nobody knows."""
        self._long_bytes = 0
        self._begun = False

    @property
    def form(self) -> FrameForm | None:
        """How the frames are written; None until the header is whole."""
        return self._form

    @property
    def torn(self) -> int:
        """Bytes of a frame that is not whole yet."""
        return self._raw.torn if self._raw else 0

    def take(self, data: bytes) -> bytes:
        """Return the frames that are whole with these bytes.

        Raises
        ------
        FormatError
            When it is no WAV, or one that is not read; the message follows the source's name.
        """
        self.joined = False
        self._held += data
        whole = b""
        while self._held:
            if self._raw is not None:
                whole += self._samples(self._raw)
            elif not self._chunk():
                break
        return whole

    def lose(self, count: int) -> None:
        """Count bytes that came and were never taken.

        Raises
        ------
        FormatError
            When more than samples was among them.
        """
        left = self._data_bytes
        if self._raw is None and not count:
            return
        if self._raw is None or (left is not None and count > left):
            raise FormatError("part of a header was lost; start the program that writes again")
        if left is not None:
            self._data_bytes = left - count
        self._raw.lose(count)

    def _samples(self, raw: RawFrames) -> bytes:
        """Take the samples that are held; after the last one a chunk is awaited again."""
        count = len(self._held)
        if self._data_bytes is not None:
            count = min(count, self._data_bytes)
            self._data_bytes -= count
            self._raw = raw if self._data_bytes else None
        part, self._held = self._held[:count], self._held[count:]
        return raw.take(part)

    def _chunk(self) -> bool:
        """Take one part of the header; tell whether it was whole."""
        passed = min(self._skip, len(self._held))
        self._held, self._skip = self._held[passed:], self._skip - passed
        if self._skip or len(self._held) < (8 if self._begun else 12):
            return False
        kind = self._held[:4]
        if not self._begun or kind in (b"RIFF", b"RF64", b"BW64"):
            return self._riff()
        length = int.from_bytes(self._held[4:8], "little")
        if kind == b"data":
            self._held = self._held[8:]
            self._begin(length)
            return True
        if kind not in (b"fmt ", b"ds64"):
            self._held, self._skip = self._held[8:], length + length % 2
            self._bound(length)
            return True
        self._bound(length)
        if len(self._held) < 8 + length:
            return False
        body, self._held = self._held[8 : 8 + length], self._held[8 + length + length % 2 :]
        if kind == b"ds64":
            self._long_bytes = int.from_bytes(body[8:16], "little")
        else:
            self._agree(_form(body))
        return True

    def _bound(self, length: int) -> None:
        if length > _LONGEST_CHUNK and self._form is None:
            raise FormatError("the header of its WAV is damaged; let the program write WAV anew")

    def _riff(self) -> bool:
        head = self._held[:12]
        if len(head) < 12:
            return False
        if head[:4] not in (b"RIFF", b"RF64", b"BW64") or head[8:] != b"WAVE":
            raise FormatError(
                "what comes is no WAV; let the program write WAV, or state rate, dtype and "
                "channels of raw frames"
            )
        self._held = self._held[12:]
        self.joined = self._begun
        self._begun, self._long_bytes = True, 0
        return True

    def _agree(self, form: FrameForm) -> None:
        if self._form not in (None, form):
            raise FormatError(
                f"the stream changed from {_words(self._form)} to {_words(form)}; open it again"
            )
        self._form = form

    def _begin(self, stated: int) -> None:
        if self._form is None:
            raise FormatError("its samples come before their format; let it write WAV")
        length = self._long_bytes if stated == 0xFFFFFFFF else stated
        # What is odd is filled up by a byte, which no frame has.
        known = 0 < length < _OPEN_END or (stated == 0xFFFFFFFF and 0 < length < 1 << 62)
        self._data_bytes = length if known else None
        self._skip = length % 2 if known else 0
        self._raw = RawFrames(self._form)


def _words(form: FrameForm | None) -> str:
    return f"{form.channels} × {form.dtype} at {form.rate_hz:g} Hz" if form else "nothing"


def _form(body: bytes) -> FrameForm:
    if len(body) < 16:
        raise FormatError("the format in its header is too short; let it write WAV")
    tag, channels, rate, _, align, bits = struct.unpack("<HHIIHH", body[:16])
    if tag == _EXTENSIBLE and len(body) >= 26:
        tag = int.from_bytes(body[24:26], "little")
    dtype = _TAGS.get((tag, bits))
    if dtype is None or align != channels * bits // 8:
        raise FormatError(
            f"its samples have {bits} bits (format {tag:#06x}, frames of {align} bytes); let it "
            "write integers of 16, 24 or 32 bits, or float of 32"
        )
    if not (1 <= channels <= MOST_CHANNELS and RATES_HZ[0] <= rate <= RATES_HZ[1]):
        raise FormatError(
            f"it states {channels} channels at {rate} Hz; let it write 1 to {MOST_CHANNELS} "
            f"channels at {RATES_HZ[0]:g} Hz or more"
        )
    return FrameForm(float(rate), dtype, channels)
