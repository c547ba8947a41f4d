"""What is kept comes back as it was, stands, and says plainly when it cannot be kept."""

import os
import sqlite3
import threading
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from app.book import codec, store
from app.book.exchange import export_json, import_json
from app.book.model import BookError, Drive, ResumableJob, as_book_error
from app.book.schema import KEEP_OUTCOME
from app.book.store import Book, _made
from app.book.writer import JobWriter, head_for
from app.job.model import INSERTED, CheckName, Entry, Stage
from app.job.plan import StepState
from app.profiles import load_profile
from tests.app.book.jobs import (
    DRIVE,
    HEAD,
    alike,
    entry,
    filled,
    no_file_longer_than,
    now,
    outcome,
    standing,
)

HOSTILE = [
    "<script>alert(1)</script>",
    "'; DROP TABLE drives; --",
    "“quotes” \"and\" 'more'",
    "\u202eright to left \u05d0\u05d1\u05d2",
    "line\nline\ttab",
    "x" * 10_000,
    "%_*?[",
]


@pytest.fixture
def book(tmp_path):
    with Book(tmp_path / "deep" / "book.sqlite3") as made:
        yield made


def test_a_job_comes_back_as_it_was_kept(book, tmp_path):
    number = filled(book)
    book.close_job(number, "2026-03-02T11:00:00+01:00", 3, "lacquer is out")
    with Book(book.path) as again:
        record = again.job(number)
    assert record.drive == DRIVE
    assert record.head == HEAD
    assert len(record.entries) == 3
    assert alike(record, book.job(number))
    assert record.entries[1].values == entry(1).values
    assert (record.entries[2].envelope_v == entry(2).envelope_v).all()
    assert record.as_found.offset_um.value == 40.0
    assert record.as_left.offset_um.value == 2.0
    assert (record.closing_reason, record.nudges) == ("lacquer is out", 3)


@pytest.mark.parametrize("text", HOSTILE)
def test_any_text_is_kept_to_the_letter(book, text):
    book.add_drive(Drive(text, "130mm-48tpi", text, "now"))
    number = book.open_job(text, replace(HEAD, conditions=((text, text),)))
    book.keep(number, entry(notes=(text,)))
    book.keep(number, outcome(reason=text))
    record = book.job(number)
    assert record.drive.identity == record.drive.note == text
    assert record.head.conditions == ((text, text),)
    assert record.entries[0].notes == (text,)
    assert record.outcomes[0].reason == text
    assert [each.drive.identity for each in book.drives(text[:20])] == [text]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("a\0b", "none that can be kept"),
        ("\ud800", "none"),
        (chr(0xDFFF), "none"),
        ("x" * 100_001, "shorten"),
    ],
)
def test_a_text_that_cannot_be_kept_is_refused(book, text, said):
    with pytest.raises(BookError, match=said):
        book.add_drive(Drive("TM-1", "130mm-48tpi", text))
    assert book.drives() == ()
    book.add_drive(DRIVE)
    for head, uid in ((replace(HEAD, conditions=(("room", text),)), "one"), (HEAD, text)):
        with pytest.raises(BookError, match=said):
            book.open_job(DRIVE.identity, head, uid)
    assert book.history(DRIVE.identity) == ()


def test_the_longest_text_and_the_signs_beside_those_that_cannot_be_kept_are_kept(book):
    note = "\ud7ff\ue000".ljust(100_000, "x")
    book.add_drive(Drive("TM-1", "130mm-48tpi", note))
    assert [each.drive.note for each in book.drives()] == [note]


def test_search_takes_no_notice_of_case_in_any_alphabet(book):
    for identity, note in (("TM-7", "Straße, grün"), ("TM-8", "ÅRE, northern line"), ("TM-9", "")):
        book.add_drive(Drive(identity, "90mm-135tpi", note))
    assert [each.drive.identity for each in book.drives("GRÜN")] == ["TM-7"]
    assert [each.drive.identity for each in book.drives("strasse")] == ["TM-7"]
    assert [each.drive.identity for each in book.drives("åre")] == ["TM-8"]
    assert [each.drive.identity for each in book.drives("tm-")] == ["TM-7", "TM-8", "TM-9"]
    assert len(book.drives("90MM")) == 3


