"""A black box, told: what was open, what happened and when, and what its samples say again."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import asdict
from datetime import datetime
from math import inf
from pathlib import Path
from typing import Any

from app.blackbox.file import ENDING, Box, BoxError, Event, Stream, read_box
from app.blackbox.playing import PLAYING_FAULTS, played, words_of
from app.blackbox.recorder import RUNNING, boxes_folder
from app.cli.arguments import UsageFault
from app.text import in_a_line, values_of

SCHEMA = "evenlobe.replay/1"
_EVERY_S = 1.0
"""So often a valid reading is told in words, where nothing but readings came."""


def replay(path: Path, *, as_json: bool, say: Callable[[str], None]) -> None:
    """Tell what is in a black box.

    Raises
    ------
    UsageFault
        When it cannot be read.
    """
    try:
        box = read_box(path)
    except BoxError as fault:
        raise UsageFault(str(fault)) from None
    if as_json:
        say(json.dumps(_tree(box), allow_nan=False))
        return
    for key, words in box.about.items():
        say(f"{key:<9} {words}")
    for stream in box.streams:
        say(f"source    {_title(stream)}")
    for line in _lines(box.events):
        say(line)
    for stream in box.streams:
        say(f"played again, a record each: {_title(stream)}")
        for line in _again(stream):
            say(line)


def list_boxes(say: Callable[[str], None]) -> None:
    """Tell which black boxes are kept."""
    found = [each for each in sorted(boxes_folder().glob(f"*{ENDING}")) if not _is_running(each)]
    for path in found:
        say(str(path))
    if not found:
        say("no black box is kept; in the window Ctrl+B keeps the last minute")


def _is_running(path: Path) -> bool:
    return path.name.startswith(RUNNING)


def _title(stream: Stream) -> str:
    facts, pieces = stream.facts, stream.pieces
    seconds = sum(len(piece.pairs_v) // 2 * piece.bin_s for piece in pieces)
    roles = ",".join(stream.roles)
    return f"{facts.get('source')}  {roles}  {facts.get('profile')}  {seconds:.1f} s of samples"


def _lines(events: tuple[Event, ...]) -> Iterator[str]:
    """Return a line for each event; of readings in a row one a second, of what stands the first."""
    told_s, before = -inf, ""
    for event in events:
        is_reading = event.kind == "reading"
        if event.words == before or (is_reading and event.at_s - told_s < _EVERY_S):
            continue
        told_s, before = (event.at_s if is_reading else -inf), event.words
        named = "" if event.kind in ("reading", "state") else f"{event.kind}: "
        yield f"{_clock(event.at_s)}  {named}{event.words}"


def _again(stream: Stream) -> Iterator[str]:
    try:
        for at_s, reading in played(stream):
            yield f"{_clock(at_s)}  {in_a_line(reading)}"
    except PLAYING_FAULTS as fault:
        yield f"not played: {words_of(fault)}"


def _tree(box: Box) -> dict[str, Any]:
    return {
        "schema": SCHEMA,
        "about": box.about,
        "events": [{**asdict(each), "at": _moment(each.at_s)} for each in box.events],
        "streams": [_stream_tree(each) for each in box.streams],
    }


def _stream_tree(stream: Stream) -> dict[str, Any]:
    tree: dict[str, Any] = {"facts": stream.facts, "played": [], "fault": ""}
    try:
        for at_s, reading in played(stream):
            values = values_of(reading, [*map(str, reading.notes)])
            tree["played"].append({"at": _moment(at_s), **values})
    except PLAYING_FAULTS as fault:
        tree["fault"] = words_of(fault)
    return tree


def _moment(at_s: float) -> str:
    return _at(at_s).isoformat(timespec="milliseconds")


def _clock(at_s: float) -> str:
    return f"{_at(at_s):%H:%M:%S.%f}"[:-3]


def _at(at_s: float) -> datetime:
    return datetime.fromtimestamp(at_s).astimezone()
