"""Captures in the layouts that scopes and recorders write, against what was written into them.

`fixtures/captures/layouts/expected.toml` names the source of each layout beside its truth, and
PROVENANCE.md there explains the keys. The files come from `tests/published/layouts`, which knows
nothing of the readers.
"""

from __future__ import annotations

import io
import tomllib
from contextlib import suppress

import numpy as np
import pytest
import soundfile

from instruments.address import open_address
from instruments.source import Role, SourceEnd, SourceError, SourceRequest, parse_roles
from tests.app.analysis.running import analyse
from tests.published.layouts.__main__ import FOLDER, all_layouts, files

EXPECTED = tomllib.loads((FOLDER / "expected.toml").read_text(encoding="utf-8"))
RATE_WITHIN = 1e-6
"""Times are written in decimals: half a step of the last, over the length, is below this."""
READINGS = [name for name, truth in EXPECTED.items() if "balance" in truth]


class Capture:
    """All that a file gives: its info, its frames joined, and what is said of them."""

    def __init__(self, name: str, truth: dict):
        address = str(FOLDER / name) + truth.get("options", "")
        asked = parse_roles(truth["ask"]) if "ask" in truth else None
        source = open_address(address, SourceRequest(roles=asked))
        source.open()
        try:
            self.blocks = []
            with suppress(SourceEnd):
                while True:
                    self.blocks.append(source.read(1.0))
            self.info = source.info
        finally:
            source.close()
        self.frames = np.concatenate([block.samples_v for block in self.blocks])
        self.gaps = [block.first_index for block in self.blocks if block.gap_before]
        self.uncertain = all(block.uncalibrated for block in self.blocks)

    @property
    def indices(self) -> list[int]:
        """The absolute index of each frame."""
        return [
            place
            for block in self.blocks
            for place in range(block.first_index, block.first_index + len(block.samples_v))
        ]


def check_refusal(error: SourceError, truth: dict) -> None:
    message = str(error).lower()
    assert any(word.lower() in message for word in truth["refused"]), message


def check_frames(capture: Capture, truth: dict) -> None:
    rate_hz = truth["rate_hz"]
    within = truth.get("rate_within", RATE_WITHIN)
    assert capture.info.sample_rate_hz == pytest.approx(rate_hz, rel=within)
    for block in capture.blocks:
        assert block.sample_rate_hz == pytest.approx(rate_hz, rel=within)
    assert len(capture.frames) == truth["frames"]
    # float32 holds 24 bits; an offset of up to half a volt may have been taken off in it.
    near = {"rel": 2.0**-22, "abs": 3e-8}
    found = np.vstack([capture.frames[:3], capture.frames[-1:]]).astype(float)
    written = np.array([*truth["first_v"], truth["last_v"]])
    if truth.get("uncertain"):
        # Volts that nobody knows are right up to a factor, the same for all columns.
        largest = np.unravel_index(np.abs(written).argmax(), written.shape)
        found = found / found[largest] * written[largest]
    assert found == pytest.approx(written, **near)


def check_words(capture: Capture, truth: dict) -> None:
    roles = parse_roles(truth["ask"]) if "ask" in truth else map(Role, truth["roles"])
    assert capture.info.roles == tuple(role for role in roles if role is not None)
    if "roles_from" in truth:
        assert capture.info.roles_from == truth["roles_from"]
    assert capture.gaps == truth.get("gaps", [])
    if "end_index" in truth:
        assert capture.indices[-1] + 1 == truth["end_index"]
    assert all(block.min_max == truth.get("min_max", False) for block in capture.blocks)
    if truth.get("clipped"):
        assert any(b.clipped for b in capture.blocks) or not np.isfinite(capture.frames).all()
    if "uncertain" in truth:
        assert capture.uncertain == truth["uncertain"]
    notes = " ".join(capture.info.notes).lower()
    if "noted" in truth:
        assert any(word in notes for word in truth["noted"]), notes


@pytest.mark.parametrize("name", EXPECTED)
def test_a_layout_is_read_as_it_was_written_or_refused(name):
    truth = EXPECTED[name]
    try:
        capture = Capture(name, truth)
    except SourceError as error:
        if "refused" not in truth:
            raise
        check_refusal(error, truth)
        return
    assert "rate_hz" in truth, f"taken at {capture.info.sample_rate_hz} Hz: {capture.frames[:3]}"
    if "paired" in truth and capture.blocks[0].min_max:
        truth = truth["paired"]
    check_frames(capture, truth)
    check_words(capture, truth)


@pytest.mark.parametrize("name", READINGS)
def test_a_layout_that_is_long_enough_gives_the_balance_of_its_signal(name):
    truth = EXPECTED[name]
    capture = Capture(name, truth)
    roles = tuple(str(role) for role in capture.info.roles)
    reading = analyse(capture.frames, capture.info.sample_rate_hz, roles, low_corner_hz=0.0)
    assert reading.valid, reading.reasons
    # Text of three or four digits, or codes of 8 bits, move a balance by less than this.
    assert reading.balance.value == pytest.approx(truth["balance"], abs=0.004)


def test_the_captures_are_those_that_the_script_writes():
    written = files(all_layouts())
    there = {path.name: path.read_bytes() for path in FOLDER.iterdir()}
    assert there.pop("PROVENANCE.md")
    assert set(there) == set(written)
    # Another libsndfile may write its own name into a FLAC, or compress it otherwise.
    coded = [name for name in there if name.endswith(".flac")]
    for name in coded:
        held = [soundfile.SoundFile(io.BytesIO(files.pop(name))) for files in (there, written)]
        first, second = (sound.read(1000) for sound in held)
        assert first.tolist() == second.tolist()
    assert there == written


def test_a_capture_is_small():
    assert max(path.stat().st_size for path in FOLDER.iterdir()) <= 61_440
