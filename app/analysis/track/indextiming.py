"""Index timing: from the index's edge to the start of the first burst."""

from __future__ import annotations

from app.analysis import messages
from app.analysis.findings import IndexFinding
from app.analysis.reading import Message
from app.analysis.track.bursts import BurstsFound


def index_of(found: BurstsFound) -> IndexFinding | Message:
    """Return the delay of the first burst and how single turns scatter, or why there is none."""
    if not found.timed:
        return messages.START_UNTIMED
    starts = found.first_us
    scatter_us = float(starts.std(ddof=1)) if len(starts) > 1 else 0.0
    return IndexFinding(found.bursts[0].start_us, scatter_us, len(starts))
