"""What a book takes to its limits and no farther, and the rules that lists and charts go by."""

from __future__ import annotations

import math
import os
import signal
import sqlite3
import threading
import zlib
from contextlib import closing
from dataclasses import replace

import numpy as np
import pytest

from app import ends
from app.analysis.budget import Part
from app.analysis.results import Verdict
from app.book import codec
from app.book.drift import change_of, drifts_of, moment_of
from app.book.model import (
    BookError,
    CodingError,
    JobRecord,
    JobSummary,
    RefusedError,
    as_book_error,
)
from app.book.store import Book, is_of_book, shown
from app.book.writer import JobWriter
from app.job.model import CheckName, Entry, JobOptions, Outcome, Stage, Summary, Value
from tests.app.book.jobs import DRIVE, HEAD, entry, filled, now

WHOLE, PART = 64 * 2**20, 64 * 2**20 + 4


def test_arrays_of_64_mib_a_job_are_read_and_none_that_are_longer():
    assert codec.Unpacking()(zlib.compress(bytes(WHOLE), 1)).nbytes == WHOLE
    with pytest.raises(CodingError, match=r"envelope: .* not more than 64 MiB together"):
        codec.Unpacking()(zlib.compress(bytes(PART), 1))
    unpacked = codec.Unpacking()
    unpacked(zlib.compress(bytes(WHOLE - 8), 1))
    assert unpacked(zlib.compress(bytes(8), 1)).nbytes == 8
    with pytest.raises(CodingError, match="not more than 64 MiB together"):
        unpacked(zlib.compress(bytes(4), 1))


@pytest.mark.parametrize(
    "data", [b"", b"none", zlib.compress(b"123"), zlib.compress(b"1234") + b"5"]
)
def test_what_is_no_array_is_told_by_its_place(data):
    with pytest.raises(CodingError, match="here is damaged"):
        codec.Unpacking()(data, "here")


def test_words_stand_in_the_book_as_they_are_said():
    """Whoever opens the file with another program can read them."""
    assert codec.as_text((("disk", "Prüfung, −5 µm"),)) == '[["disk", "Prüfung, −5 µm"]]'


def test_an_array_is_kept_as_four_bytes_a_value():
    # Little-endian IEEE 754: 1.0 is 3f800000.
    data = codec.packed(np.array([1.0], np.float64))
    assert zlib.decompress(data) == b"\x00\x00\x80\x3f"
    assert codec.Unpacking()(data).dtype == np.float32
    assert codec.packed(None) is None
    assert codec.Unpacking()(None) is None


def test_a_text_of_100_000_characters_is_taken_and_none_that_is_longer():
    codec.check_texts({"note": "x" * 100_000})
    with pytest.raises(RefusedError, match="note: 100001 characters are more than the 100000"):
        codec.check_texts([{"note": "x" * 100_001}])


def test_a_character_that_is_none_is_refused():
    for code in (0, 0xD800, 0xDFFF):
        with pytest.raises(RefusedError, match="text: a character in it"):
            codec.check_texts(f"a{chr(code)}")
    # The neighbours of the surrogates are characters.
    codec.check_texts("\ud7ff\ue000")


def test_not_a_number_is_no_json():
    for word in ("NaN", "Infinity", "-Infinity"):
        with pytest.raises(CodingError, match=f"it is not JSON: {word} is no number"):
            codec.tree_of(f"[{word}]")
    with pytest.raises(RefusedError, match="cannot be kept"):
        codec.as_text(Value("offset", math.nan))


def of_options(**changes):
    return codec.as_tree(JobOptions()) | changes


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"turns": 2**53}, "options.turns is not a whole number"),
        ({"turns": -(2**53)}, "options.turns is not a whole number"),
        ({"turns": 3.0}, "options.turns is not a whole number"),
        ({"turns": True}, "options.turns is not a whole number"),
        ({"goal_um": True}, "options.goal_um is not a number"),
        ({"goal_um": "4"}, "options.goal_um is not a number"),
        ({"goal_um": 10**400}, "options.goal_um is not a finite number"),
        ({"goal_um": -(10**400)}, "options.goal_um is not a finite number"),
        ({"goal_um": math.inf}, "options.goal_um is not a finite number"),
        ({"goal_um": -math.inf}, "options.goal_um is not a finite number"),
        ({"goal_um": math.nan}, "options.goal_um is not a finite number"),
        ({"other": 1}, "options.other is not known here"),
        ({"o\x1b[2Jr": 1}, r"options.o�\[2Jr is not known here"),
    ],
)
def test_a_number_that_is_none_is_told_by_its_place(change, said):
    with pytest.raises(CodingError, match=f"^{said}$"):
        codec.read(JobOptions, of_options(**change), "options")


