"""Rows of what a process takes up, as text, as CSV and as a picture."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from scipy.stats import linregress

EARLY_S = 600.0
"""Growth counts from here on: what is made on first use has been made."""
_NAMES = {
    "memory_mib": "memory, MiB",
    "objects": "objects",
    "handles": "handles",
    "threads": "threads",
    "processor": "processor, part of one",
    "late_ms": "longest frame, ms",
}


@dataclass(frozen=True, slots=True)
class Row:
    """One moment.

    Attributes
    ----------
    at_s : float
        Since the beginning.
    memory_mib, objects, handles, threads : float, int, int, int
        Resident memory; objects that the interpreter watches; open files; threads.
    processor : float
        Part of one processor since the row before.
    late_ms : float
        Longest time from one frame of the window to the next since then.
    at_rest : bool
        Whether the hands rested, with the window as at each rest.
    """

    at_s: float
    memory_mib: float
    objects: int
    handles: int
    threads: int
    processor: float
    late_ms: float
    at_rest: bool = False


def table(rows: Sequence[Row], most: int = 30) -> str:
    """Return a line for each of some rows, evenly spread."""
    chosen = np.unique(np.linspace(0, len(rows) - 1, min(most, len(rows))).astype(int))
    lines = ["| minute | " + " | ".join(_NAMES.values()) + " |", "|---" * (len(_NAMES) + 1) + "|"]
    for row in (rows[at] for at in chosen.tolist()):
        cells = [f"{row.at_s / 60.0:.1f}", f"{row.memory_mib:.1f}", f"{row.objects}"]
        cells += [f"{row.handles}", f"{row.threads}", f"{row.processor:.2f}", f"{row.late_ms:.0f}"]
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def growth_mib_an_hour(rows: Sequence[Row]) -> tuple[float, float] | None:
    """Return the slope of the memory at rest after the first ten minutes, and its standard u.

    Between the rests it comes and goes by some tens of MiB with what is shown. None where there are
    too few of them.
    """
    late = [row for row in rows if row.at_rest and row.at_s >= EARLY_S]
    if len(late) < 4:
        return None
    line = linregress([row.at_s / 3600.0 for row in late], [row.memory_mib for row in late])
    return float(line.slope), float(line.stderr)


def summary(rows: Sequence[Row], late_ms: Mapping[int, int]) -> str:
    """Return growth, and how long a frame took, of how many there were of each length."""
    slope = growth_mib_an_hour(rows)
    grown = (
        "too short for a slope"
        if slope is None
        else f"{slope[0]:+.1f} MiB an hour, standard uncertainty {slope[1]:.1f}"
    )
    each_ms = np.repeat(list(late_ms), list(late_ms.values())) if late_ms else [np.nan]
    frames = np.quantile(each_ms, (0.5, 0.99, 0.999))
    middle, most, nearly_all = (f"{each:.0f}" for each in frames)
    return (
        f"growth at rest after ten minutes: {grown}\n"
        f"frame to frame: median {middle} ms, 99 % {most} ms, 99.9 % {nearly_all} ms"
    )


def write(rows: Sequence[Row], folder: Path) -> None:
    """Write ``soak.csv`` and ``soak.png`` into a folder."""
    import pyqtgraph
    from pyqtgraph.exporters import ImageExporter

    folder.mkdir(parents=True, exist_ok=True)
    with (folder / "soak.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(asdict(rows[0])))
        writer.writeheader()
        writer.writerows(map(asdict, rows))
    pyqtgraph.mkQApp()
    layout = pyqtgraph.GraphicsLayoutWidget(size=(1000, 180 * len(_NAMES)))
    minutes = [row.at_s / 60.0 for row in rows]
    for place, (name, words) in enumerate(_NAMES.items()):
        plot = layout.addPlot(row=place, col=0, title=words)
        plot.plot(minutes, [getattr(row, name) for row in rows])
        plot.enableAutoRange()
    layout.show()
    pyqtgraph.QtWidgets.QApplication.processEvents()
    ImageExporter(layout.scene()).export(str(folder / "soak.png"))
    layout.close()
