"""Record the transcripts in ``fixtures/scopes`` from the virtual scope.

Run it from the checkout: ``python -m tests.instruments.scope.record_transcripts``.
"""

from __future__ import annotations

from pathlib import Path

from instruments.scope.links import Deadline
from instruments.scope.options import ScopeOptions
from instruments.scope.session import ScopeSession
from instruments.scope.waveform import frames
from instruments.virtual.scope import ScopeServer
from tests.instruments.scope.faultcase import MODELS, new_scope
from tests.instruments.scope.wire import RecordingLink, save

FOLDER = Path(__file__).parents[3] / "fixtures" / "scopes"
LONG = ("A2-older", "B-2000", "C1", "C1-older")
"""Families of no transcript: a pause after each command, and records of a million samples."""
HALF_A_MINUTE_S = 30


def record(family: str) -> None:
    """Record a session from *IDN? to the front panel put back, with one record."""
    scope = new_scope(MODELS[family], carrier_hz=125e3)
    with ScopeServer(scope, "socket", port=0) as server:
        link = RecordingLink("127.0.0.1", server.port, "scope", Deadline(3))
        session = ScopeSession(link, ScopeOptions(resource="scope"), {})
        session.begin(None, Deadline(HALF_A_MINUTE_S))
        sweep = session.sweep(Deadline(HALF_A_MINUTE_S))
        samples_v = frames(sweep.columns, sweep.skip)
        session.leave(Deadline(HALF_A_MINUTE_S))
    head = {
        "family": family,
        "ratio": scope.truth().ratio,
        "frames": len(samples_v),
        "cell_s": sweep.bin_s,
    }
    save(FOLDER / f"{family}.jsonl", head, link.wire)
    scope.close()


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    for each in MODELS:
        if each not in LONG:
            record(each)
