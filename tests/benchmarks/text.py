"""How fast 100 MB of CSV are read and in how much memory, against numpy.loadtxt in the same run.

Each is done in a process of its own, which tells its processor time and the most memory it had.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np

from tests.benchmarks.tables import table

BYTES = 100_000_000
LOADTXT_TIMES = 1.3
MEGABYTES = 250

_OURS = """
from pathlib import Path
from instruments.file.csv import read_csv
read = lambda: read_csv(Path(path), None)
"""
_NUMPY = """
import numpy
read = lambda: numpy.loadtxt(path, delimiter=",", skiprows=1)
"""
_TOLD = """
import re, time
begun_s = time.process_time()
read()
seconds = time.process_time() - begun_s
print(seconds, int(re.search(r"VmHWM:\\s+(\\d+)", open("/proc/self/status").read())[1]) / 1e3)
"""


def write_text(path: Path, size: int = BYTES) -> None:
    """Write a time column and two channels until the file is as long as that."""
    rng = np.random.default_rng(7)
    with path.open("w", encoding="ascii") as stream:
        stream.write("Time (s),CH1 (V),CH2 (V)\n")
        row = 0
        while stream.tell() < size:
            values = rng.normal(0.0, 0.3, (50_000, 2)).tolist()
            stream.write(
                "".join(
                    f"{(row + i) * 5e-7:.7f},{a:.5e},{b:.5e}\n" for i, (a, b) in enumerate(values)
                )
            )
            row += len(values)


def measure(path: Path, code: str) -> tuple[float, float]:
    """Return the seconds of processor time and the megabytes that reading a file takes."""
    words = [sys.executable, "-c", f"path = {str(path)!r}\n{code}{_TOLD}"]
    seconds, megabytes = subprocess.run(
        words, check=True, capture_output=True, text=True
    ).stdout.split()
    return float(seconds), float(megabytes)


def report(say: Callable[[str], None]) -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "capture.csv"
        write_text(path)
        # In turn, so that a machine that slows down slows both; the best of three.
        runs = [(measure(path, _OURS), measure(path, _NUMPY)) for _ in range(3)]
    ours, theirs = (min(run[i] for run in runs) for i in (0, 1))
    say(
        table(
            "100 MB of CSV, a time column and two channels",
            ("", "measured", "allowed"),
            [
                ("processor time", f"{ours[0]:.2f} s", ""),
                ("of numpy.loadtxt's own", f"{ours[0] / theirs[0]:.2f}", f"{LOADTXT_TIMES}"),
                ("most memory", f"{ours[1]:.0f} MB", f"{MEGABYTES} MB"),
                ("numpy.loadtxt's", f"{theirs[1]:.0f} MB", ""),
            ],
        )
    )