def test_numbers_are_read_exactly():
    greatest = 2**53 - 1
    # IEEE 754-2019, table 3.5: binary64's greatest exponent is 1023, of 53 digits.
    largest = (2 - 2.0**-52) * 2.0**1023
    for goal_um in (largest, -largest):
        found = codec.read(JobOptions, of_options(goal_um=goal_um), "options")
        assert found.goal_um == goal_um
    found = codec.read(JobOptions, of_options(turns=greatest, goal_um=3), "options")
    assert (found.turns, found.goal_um, type(found.goal_um)) == (greatest, 3.0, float)


HEAD_TREE = codec.as_tree(HEAD)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"source": 3}, "head.source is not a text"),
        ({"virtual": 1}, "head.virtual is neither true nor false"),
        ({"conditions": {}}, "head.conditions is not a list"),
        ({"conditions": [["a"]]}, "head.conditions[0] has 1 parts instead of 2"),
        ({"conditions": [["a", "b"], ["a", 3]]}, "head.conditions[1][1] is not a text"),
    ],
)
def test_a_field_that_is_no_such_thing_is_told_by_its_place(change, said):
    with pytest.raises(CodingError) as told:
        codec.read(type(HEAD), HEAD_TREE | change, "head")
    assert str(told.value) == said


@pytest.mark.parametrize(
    ("check", "said"), [("dance", "entry.check is none of care, mechanics"), (None, "none of")]
)
def test_a_word_that_is_none_is_told_by_its_place(check, said):
    tree = codec.as_tree(entry())
    with pytest.raises(CodingError, match=said):
        codec.read(Entry, tree | {"check": check}, "entry")


@pytest.mark.parametrize(("track", "stands"), [(0, True), (999, True), (-1, False), (1000, False)])
def test_a_track_has_a_number_below_1000(track, stands):
    tree = codec.as_tree(replace(entry(), track=track))
    turns = np.zeros(3, np.float32)
    if stands:
        found = codec.entry_of(tree, "entry", turns, turns)
        assert (found.track, found.turns is turns, found.envelope_v is turns) == (track, True, True)
    else:
        with pytest.raises(CodingError, match=r"entry\.track is not the number of a track"):
            codec.entry_of(tree, "entry", turns, turns)


def test_two_arrays_are_of_one_length_or_both_missing():
    tree, three, two = codec.as_tree(entry()), np.zeros(3, np.float32), np.zeros(2, np.float32)
    assert codec.entry_of(tree, "entry", None, None).turns is None
    for arrays in ((three, two), (three, None), (None, three)):
        with pytest.raises(CodingError, match="not of one length"):
            codec.entry_of(tree, "entry", *arrays)


def test_a_long_name_is_shown_short():
    assert shown("x" * 60) == "x" * 60
    assert shown("x" * 61) == "x" * 59 + "…"
    assert shown("a\nb\x1b") == "a\ufffdb\ufffd"


@pytest.mark.parametrize("number", [0, -1, 3, 2**63, -(2**63) - 1, 2**70])
def test_a_job_that_is_not_there_is_told_whatever_its_number(tmp_path, number):
    with Book(tmp_path / "book.sqlite3") as book:
        filled(book, 1)
        for ask in (book.job, book.standing, book.left):
            with pytest.raises(RefusedError, match=f"has no job {number}$"):
                ask(number)


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        (OSError("odd"), "book “here”: odd; choose another place"),
        (OSError(28, "No space left"), "book “here”: No space left; choose another place"),
    ],
)
def test_a_fault_of_the_system_is_told_in_its_words(fault, said):
    with pytest.raises(BookError) as told, as_book_error("here"):
        raise fault
    assert str(told.value) == said


def summary(number=1, closed_at="", at="2026-01-01T10:00:00+00:00", **found):
    return JobSummary(number, at, closed_at, True, Summary(**found), Summary(), 0)


def test_a_record_is_summed_up():
    record = JobRecord(4, DRIVE, HEAD, closed_at=now(), nudges=3)
    empty = Summary()
    assert record.summary == JobSummary(4, HEAD.opened_at, now(), True, empty, empty, 3)