def test_what_was_kept_cannot_be_changed(book):
    number = filled(book)
    book.close_job(number, "later", 1)
    for statement in (
        "UPDATE takings SET body = ''",
        "DELETE FROM takings",
        "UPDATE outcomes SET body = ''",
        "DELETE FROM outcomes",
        "UPDATE jobs SET closed_at = ''",
        "DELETE FROM jobs",
    ):
        with pytest.raises(sqlite3.IntegrityError):
            book._db.execute(statement)
    with pytest.raises(BookError, match="stands"):
        book.close_job(number, "again", 2)
    # A check that is done again after closing would change the drive as left.
    with pytest.raises(BookError, match="stands"):
        book.keep(number, outcome(0.0, Stage.AS_LEFT))
    with pytest.raises(BookError, match="stands"):
        book.keep(number, entry(9))
    assert len(book.job(number).entries) == 3
    assert len(book.job(number).outcomes) == 2


def test_as_found_is_the_first_job_s_and_a_clock_that_jumped_back_changes_no_order(book):
    first = filled(book)
    second = book.open_job(DRIVE.identity, replace(HEAD, opened_at="1999-01-01T00:00:00+00:00"))
    book.keep(second, outcome(9.0, check=CheckName.SPEED))
    past = book.history(DRIVE.identity)
    assert [each.number for each in past] == [first, second]
    assert past[0].as_found.offset_um.value == 40.0
    assert past[1].as_found.speed_rpm.value == 9.0
    assert past[1].as_found.offset_um is None
    (shelved,) = book.drives()
    assert (shelved.jobs, shelved.last.number) == (2, second)


def test_a_drive_is_added_once_and_changed_by_name(book):
    book.add_drive(DRIVE)
    with pytest.raises(BookError, match="already"):
        book.add_drive(DRIVE)
    with pytest.raises(BookError, match="identity"):
        book.add_drive(Drive("  ", "130mm-48tpi"))
    book.change_drive(DRIVE.identity, note="hall 3")
    assert book.drive(DRIVE.identity) == replace(DRIVE, note="hall 3")
    with pytest.raises(BookError, match="not in the book"):
        book.change_drive("TM-0", note="")
    with pytest.raises(BookError, match="not in the book"):
        book.open_job("TM-0", HEAD)
    with pytest.raises(BookError, match="no job 7"):
        book.job(7)
    with pytest.raises(BookError, match="no job"):
        book.job(2**70)


@pytest.mark.parametrize(
    "wrong",
    [
        {"value": float("nan")},
        {"value": np.float32(1)},
        {"unit": "\ud800"},
        {"reason": "x" * 100_001},
    ],
)
def test_an_outcome_that_cannot_be_kept_is_refused(book, wrong):
    number = filled(book)
    with pytest.raises(BookError, match=r"kept|shorten"):
        book.keep(number, replace(outcome(), **wrong))
    assert len(book.job(number).outcomes) == 2


def test_every_book_that_is_written_to_waits_for_the_disk(tmp_path, monkeypatch):
    """What has been said to be kept outlives a loss of power in WAL mode only at FULL.

    https://sqlite.org/pragma.html#pragma_synchronous; FULL is 2.
    """
    found = []
    close = Book.close

    def looked_at(book):
        with suppress(sqlite3.ProgrammingError):
            found.append(
                tuple(
                    book._db.execute(f"PRAGMA {name}").fetchone()[0]
                    for name in ("journal_mode", "synchronous")
                )
            )
        close(book)

    monkeypatch.setattr(Book, "close", looked_at)
    path, out = tmp_path / "book.sqlite3", tmp_path / "all.json"
    with Book(path) as made:
        filled(made)
        made.backup(tmp_path / "copy.sqlite3")
        export_json(made, out)
    with Book(tmp_path / "copy.sqlite3") as copy, Book(tmp_path / "other.sqlite3") as other:
        copy.keep(1, entry())
        import_json(other, out)
    writer = JobWriter(DRIVE, HEAD, now, path=path)
    writer.keep(entry())
    writer.finish()
    # The first two books, their copy before it had its name and twice after, the last book.
    assert found == [("wal", 2)] * 6


def test_two_windows_on_one_book(book):
    number = filled(book)
    with Book(book.path) as other:
        other.keep(number, entry(9))
        book.keep(number, entry(10))
        assert len(other.job(number).entries) == 5


def test_a_book_that_another_holds_says_so_and_loses_nothing(book, monkeypatch):
    number = filled(book)
    monkeypatch.setattr("app.book.store._BUSY_S", 0.05)
    with Book(book.path) as other:
        book._db.execute("BEGIN IMMEDIATE")
        with pytest.raises(BookError, match="another window"):
            other.keep(number, entry(9))
        book._db.execute("COMMIT")
        other.keep(number, entry(9))
        assert len(other.job(number).entries) == 4


