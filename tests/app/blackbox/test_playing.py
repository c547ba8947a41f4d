"""The virtual drive's truth, which no sample of a box holds, is found in it again."""

import os
import sqlite3

import numpy as np
import pytest

from app.blackbox.file import BoxError, Stream, read_box
from app.blackbox.pairs import Piece
from app.blackbox.playing import PLAYING_FAULTS, facts_of, played, words_of
from app.live.measurement import EnvelopeOptions
from app.live.session import OpenedAs
from app.profiles import load_profile
from instruments.address import open_address
from instruments.source import Role, SourceRequest, parse_roles
from tests.app.blackbox.boxes import heard, kept, running

SECONDS = 2.0
PROFILE = load_profile("130mm-48tpi")


def boxed(folder, address, roles):
    """A box of a source, and the source."""
    source = open_address(address, SourceRequest(roles=parse_roles(roles), paced=False))
    source.open()
    with running(folder) as box:
        info = source.info
        facts = OpenedAs(info, PROFILE, EnvelopeOptions())
        for block in source.blocks():
            if block is not None:
                box.take(block, facts)
                if block.end_index > SECONDS * info.sample_rate_hz:
                    break
        path = kept(box)
    source.close()
    return read_box(path), source


@pytest.mark.parametrize(
    "roles", ["plus,minus,index", "plus,minus", "differential,index", "envelope,index"]
)
def test_a_ratio_is_read_again_within_its_uncertainty(tmp_path, roles):
    box, source = boxed(tmp_path, "sim:offset_um=-35&seed=4", roles)
    (stream,) = box.streams
    readings = [reading for _, reading in played(stream)]
    truth = source.drive.truth(0.0, SECONDS)
    assert readings
    for reading in readings:
        assert reading.valid, reading.reasons
        assert abs(reading.ratio.value - truth.ratio) <= 3.0 * reading.ratio.u
        assert reading.ratio.u < 0.05


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({"profile": "../../own"}, "own"),
        ({"stated": {"low_corner_hz": "7"}}, "cannot be true"),
        ({"stated": {"nothing": 1.0}}, "cannot be true"),
        ({"inputs": [], "says": None, "stated": None}, "cannot be true"),
    ],
)
def test_what_cannot_be_played_is_told(facts, words):
    piece = Piece(0.0, 0, 1e-3, False, False, np.zeros((4, 1), np.float32))
    whole = facts_of(heard()) | facts
    with pytest.raises(PLAYING_FAULTS) as told:
        list(played(Stream(whole, (Role.DIFFERENTIAL,), (piece,))))
    assert words in words_of(told.value)
    assert words_of(told.value).isprintable()


@pytest.mark.parametrize("content", [b"", b"SQLite format 3\0", b"x" * 5000])
def test_what_is_no_box_is_told(tmp_path, content):
    path = tmp_path / "other.blackbox"
    path.write_bytes(content)
    with pytest.raises(BoxError, match=r"other\.blackbox") as told:
        read_box(path)
    assert str(told.value).isprintable()


def test_another_database_is_no_box(tmp_path):
    path = tmp_path / "book.sqlite3"
    with sqlite3.connect(path) as db:
        db.execute("CREATE TABLE about (key, words)")
    db.close()
    with pytest.raises(BoxError, match="no black box"):
        read_box(path)
    with pytest.raises(BoxError, match="cannot be read"):
        read_box(tmp_path / "none")
    with pytest.raises(BoxError, match="no black box"):
        read_box(tmp_path)


def test_a_file_of_any_size_is_told_by_its_head(tmp_path, monkeypatch):
    path = tmp_path / "large.blackbox"
    path.write_bytes(b"SQLite format 3\0")
    os.truncate(path, 1 << 40)
    monkeypatch.setattr(type(path), "read_bytes", lambda path: pytest.fail("read as a whole"))
    with pytest.raises(BoxError, match="is larger than a black box ever is"):
        read_box(path)
