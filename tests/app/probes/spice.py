"""A probe's parts as a netlist of ngspice, run in batch mode, and what it says."""

from __future__ import annotations

import subprocess

import numpy as np

from app.probes.circuit import PartKind, Probe

CABLE_F = 200e-12
SOURCE_OHM = 200.0
INPUT_OHM = 20e3
_MODELS = """
.model schottky D(IS=1e-7 N=1.05 RS=5 CJO=10p TT=0)
.model gate SW(VT=0.5 VH=0.1 RON=100 ROFF=100meg)
.subckt amplifier plus minus out
G1 0 pole plus minus 1e-3
R1 pole 0 1e8
C1 pole 0 15.9p
E1 out 0 pole 0 1
.ends
"""
"""A Schottky diode of 0.25 to 0.3 V at 1 mA; amplifiers of 10 MHz, a hundred decibels at DC."""


def netlist(probe: Probe, *more: str) -> str:
    lines = [f"* {probe.name}", _MODELS]
    for part in probe.parts:
        nodes = " ".join(part.nodes)
        lines += {
            PartKind.RESISTOR: [f"{part.name} {nodes} {part.value}"],
            PartKind.CAPACITOR: [f"{part.name} {nodes} {part.value}"],
            PartKind.DIODE: [f"{part.name} {nodes} schottky"],
            PartKind.AMPLIFIER: [f"X{part.name} {nodes} amplifier"],
            PartKind.SWITCH: [
                f"{part.name} {nodes} clock 0 gate",
                f"Vclock clock 0 PULSE(0 1 0 20n 20n {0.5 / (part.value or 1.0) - 20e-9} "
                f"{1.0 / (part.value or 1.0)})",
            ],
        }[part.kind]
    return "\n".join([*lines, *more, ".end", ""])


def source(leg: str, sign: int, amplitude_v: float, carrier_hz: float) -> str:
    """Return a test point: 3 V DC, a sine, and what is behind it."""
    return (
        f"V{leg} {leg}0 0 DC 3 AC {0.5 * sign} SIN(3 {0.5 * sign * amplitude_v} {carrier_hz})\n"
        f"R{leg}s {leg}0 {leg} {SOURCE_OHM}"
    )


def run(text: str, folder, *vectors: str) -> np.ndarray:
    """Return the scale of the analysis and some vectors, one a column."""
    out = folder / "out.txt"
    written = f"wrdata {out} {' '.join(vectors)}"
    control = f".control\nset wr_singlescale\nset wr_vecnames\nrun\n{written}\n.endc"
    file = folder / "probe.cir"
    file.write_text(text.replace("\n.end\n", f"\n{control}\n.end\n"))
    done = subprocess.run(["ngspice", "-b", str(file)], capture_output=True, text=True)
    assert out.exists(), done.stderr + done.stdout
    return np.loadtxt(out, skiprows=1)