def test_a_full_disk_says_so_and_what_was_kept_stands(book):
    number = filled(book)
    (pages,) = book._db.execute("PRAGMA page_count").fetchone()
    book._db.execute(f"PRAGMA max_page_count = {pages}")

    def fill():
        for each in range(100):
            book.keep(number, entry(each))

    with pytest.raises(BookError, match="full"):
        fill()
    book.check()
    with Book(book.path) as again:
        assert len(again.job(number).entries) >= 3


def test_a_file_is_made_by_one_alone_and_not_where_a_link_leads(tmp_path):
    path = tmp_path / "book.sqlite3"
    assert [_made(path), _made(path)] == [True, False]
    assert path.stat().st_mode & 0o777 == 0o600
    (tmp_path / "link").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(FileExistsError):
        _made(tmp_path / "link")
    assert not (tmp_path / "elsewhere").exists()


@pytest.mark.parametrize("mask", [0o777, 0o700, 0o277])
def test_a_book_can_be_opened_again_whatever_mask_its_maker_has(tmp_path, mask):
    path = tmp_path / "book.sqlite3"
    before = os.umask(mask)
    try:
        with Book(path) as book:
            number = filled(book)
        rights = {each.name: each.stat().st_mode & 0o777 for each in tmp_path.iterdir()}
    finally:
        os.umask(before)
    assert set(rights.values()) == {0o600}, rights
    with Book(path) as book:
        assert book.job(number).entries


@pytest.mark.parametrize("writable", [True, False])
def test_a_book_that_is_only_read_is_seen_as_it_is_and_stays_so(book, monkeypatch, writable):
    """Where it may be written to, what another writes meanwhile is seen as well."""
    monkeypatch.setattr(store, "_is_writable", lambda path: writable)
    number = filled(book)
    with Book(book.path, to_read=True) as reader:
        assert alike(reader.job(number), book.job(number))
        book.add_drive(Drive("TM-77", "90mm-135tpi"))
        assert len(reader.drives()) == (2 if writable else 1)
        if not writable:
            with suppress(BookError):
                reader.add_drive(Drive("TM-78", "90mm-135tpi"))
    assert len(book.drives()) == 2


def test_a_book_that_cannot_be_begun_leaves_no_file_and_no_folder(tmp_path):
    with no_file_longer_than(0), pytest.raises(BookError, match="check the disk"):
        Book(tmp_path / "new" / "folder" / "book.sqlite3")
    assert list(tmp_path.iterdir()) == []
    # What was there before stays, empty or not.
    (tmp_path / "book.sqlite3").touch()
    with no_file_longer_than(0), pytest.raises(BookError, match="check the disk"):
        Book(tmp_path / "book.sqlite3")
    assert [path.name for path in tmp_path.iterdir()] == ["book.sqlite3"]


@pytest.mark.parametrize(
    ("content", "said"),
    [(b"not a book" * 100, "not a job book"), (b"RIFF" + bytes(200), "not a job book")],
)
def test_a_file_that_is_no_book_is_left_alone(tmp_path, content, said):
    path = tmp_path / "notes.txt"
    path.write_bytes(content)
    with pytest.raises(BookError, match=said):
        Book(path)
    assert path.read_bytes() == content


def test_an_open_job_comes_back_as_it_was_left(book):
    number = filled(book)
    book.keep(number, standing())
    book.keep(number, standing(tightened=1))
    with Book(book.path) as again:
        left = again.left(number)
        assert left.standing == standing(tightened=1)
        assert (left.drive, left.head) == (DRIVE, HEAD)
        assert left.outcomes == again.job(number).outcomes
        assert again.history(DRIVE.identity)[0].nudges == 1


def test_an_outcome_is_kept_with_what_follows_from_it_or_not_at_all(book):
    """A job that was killed between the two would do the check again."""
    number = filled(book)
    book.keep(number, standing())
    book._db.execute(
        "CREATE TEMP TRIGGER broken BEFORE UPDATE OF standing ON jobs "
        "BEGIN SELECT RAISE(ABORT, 'broken'); END"
    )
    with pytest.raises(BookError):
        book.keep(number, outcome(1.0, Stage.WORK, CheckName.ADJUST), standing(tightened=1))
    book._db.execute("DROP TRIGGER broken")
    left = book.left(number)
    assert (left.standing, len(left.outcomes)) == (standing(), 2)