def test_a_job_is_of_the_virtual_drive_as_soon_as_anything_in_it_is():
    real = replace(HEAD, virtual=False)
    taken = tuple(replace(entry(number), virtual=number == 2) for number in (1, 2))
    assert JobRecord(4, DRIVE, real, taken).virtual
    assert JobRecord(4, DRIVE, HEAD).virtual
    assert not JobRecord(4, DRIVE, real, taken[:1]).virtual


def test_a_moment_without_an_offset_counts_as_utc():
    assert moment_of("2026-01-01T10:00:00").isoformat() == "2026-01-01T10:00:00+00:00"
    assert moment_of("2026-01-01T10:00:00+02:00").isoformat() == "2026-01-01T10:00:00+02:00"
    assert moment_of("nonsense") is None


def test_each_number_drifts_by_itself():
    year_s = 365.25 * 86_400.0
    past = [
        summary(
            at=f"{2020 + year}-01-01T00:00:00",
            offset_um=Value("", 1.0 * year, 0.1, "µm"),
            hysteresis_um=Value("", 2.0 * year, None, "µm"),
            speed_rpm=Value("", 300.0 - 3.0 * year, 0.1, "rpm"),
        )
        for year in range(4)
    ]
    found = drifts_of(past)
    assert [(each.name, each.unit) for each in found] == [
        ("offset", "µm"),
        ("hysteresis", "µm"),
        ("speed", "rpm"),
    ]
    rates = [each.finding.rate_per_year.value for each in found]
    assert rates == pytest.approx([1.0, 2.0, -3.0], rel=2e-3)
    for each in found:
        assert {value.name for value in each.values} == {each.name}
        assert {value.unit for value in each.values} == {each.unit}
        assert (each.at[-1] - each.at[0]).total_seconds() == pytest.approx(3 * year_s, rel=1e-3)
    assert found[1].values[0].u is None


def judged(stage, value, **parts):
    budget = tuple(Part(name.replace("_", " "), u) for name, u in parts.items())
    return Outcome(CheckName.RADIAL, stage, Verdict.PASS, value=value, budget=budget)


CARED = Outcome(CheckName.CARE, Stage.AS_FOUND, Verdict.NOTED)
CLIMATE = "temperature and humidity"


# u² = u₁² + u₂² - 2 r u₁ u₂ for what is correlated (JCGM 100, 5.2.2): r = 1 for the scale of the
# disk, and for a climate that was told once.
@pytest.mark.parametrize(
    ("cared", "alike"),
    [
        (1, 0.1 * 0.1 * 40.0 * 10.0 + 1.0),
        (0, 0.1 * 0.1 * 40.0 * 10.0 + 1.0),
        (2, 0.1 * 0.1 * 40.0 * 10.0),
    ],
)
def test_a_change_is_surer_than_its_two_ends(cared, alike):
    found, left = Value("", 40.0, 5.0, "µm"), Value("", 10.0, 3.0, "µm")
    outcomes = [
        *[CARED] * cared,
        replace(CARED, verdict=Verdict.SKIPPED),
        judged(Stage.AS_FOUND, 40.0, **{"scale of the disk": 4.0, CLIMATE: 1.0}),
        judged(Stage.AS_LEFT, 10.0, **{"scale of the disk": 0.5, CLIMATE: 2.0}),
    ]
    change = change_of(found, left, outcomes, CheckName.RADIAL)
    # The scale's part goes by the larger value, of which it is the better known.
    assert (change.value, change.unit) == (-30.0, "µm")
    assert change.u == pytest.approx(math.sqrt(25.0 + 9.0 - 2.0 * alike))


def test_a_change_needs_both_ends():
    one, bare = Value("", 40.0, 5.0, "µm"), Value("", 10.0, None, "µm")
    assert change_of(None, one, [], CheckName.RADIAL) is None
    assert change_of(one, None, [], CheckName.RADIAL) is None
    for pair in ((one, bare), (bare, one)):
        change = change_of(*pair, [], CheckName.RADIAL)
        assert (change.u, change.value) == (None, pair[1].value - pair[0].value)
    plain = change_of(one, one, [], CheckName.RADIAL)
    assert (plain.value, plain.u) == (0.0, pytest.approx(math.hypot(5.0, 5.0)))


