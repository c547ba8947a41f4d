"""A cable with a virtual probe in it: what is played on one sink goes through to another.

Run as ``python -m tests.integration.patching SEED RATE FROM TO``: it takes FROM's monitor and plays
into TO until its standard input ends.
"""

import subprocess
import sys
import threading
from dataclasses import replace

import numpy as np

from tests.virtualprobe.circuit import Circuit
from tests.virtualprobe.draws import drawn

_FRAMES = 1024


def main(seed, rate_hz, source, sink):
    parts, _, _ = drawn(seed)
    circuit = Circuit(replace(parts, outputs_to=((0.5, 0.5),)), rate_hz)
    form = [
        "--raw",
        "--format=float32le",
        f"--rate={rate_hz}",
        "--channels=2",
    ]
    ears = subprocess.Popen(
        ["pacat", "--record", f"--device={source}.monitor", "--latency-msec=50", *form],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
    )
    mouth = subprocess.Popen(
        # So much may the computer fall behind without a gap in what comes through.
        ["pacat", "--playback", f"--device={sink}", "--latency-msec=600", *form],
        stdin=subprocess.PIPE,
    )
    threading.Thread(target=lambda: (sys.stdin.read(), ears.terminate()), daemon=True).start()
    print("ready", flush=True)
    while len(data := ears.stdout.read(8 * _FRAMES)) == 8 * _FRAMES:
        heard = circuit.through(np.frombuffer(data, "<f4").reshape(-1, 2).astype(np.float64))
        both = np.column_stack([heard[:, 0], np.zeros(_FRAMES)]).astype("<f4")
        mouth.stdin.write(both.tobytes())
        mouth.stdin.flush()
    mouth.stdin.close()
    ears.wait()
    mouth.wait()


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]), *sys.argv[3:])