def test_a_job_is_read_as_it_stands_at_one_moment(book, monkeypatch):
    number = filled(book)
    book.keep(number, standing())
    steps = standing().steps
    newer = replace(steps[1], state=StepState.DONE, outcome=2)
    read = Book.standing

    def written_between(self, asked):
        # Another thread ends a check just here.
        with Book(book.path) as other:
            other.keep(number, outcome(1.0, Stage.WORK, CheckName.ADJUST))
            other.keep(number, replace(standing(), steps=(steps[0], newer)))
        return read(self, asked)

    with Book(book.path) as reader:
        monkeypatch.setattr(Book, "standing", written_between)
        left = reader.left(number)
        assert (left.standing, len(left.outcomes)) == (standing(), 2)
        monkeypatch.undo()
        later = reader.left(number)
    assert (later.standing.steps[1], len(later.outcomes)) == (newer, 3)


def test_a_job_that_cannot_be_gone_on_with_says_why(book):
    number = filled(book)
    with pytest.raises(
        BookError, match=r"broken off as it began, or an older Evenlobe.*begin a new one"
    ):
        book.left(number)
    book.keep(number, replace(standing(), steps=()))
    with pytest.raises(BookError, match=r"damaged \(job 1: it has no steps\)"):
        book.left(number)
    book.keep(number, standing())
    book.close_job(number, "2026-03-02T11:00:00+01:00", 1)
    with pytest.raises(BookError, match="is closed; begin a new one"):
        book.left(number)
    with pytest.raises(BookError, match="what was kept stands"):
        book.keep(number, standing())
    with pytest.raises(BookError, match="no job 9"):
        book.left(9)


def test_a_job_is_gone_on_with_on_a_drive_and_by_limits_alike(book):
    profile = load_profile("130mm-48tpi")
    head = head_for("sim:", True, profile, "0.1.0", HEAD.opened_at)
    left = ResumableJob(3, DRIVE, head, standing(), ())
    left.check_fits(profile, True)
    # A version that did not know a key yet has no row of it.
    older = tuple(row for row in head.profile_values if row[0] != "radial.tracks")
    replace(left, head=replace(head, profile_values=older)).check_fits(profile, True)
    with pytest.raises(BookError, match=r"job 3 was begun on the virtual drive, .* a real one"):
        left.check_fits(profile, False)
    with pytest.raises(BookError, match=r"was begun on a real one, .* the virtual drive"):
        replace(left, head=replace(head, virtual=False)).check_fits(profile, True)
    with pytest.raises(BookError, match="others now"):
        left.check_fits(load_profile("90mm-135tpi"), True)
    changed = tuple(row for row in head.profile_values if row[0] != "limits.set")
    with pytest.raises(BookError, match="others now"):
        replace(left, head=replace(head, profile_values=changed)).check_fits(profile, True)


def test_a_record_that_is_damaged_is_told_by_its_place(book):
    number = filled(book)
    body = codec.as_text(outcome()).replace('"fail"', '"fine"')
    book._db.execute(KEEP_OUTCOME, (number, body))
    with pytest.raises(BookError, match=rf"damaged \(job {number}: outcome.verdict .*backup"):
        book.job(number)


def test_a_damaged_book_says_so(book):
    number = filled(book, 40)
    book.close()
    data = bytearray(book.path.read_bytes())
    for place in range(4096, len(data), 64):
        data[place : place + 8] = b"\xff" * 8
    book.path.write_bytes(data)

    def look():
        with Book(book.path) as again:
            again.check()
            again.job(number)

    with pytest.raises(BookError, match=r"damaged|backup"):
        look()


@pytest.mark.parametrize("number", range(5))
def test_a_book_whose_tables_are_damaged_says_so(book, number):
    """SQLite quotes what it cannot read, and that need not be text."""
    filled(book)
    book.close()
    data = bytearray(book.path.read_bytes())
    rng = np.random.default_rng(number)
    for place in rng.integers(100, 4096, 20):
        data[place] = rng.integers(256)
    book.path.write_bytes(data)

    def look():
        with Book(book.path) as again:
            again.check()

    with pytest.raises(BookError, match=r"damaged|backup"):
        look()