def test_ends_that_are_alike_in_all_differ_surely():
    value = Value("", 40.0, 4.0, "µm")
    outcomes = [
        judged(stage, 40.0, **{"scale of the disk": 4.0, CLIMATE: 1.0})
        for stage in (Stage.AS_FOUND, Stage.AS_LEFT)
    ]
    assert change_of(value, value, outcomes, CheckName.RADIAL).u == 0.0


def test_a_job_is_written_by_a_thread_of_its_own(tmp_path):
    kept = JobWriter(DRIVE, HEAD, now, path=tmp_path / "book.sqlite3")
    threads = {thread.name: thread.daemon for thread in threading.enumerate()}
    assert threads["book"] is True
    assert kept.finish() == ""
    assert "book" not in {thread.name for thread in threading.enumerate()}


@pytest.mark.parametrize("end", ["", "-wal", "-shm", "-journal"])
def test_a_book_takes_up_its_own_name_and_those_that_sqlite_adds(tmp_path, end):
    path = tmp_path / "book.sqlite3"
    assert is_of_book(tmp_path / f"book.sqlite3{end}", path)
    assert not is_of_book(tmp_path / f"other.sqlite3{end}", path)
    path.with_name(path.name + end).touch()
    (tmp_path / "same").hardlink_to(path.with_name(path.name + end))
    assert is_of_book(tmp_path / "same", path)
    (tmp_path / "other").touch()
    assert not is_of_book(tmp_path / "other", path)


def test_a_book_s_name_may_be_so_long_that_sqlite_can_add_to_it(tmp_path):
    """Bytes of a name: {NAME_MAX} of POSIX.1-2024, limits.h; “-journal”: sqlite.org, tempfiles."""
    longest = tmp_path / ("b" * (os.pathconf(tmp_path, "PC_NAME_MAX") - len("-journal")))
    with Book(longest) as book:
        assert filled(book) == 1
        book.backup(longest.with_name("c" * len(longest.name)))
    longer = longest.with_name(longest.name + "b")
    with pytest.raises(BookError, match=f"book “{longer}”: File name too long; choose another"):
        Book(longer)
    assert not longer.exists()


def test_letters_stand_in_the_file_as_they_are(tmp_path):
    path = tmp_path / "book.sqlite3"
    head = replace(HEAD, profile_values=(("a", "1 µm", "b"),), conditions=(("room", "21 °C"),))
    with Book(path) as book:
        book.add_drive(DRIVE)
        book.open_job(DRIVE.identity, head)
        assert book.job(1).head == head
    with closing(sqlite3.connect(path)) as file:
        (row,) = file.execute("SELECT profile_values, conditions FROM jobs")
    assert row == ('[["a", "1 µm", "b"]]', '[["room", "21 °C"]]')


def test_a_book_that_another_makes_meanwhile_is_opened(tmp_path, monkeypatch):
    path = tmp_path / "book.sqlite3"
    make = os.open

    def late(name, flags, mode=0o777):
        os.close(make(name, flags, mode))
        return make(name, flags, mode)

    monkeypatch.setattr("app.book.store.os.open", late)
    with Book(path) as book:
        assert book.drives() == ()
    assert path.stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize("kind", [signal.SIGINT, signal.SIGTERM])
def test_an_end_that_is_asked_for_within_sqlite_is_no_fault_of_the_disk(
    tmp_path, monkeypatch, kind
):
    """Of a function of ours it tells only that it failed: sqlite.org/c3ref/result_blob.html."""
    path = tmp_path / "book.sqlite3"
    with Book(path) as book:
        filled(book)
    monkeypatch.setattr(ends, "_ending", None)
    monkeypatch.setattr("app.book.store.checksum", lambda *_: signal.raise_signal(kind))
    status = {signal.SIGINT: None, signal.SIGTERM: 128 + signal.SIGTERM}[kind]
    with ends.heard(ends.end), Book(path) as book:
        for act in (lambda: book.job(1), lambda: book.keep(1, entry(7))):
            with pytest.raises((KeyboardInterrupt, SystemExit)) as left:
                act()
            assert getattr(left.value, "code", None) == status
    monkeypatch.undo()
    with Book(path) as book:
        assert len(book.job(1).entries) == 3


def test_a_link_that_leads_nowhere_is_not_followed(tmp_path):
    path = tmp_path / "book.sqlite3"
    path.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(BookError, match="choose another place"):
        Book(path)
    assert not (tmp_path / "elsewhere").exists()
