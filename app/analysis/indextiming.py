"""Index timing: from the index's edge to the start of the first burst."""

from __future__ import annotations

from app.analysis.bursts import BurstsFound
from app.analysis.findings import IndexFinding


def index_of(found: BurstsFound) -> IndexFinding:
    """Return the delay of the first burst, and how single turns scatter about it."""
    starts = found.first_us
    scatter_us = float(starts.std(ddof=1)) if len(starts) > 1 else 0.0
    return IndexFinding(found.bursts[0].start_us, scatter_us, len(starts))
