"""Sound files in the kinds that recorders write.

Written by libsndfile, but for BW64, which it does not know and which differs in its first tag from
RF64 (ITU-R BS.2088 and EBU Tech 3306).
"""

from __future__ import annotations

import io
import struct

import numpy as np
import soundfile

from tests.published.layouts.layout import Layout, read_as, refused
from tests.published.layouts.signal import CARRIER, CARRIER_HZ, SHORT_HZ, phases

TURNS_V = CARRIER.plus_v - CARRIER.minus_v


def coded(
    kind: str, subtype: str, samples: np.ndarray, rate_hz: int, endian: str = "FILE"
) -> bytes:
    """Return a sound file."""
    held = io.BytesIO()
    soundfile.write(held, samples, rate_hz, format=kind, subtype=subtype, endian=endian)
    data = bytearray(held.getvalue())
    if (peak := data.find(b"PEAK")) > 0:
        # The chunk of peaks holds the time of writing, behind its size and version.
        data[peak + 12 : peak + 16] = bytes(4)
    return bytes(data)


def extensible_big_endian(samples: np.ndarray, rate_hz: int) -> bytes:
    """Return an RIFX of floats with an extensible header, which libsndfile reads and not writes."""
    channels = samples.shape[1]
    form = struct.pack(
        ">HHLLHH", 0xFFFE, channels, rate_hz, rate_hz * 4 * channels, 4 * channels, 32
    )
    form += struct.pack(">HHL", 22, 32, 3)
    form += struct.pack(">LHH", 3, 0, 16) + bytes.fromhex("800000aa00389b71")
    data = samples.astype(">f4").tobytes()
    body = b"WAVEfmt " + struct.pack(">L", len(form)) + form
    body += b"data" + struct.pack(">L", len(data)) + data
    return b"RIFX" + struct.pack(">L", len(body)) + body


def whole(bits: int, values: np.ndarray) -> np.ndarray:
    """Return volts, of a full scale of 1 V, rounded to what so many bits hold."""
    step = 2.0 ** (1 - bits)
    return np.round(values / step) * step


def all_sound() -> list[Layout]:
    """Return every layout of this module."""
    turns = whole(16, TURNS_V)
    lasting = read_as(
        CARRIER_HZ,
        [turns.tolist()],
        roles=["differential"],
        balance=CARRIER.balance,
        uncertain=True,
    )
    short = np.array(phases()).T
    fine = read_as(SHORT_HZ, whole(24, short).T.tolist(), roles=["plus", "minus"], uncertain=True)
    floats = short.astype(np.float32)
    plain = read_as(SHORT_HZ, floats.astype(float).T.tolist(), roles=["plus", "minus"])
    stated = fine | {"options": "?full_scale_v=1", "uncertain": False}
    as_rf64 = coded("RF64", "FLOAT", floats, SHORT_HZ)
    flac = coded("FLAC", "PCM_16", turns, CARRIER_HZ)
    aiff = coded("AIFF", "PCM_16", turns, CARRIER_HZ)
    library = "libsndfile's list of formats"
    return [
        Layout("turns.flac", "FLAC of 16 bits, turns", library, flac, lasting),
        Layout(
            "fine.flac",
            "FLAC of 24 bits",
            library,
            coded("FLAC", "PCM_24", whole(24, short), SHORT_HZ),
            fine,
        ),
        Layout("turns.aiff", "AIFF of 16 bits, turns", library, aiff, lasting),
        Layout(
            "floats.aifc",
            "AIFF-C of floats",
            library,
            coded("AIFF", "FLOAT", floats, SHORT_HZ),
            plain,
        ),
        Layout(
            "turns.caf",
            "CAF of 16 bits, turns",
            library,
            coded("CAF", "PCM_16", turns, CARRIER_HZ),
            lasting,
        ),
        Layout(
            "turns.w64",
            "W64 of 16 bits, turns",
            library,
            coded("W64", "PCM_16", turns, CARRIER_HZ),
            lasting,
        ),
        Layout(
            "floats.caf", "CAF of floats", library, coded("CAF", "FLOAT", floats, SHORT_HZ), plain
        ),
        Layout(
            "floats.w64", "W64 of floats", library, coded("W64", "FLOAT", floats, SHORT_HZ), plain
        ),
        Layout(
            "fine.rf64.wav",
            "RF64 of 24 bits, whose full scale the user tells",
            "EBU Tech 3306",
            coded("RF64", "PCM_24", whole(24, short), SHORT_HZ),
            stated,
        ),
        Layout(
            "floats.bw64.wav",
            "BW64 of floats",
            "ITU-R BS.2088",
            b"BW64" + as_rf64[4:],
            plain,
        ),
        Layout(
            "big-endian.wav",
            "RIFX: a WAV with the highest byte first",
            library,
            coded("WAV", "PCM_24", whole(24, short), SHORT_HZ, "BIG"),
            fine,
        ),
        Layout(
            "extensible-big-endian.wav",
            "RIFX with an extensible header",
            library,
            extensible_big_endian(floats, SHORT_HZ),
            plain,
        ),
        Layout(
            "cut.flac",
            "a FLAC that was cut off",
            "this project's own question",
            flac[: len(flac) // 2],
            refused("cut", "broken", "end", "short", "decode", "read"),
        ),
        Layout(
            "cut.aiff",
            "an AIFF that was cut off: a third of its frames is there",
            "this project's own question",
            aiff[: len(aiff) - 2 * (len(turns) - len(turns) // 3)],
            read_as(
                CARRIER_HZ,
                [turns[: len(turns) // 3].tolist()],
                roles=["differential"],
                uncertain=True,
                noted=["cut", "short", "end"],
            )
            | refused("cut", "short", "end", "broken"),
        ),
        Layout(
            "picture.wav",
            "a picture under the name of a sound file",
            "this project's own question",
            b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 4,
            refused("not a", "no sound", "wav"),
        ),
    ]