def test_a_folder_that_is_a_file_is_told(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(BookError, match="another place"):
        Book(tmp_path / "file" / "book.sqlite3")


def test_a_backup_of_a_book_in_use_is_whole(book, tmp_path):
    number = filled(book)
    copy = tmp_path / "copy.sqlite3"
    book.backup(copy)
    with Book(copy) as other:
        other.check()
        assert alike(other.job(number), book.job(number))
    with pytest.raises(BookError, match="copy"):
        book.backup(tmp_path / "nowhere" / "copy.sqlite3")


def test_as_found_the_first_stands_and_as_left_the_newest(book):
    number = filled(book)
    book.keep(number, outcome(1.0))
    book.keep(number, outcome(3.0, Stage.AS_LEFT))
    (past,) = book.history(DRIVE.identity)
    assert past.as_found.offset_um.value == 40.0
    assert past.as_left.offset_um.value == 3.0


def test_no_open_job_is_orphaned_when_another_begins_and_ends(book):
    first = filled(book)
    second = book.open_job(DRIVE.identity, HEAD)
    assert book.drives()[0].open_job == second
    book.close_job(second, now(), 0)
    assert book.drives()[0].open_job == first
    book.close_job(first, now(), 0)
    assert book.drives()[0].open_job is None


def test_a_job_is_described_until_it_is_closed_and_nothing_measured_changes(book):
    number = filled(book)
    before = book.job(number)
    book.describe_job(number, {"technician": "A. Example", "customer": "TM"})
    book.describe_job(number, {"customer": "", "probes": "x10"})
    now_said = book.job(number)
    assert now_said.head.conditions == (
        *HEAD.conditions,
        ("technician", "A. Example"),
        ("probes", "x10"),
    )
    assert alike(replace(now_said, head=before.head), before)
    with pytest.raises(BookError, match="“colour” describes no job"):
        book.describe_job(number, {"colour": "red"})
    book.close_job(number, now(), 0)
    with pytest.raises(BookError, match="stands and cannot be changed"):
        book.describe_job(number, {"technician": "B. Other"})


def test_each_time_that_the_alignment_disk_is_put_in_counts(book):
    put_in = Entry(
        CheckName.CARE, Stage.AS_FOUND, INSERTED, now(), notes=(f'"label": "{INSERTED}"',)
    )
    first = filled(book)
    real = replace(HEAD, virtual=False)
    with_disk = replace(real, conditions=(("alignment disk", "NK 12"),))
    of = entry(), put_in, put_in
    numbers = [book.open_job(DRIVE.identity, head) for head in (real, with_disk, with_disk)]
    book.keep(first, put_in)
    for number in numbers:
        book.keep(number, *(replace(each, virtual=False) for each in of))
    assert [each.insertions for each in book.history(DRIVE.identity)] == [1, 2, 2, 2]
    assert book.job(numbers[0]).insertions == 2
    # The virtual drive wears no disk, and a word of the user is no insertion.
    assert book.insertions() == {"": 2, "NK 12": 4}


@pytest.mark.parametrize("name", ["file:other.db", ":memory:", "file:other.db?mode=memory"])
def test_a_name_is_no_address_of_sqlite_s(tmp_path, monkeypatch, name):
    """SQLite takes such names for something else (https://sqlite.org/uri.html, 3)."""
    monkeypatch.chdir(tmp_path)
    with Book(Path(name)) as book:
        number = filled(book)
    assert [each.name for each in tmp_path.iterdir()] == [name]
    with Book(Path(name)) as book:
        assert book.numbers() == (number,)
        book.backup(Path("file:copy"))
    with Book(tmp_path / "file:copy") as copy:
        assert copy.numbers() == (number,)


def test_a_book_with_a_second_name_is_not_opened_under_either(book, tmp_path):
    filled(book)
    book.close()
    (tmp_path / "second").hardlink_to(book.path)
    for path in (book.path, tmp_path / "second"):
        with pytest.raises(BookError, match="a second name"):
            Book(path)
    (tmp_path / "second").unlink()
    with Book(book.path) as again:
        again.check()


def test_what_is_no_file_is_no_book(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(BookError, match="it is no file"):
        Book(tmp_path / "pipe")


def test_no_room_for_what_programs_share_is_a_full_disk():
    fault = sqlite3.OperationalError("disk I/O error")
    fault.sqlite_errorname = "SQLITE_IOERR_SHMSIZE"
    with pytest.raises(BookError, match="the disk is full"), as_book_error("book"):
        raise fault


def test_jobs_that_begin_at_one_instant_are_each_kept_under_a_number_of_their_own(book):
    """Two windows and a terminal, by one clock; what each measures stays with it."""
    book.add_drive(DRIVE)
    together = threading.Barrier(6)

    def begin(which):
        with Book(book.path) as own:
            together.wait()
            number = own.open_job(DRIVE.identity, HEAD)
            own.keep(number, entry(which))
            (kept,) = own.job(number).entries
            return number, kept.values[0].value

    with ThreadPoolExecutor(6) as pool:
        found = dict(pool.map(begin, range(1, 7)))
    assert sorted(found) == [1, 2, 3, 4, 5, 6]
    assert sorted(found.values()) == [40.0 + which / 3 for which in range(1, 7)]
    assert len({book.uid(number) for number in found}) == 6
