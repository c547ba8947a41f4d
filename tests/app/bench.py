"""What the tests of sessions and commands share: captures with known truth, and sources with moods.

The captures come from ``tests/synthesis.py`` and are written by libsndfile, so that neither the
virtual drive nor the recorder vouches for itself.
"""

import threading
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import soundfile

from instruments.address import open_address
from instruments.source import Source, SourceLost, SourceTimeout, SourceUnavailable
from tests.synthesis import Signal, make

WAIT_S = 60.0
"""A deadline that only a program that hangs can miss."""
RATE_HZ = 200_000
CARRIER_HZ = 50_000
"""Slow enough that a busy machine keeps up with the drive in real time."""
_STEADY = "clamp_um=0&oval_um=0&backlash_um=0&hand_percent=0&hand_um=0"
SIM = f"sim:rate={RATE_HZ}&carrier_hz={CARRIER_HZ}&{_STEADY}"
THREADS = ("analysis", "acquisition", "acquisition-closer")


def write_capture(path, *columns, rate_hz=RATE_HZ, **signal):
    """Write a made signal as a float WAV and return what is true of it."""
    signal = {"rate_hz": rate_hz, "carrier_hz": CARRIER_HZ, "turns": 6.4, "snr_db": 40.0} | signal
    made = make(Signal(**signal))
    soundfile.write(path, made.columns(*columns), round(rate_hz), subtype="FLOAT")
    return made


def end_lines_as_windows(monkeypatch):
    """Have text that says nothing of its lines' ends written as Windows does."""
    plain = Path.open

    def opened(path, mode="r", *, newline=None, **how):
        told = "\r\n" if newline is None and "b" not in mode else newline
        return plain(path, mode, newline=told, **how)

    monkeypatch.setattr(Path, "open", opened)


def until(found, what="it"):
    """Ask `found` until it says something true; return that."""
    end_s = time.monotonic() + WAIT_S
    while time.monotonic() < end_s:
        if answer := found():
            return answer
        time.sleep(0.02)
    raise AssertionError(f"{what} did not come")


def threads_alive():
    return [thread for thread in threading.enumerate() if thread.name in THREADS]


class Moody(Source):
    """The virtual drive behind a cable: silent, or gone, when a test sets it so."""

    def __init__(self, address, request):
        self._source = open_address(address, request)
        self.silent = threading.Event()
        self.gone = threading.Event()
        self.is_open = False

    @property
    def info(self):
        return self._source.info

    @property
    def controls(self):
        return self._source.controls

    def open(self):
        if self.gone.is_set():
            raise SourceUnavailable("cable: nothing is plugged in; plug it in")
        self._source.open()
        self.is_open = True

    def read(self, timeout_s):
        if self.gone.is_set():
            raise SourceLost("cable: it was pulled; plug it in again")
        block = self._source.read(timeout_s)
        if self.silent.is_set():
            raise SourceTimeout("cable: nothing came")
        return block

    def close(self):
        self._source.close()
        self.is_open = False


class Sweeps(Moody):
    """The virtual drive as a scope shows it: a record of two turns at a time, with flags to it."""

    def __init__(self, address, request, **flags):
        super().__init__(address, request)
        self._flags = flags

    @property
    def info(self):
        return replace(super().info, continuous=False)

    def read(self, timeout_s):
        blocks = [super().read(timeout_s)]
        while sum(len(block.samples_v) for block in blocks) < 0.45 * RATE_HZ:
            blocks.append(super().read(timeout_s))
        samples_v = np.concatenate([block.samples_v for block in blocks])
        return replace(blocks[0], samples_v=samples_v, gap_before=True, **self._flags)
