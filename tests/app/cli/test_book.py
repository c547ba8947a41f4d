"""The commands of the book: what they write where, and what they refuse to write over."""

import errno
import json
import os
import shutil
import sqlite3
import stat
from contextlib import closing

import pytest

from app.book import store
from app.book.store import Book
from app.cli.main import BAD_INPUT, OK, run
from tests.app.bench import SIM
from tests.app.book.jobs import DRIVE, HEAD, alike, entry, filled, no_file_longer_than


@pytest.fixture
def book(tmp_path):
    """Return a book with one job."""
    path = tmp_path / "book.sqlite3"
    with Book(path) as made:
        filled(made)
    return path


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def left_by_a_kill(path):
    """Make a book as a killed program leaves it: the newest job is in the file beside it alone."""
    aside = path.with_name("aside")
    with Book(aside) as made:
        made._db.execute("PRAGMA wal_autocheckpoint = 0")
        filled(made, 1)
        for end in ("", "-wal", "-shm"):
            shutil.copy(f"{aside}{end}", f"{path}{end}")
    aside.unlink()
    assert path.with_name(path.name + "-wal").stat().st_size > 0


def test_a_backup_holds_what_the_book_holds(book, tmp_path, capsys):
    out = tmp_path / "copy.sqlite3"
    assert run(["backup", str(out), "--book", str(book)]) == OK
    assert capsys.readouterr().out == f"{out}: the copy is whole\n"
    with Book(out) as copy, Book(book) as kept:
        assert alike(copy.job(1), kept.job(1))
    assert names(tmp_path) == ["book.sqlite3", "copy.sqlite3"]


def test_a_backup_over_what_a_killed_program_left_takes_nothing_up_from_it(book, tmp_path):
    """SQLite reads a write-ahead log by its name alone (https://sqlite.org/wal.html, 2.1)."""
    with Book(book) as kept:
        newest = kept.open_job(DRIVE.identity, HEAD)
    out = tmp_path / "old.sqlite3"
    left_by_a_kill(out)
    assert run(["backup", str(out), "--book", str(book)]) == BAD_INPUT
    assert run(["backup", str(out), "--book", str(book), "--overwrite"]) == OK
    with Book(out) as copy, Book(book) as kept:
        assert copy.numbers() == kept.numbers() == (1, newest)
        assert alike(copy.job(1), kept.job(1))


@pytest.mark.parametrize("end", ["-wal", "-shm", "-journal"])
def test_what_was_left_beside_a_name_is_not_taken_up(book, tmp_path, capsys, end):
    out = tmp_path / "new.sqlite3"
    left = tmp_path / f"new.sqlite3{end}"
    left.write_bytes(b"of another book")
    assert run(["backup", str(out), "--book", str(book)]) == BAD_INPUT
    assert f"“{left}” is there already" in capsys.readouterr().err
    assert left.read_bytes() == b"of another book"
    assert run(["backup", str(out), "--book", str(book), "--overwrite"]) == OK
    assert names(tmp_path) == ["book.sqlite3", "new.sqlite3"]


def test_a_damaged_book_is_replaced_by_its_backup(book, tmp_path):
    out = tmp_path / "damaged.sqlite3"
    out.write_bytes(b"\xff" * 9000)
    (tmp_path / "damaged.sqlite3-wal").write_bytes(b"\xff" * 900)
    assert run(["backup", str(out), "--book", str(book), "--overwrite"]) == OK
    with Book(out) as copy:
        assert copy.numbers() == (1,)


def test_a_backup_does_not_replace_a_book_in_use(book, tmp_path, capsys, monkeypatch):
    monkeypatch.setattr("app.book.store._BUSY_S", 0.05)
    out = tmp_path / "other.sqlite3"
    with Book(out) as other:
        number = filled(other, 1)
        assert run(["backup", str(out), "--book", str(book), "--overwrite"]) == BAD_INPUT
        assert "another window or program" in capsys.readouterr().err
        other.close_job(number, "later", 0)
    with Book(out) as again:
        assert again.job(number).closed_at == "later"


def test_a_backup_touches_no_other_file(book, tmp_path):
    """Whatever a name is built from can be there already, or lead elsewhere."""
    others = [tmp_path / f"copy.sqlite3{end}" for end in (".part", ".tmp", "~")]
    target = tmp_path / "notes.txt"
    target.write_text("mine")
    for each in others:
        each.symlink_to(target)
    assert run(["backup", str(tmp_path / "copy.sqlite3"), "--book", str(book)]) == OK
    assert target.read_text() == "mine"
    assert all(each.is_symlink() for each in others)


def test_a_disk_that_gets_full_leaves_no_part_of_a_backup(book, tmp_path, capsys):
    with Book(book) as kept:
        for number in range(60):
            kept.keep(1, entry(number))
    out = tmp_path / "copy.sqlite3"
    out.write_text("before")
    with no_file_longer_than(2**17):
        assert run(["backup", str(out), "--book", str(book), "--overwrite"]) == BAD_INPUT
    assert "go on with a backup" in capsys.readouterr().err
    assert out.read_text() == "before"
    assert names(tmp_path) == ["book.sqlite3", "copy.sqlite3"]


def own_names(book):
    """Return names of the book and of what SQLite keeps beside it, with links to both."""
    beside = book.with_name(book.name + "-wal")
    link, hard, deep = (book.with_name(name) for name in ("link.html", "hard.html", "deep.html"))
    link.symlink_to(book)
    hard.hardlink_to(book)
    deep.symlink_to(beside)
    journal = book.with_name(book.name + "-journal")
    return [book, beside, book.with_name(book.name + "-shm"), journal, link, hard, deep]


@pytest.mark.parametrize("command", ["backup", "export", "report"])
def test_nothing_is_written_onto_the_book_itself(tmp_path, capsys, command):
    book, named = tmp_path / "book.html", tmp_path / "other name"
    with Book(book) as kept:
        filled(kept)
    named.symlink_to(book)
    before = book.read_bytes()
    for out in own_names(book):
        if command == "report" and out.suffix != ".html":
            # A report's name has to end so; the link leads to what it is named after.
            link = out.with_name(out.name + ".html")
            link.symlink_to(out)
            out = link
        words = {
            "backup": ["backup", str(out)],
            "export": ["export", "--out", str(out)],
            "report": ["report", "--drive", DRIVE.identity, "--out", str(out)],
        }[command]
        for name in (book, named):
            assert run([*words, "--book", str(name), "--overwrite"]) == BAD_INPUT
            assert "is the book itself; choose another name" in capsys.readouterr().err
            assert book.read_bytes() == before
            assert not book.with_name(book.name + "-wal").exists()


def test_a_backup_does_not_take_the_book_for_what_was_left_beside_its_target(tmp_path, capsys):
    book = tmp_path / "jobs-wal"
    with Book(book) as kept:
        filled(kept)
    out = tmp_path / "jobs"
    assert run(["backup", str(out), "--book", str(book), "--overwrite"]) == BAD_INPUT
    assert f"“{book}” is the book itself" in capsys.readouterr().err
    with Book(book) as kept:
        assert kept.numbers() == (1,)


def test_a_job_s_report_is_not_written_onto_the_book(tmp_path, capsys):
    book = tmp_path / "book.html"
    with Book(book) as kept:
        filled(kept)
    words = ["job", "sim:", "--drive", DRIVE.identity, "--book", str(book), "--overwrite"]
    assert run([*words, "--report", str(book)]) == BAD_INPUT
    assert "this is the book itself; choose another name" in capsys.readouterr().err
    with Book(book) as kept:
        assert kept.numbers() == (1,)


@pytest.mark.parametrize("name", ["drives.csv", "jobs.csv", "outcomes.csv", "values.csv"])
def test_tables_overwrite_none_unasked(book, tmp_path, capsys, name):
    folder = tmp_path / "tables"
    folder.mkdir()
    (folder / name).write_text("mine")
    words = ["export", "--format", "csv", "--out", str(folder), "--book", str(book)]
    assert run(words) == BAD_INPUT
    assert f"“{folder / name}” is there already" in capsys.readouterr().err
    assert names(folder) == [name]
    assert (folder / name).read_text() == "mine"
    assert run([*words, "--overwrite"]) == OK
    assert names(folder) == ["drives.csv", "jobs.csv", "outcomes.csv", "values.csv"]
    assert (folder / name).read_text() != "mine"


def test_tables_are_not_written_onto_the_book(tmp_path):
    book = tmp_path / "values.csv"
    with Book(book) as kept:
        filled(kept)
    words = ["export", "--format", "csv", "--out", str(tmp_path), "--book", str(book)]
    assert run([*words, "--overwrite"]) == BAD_INPUT
    with Book(book) as kept:
        assert kept.numbers() == (1,)


def test_a_disk_that_is_full_leaves_no_part_of_an_export_nor_its_folder(book, tmp_path, capsys):
    for words, out in (
        (["export"], tmp_path / "new" / "folder" / "book.json"),
        (["export", "--format", "csv"], tmp_path / "new" / "tables"),
    ):
        # Enough for what SQLite keeps beside an open book, and for the first of the tables.
        with Book(book), no_file_longer_than(300):
            assert run([*words, "--out", str(out), "--book", str(book)]) == BAD_INPUT
        assert "it cannot be written: File too large" in capsys.readouterr().err
        assert names(tmp_path) == ["book.sqlite3"]


def test_a_backup_is_restored_and_the_book_is_kept_beside_it(book, tmp_path, capsys):
    copy = tmp_path / "copy.sqlite3"
    assert run(["backup", str(copy), "--book", str(book)]) == OK
    with Book(book) as kept:
        newest = kept.open_job(DRIVE.identity, HEAD)
    words = ["restore", str(copy), "--book", str(book)]
    assert run(words) == BAD_INPUT
    assert "add --overwrite" in capsys.readouterr().err
    assert run([*words, "--overwrite"]) == OK
    assert f"{book}: restored from {copy}" in capsys.readouterr().out
    with Book(book) as restored, Book(tmp_path / "book.sqlite3.replaced-1") as before:
        assert restored.numbers() == (1,)
        assert before.numbers() == (1, newest)
    book.unlink()
    assert run(words) == OK
    with Book(book) as restored:
        assert restored.numbers() == (1,)


def test_an_ending_is_as_long_as_the_file_system_takes_it(book, tmp_path, capsys):
    """Bytes of a name: {NAME_MAX} of POSIX.1-2024, limits.h."""
    out = tmp_path / ("of." + "x" * (os.pathconf(tmp_path, "PC_NAME_MAX") - len("of.")))
    assert run(["export", "--out", str(out), "--book", str(book)]) == OK
    assert names(tmp_path) == ["book.sqlite3", out.name]


def test_a_name_that_is_too_long_for_a_restored_book_is_named(book, tmp_path, capsys):
    long = tmp_path / ("b" * 300)
    assert run(["restore", str(book), "--book", str(long)]) == BAD_INPUT
    said = capsys.readouterr().err
    assert said == f"evenlobe: book “{long}”: File name too long; choose another place\n"
    assert run(["export", "--out", str(long), "--book", str(book)]) == BAD_INPUT
    said = capsys.readouterr().err
    assert said == f"evenlobe: “{long}”: File name too long; choose another name\n"


def test_a_book_that_is_damaged_is_kept_beside_with_its_log(book, tmp_path, capsys):
    """What was written last is in the log alone; the file may be of use to somebody yet."""
    copy = tmp_path / "copy.sqlite3"
    assert run(["backup", str(copy), "--book", str(book)]) == OK
    with Book(book) as kept:
        kept.change_drive(DRIVE.identity, note="newest")
        log = book.with_name(book.name + "-wal").read_bytes()
        spoilt = b"no head".ljust(100) + book.read_bytes()[100:]
    book.write_bytes(spoilt)
    book.with_name(book.name + "-wal").write_bytes(log)
    assert run(["restore", str(copy), "--book", str(book), "--overwrite"]) == OK
    kept = tmp_path.glob("book.sqlite3.replaced-1*")
    assert any(b"newest" in each.read_bytes() for each in kept)
    with Book(book) as restored:
        assert restored.numbers() == (1,)


@pytest.mark.parametrize("at", ["copyfile", "replace"])
def test_a_restore_that_fails_leaves_the_book_where_it_was(book, tmp_path, monkeypatch, capsys, at):
    copy = tmp_path / "copy.sqlite3"
    assert run(["backup", str(copy), "--book", str(book)]) == OK
    before = book.read_bytes()
    there = []

    def full(*names):
        if at == "copyfile" or names[1] == book:
            there.append(book.read_bytes() == before)
            raise OSError(errno.ENOSPC, "No space left on device")
        return replace(*names)

    replace = os.replace
    module = shutil if at == "copyfile" else os
    monkeypatch.setattr(module, at, full)
    assert run(["restore", str(copy), "--book", str(book), "--overwrite"]) == BAD_INPUT
    assert "No space left on device" in capsys.readouterr().err
    assert there == [True]
    assert book.read_bytes() == before
    aside = [] if at == "copyfile" else ["book.sqlite3.replaced-1"]
    assert names(tmp_path) == ["book.sqlite3", *aside, "copy.sqlite3"]


def test_what_is_no_whole_backup_replaces_nothing(book, tmp_path, capsys):
    copy = tmp_path / "copy.sqlite3"
    assert run(["backup", str(copy), "--book", str(book)]) == OK
    with closing(sqlite3.connect(copy)) as db, db:
        db.execute("DROP TRIGGER takings_stand")
        db.execute("UPDATE takings SET body = '{}'")
    before = book.read_bytes()
    for file in (copy, tmp_path / "none", book):
        assert run(["restore", str(file), "--book", str(book), "--overwrite"]) == BAD_INPUT
        capsys.readouterr()
    assert book.read_bytes() == before


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="the system has no such pipes")
@pytest.mark.parametrize(
    "command",
    [
        ["backup", "PIPE"],
        ["export", "--out", "PIPE"],
        ["report", "--drive", DRIVE.identity, "--out", "PIPE"],
        ["restore", "BOOK", "--book", "PIPE"],
        ["record", SIM, "PIPE", "--seconds", "0.1"],
    ],
)
def test_a_device_or_pipe_is_not_replaced(book, tmp_path, capsys, command):
    pipe = tmp_path / {"report": "pipe.html", "record": "pipe.wav"}.get(command[0], "pipe")
    os.mkfifo(pipe)
    names_of = {"PIPE": str(pipe), "BOOK": str(book)}
    of_book = [] if command[0] in ("restore", "record") else ["--book", str(book)]
    words = [names_of.get(each, each) for each in command]
    assert run([*words, "--overwrite", *of_book]) == BAD_INPUT
    assert str(pipe) in capsys.readouterr().err
    assert stat.S_ISFIFO(pipe.stat().st_mode)
    assert names(tmp_path) == ["book.sqlite3", pipe.name]


def test_an_empty_file_is_no_book_to_read_and_stays_as_it_is(book, tmp_path, capsys):
    empty, before = tmp_path / "empty", book.read_bytes()
    empty.touch()
    for command in (
        ["restore", str(empty), "--book", str(book), "--overwrite"],
        ["drives", "--book", str(empty)],
        ["backup", str(tmp_path / "copy"), "--book", str(empty)],
    ):
        assert run(command) == BAD_INPUT
        assert "its file is empty" in capsys.readouterr().err
    assert (empty.read_bytes(), book.read_bytes()) == (b"", before)
    assert names(tmp_path) == ["book.sqlite3", "empty"]


def test_a_book_and_what_is_made_of_it_are_their_makers_alone(tmp_path, monkeypatch):
    """They name customers and drives; the usual mask lets everybody read."""
    before = os.umask(0o022)
    try:
        book = tmp_path / "new" / "folder" / "book.sqlite3"
        with Book(book) as kept:
            filled(kept)
            assert book.stat().st_mode & 0o777 == 0o600
        out = tmp_path / "out"
        assert run(["backup", str(tmp_path / "copy"), "--book", str(book)]) == OK
        assert run(["export", "--out", str(out / "b.json"), "--book", str(book)]) == OK
        report = tmp_path / "report.html"
        words = ["report", "--drive", DRIVE.identity, "--out", str(report), "--book", str(book)]
        assert run(words) == OK
        for path in (tmp_path / "copy", out / "b.json", report):
            assert path.stat().st_mode & 0o777 == 0o600
        for folder in (book.parent, book.parent.parent, out):
            assert folder.stat().st_mode & 0o777 == 0o700
        report.chmod(0o644)  # it is handed on
        assert run([*words, "--overwrite"]) == OK
        assert report.stat().st_mode & 0o777 == 0o644
    finally:
        os.umask(before)


@pytest.mark.parametrize("in_log", [False, True])
def test_a_book_that_may_only_be_read_is_read(book, tmp_path, monkeypatch, capsys, in_log):
    with Book(book) as kept:
        monkeypatch.setattr("app.book.store._is_writable", lambda path: False)
        newest = kept.open_job(DRIVE.identity, HEAD)
        if not in_log:
            kept.close()
        before = {each: each.stat().st_mtime_ns for each in tmp_path.iterdir()}
        assert run(["drives", "--book", str(book)]) == OK
        assert DRIVE.identity in capsys.readouterr().out
        assert run(["export", "--book", str(book), "--out", str(tmp_path / "all.json")]) == OK
        assert f'"drive": "{DRIVE.identity}"' in (tmp_path / "all.json").read_text()
        assert (tmp_path / "all.json").read_text().count('"uid"') == newest
        assert {each: each.stat().st_mtime_ns for each in before} == before


@pytest.mark.parametrize(
    "words",
    [
        ["describe", "--drive", DRIVE.identity, "customer=a museum"],
        ["import", "all.json"],
        ["job", "sim:", "--drive", "another"],
    ],
)
def test_a_book_that_may_only_be_read_is_not_written_to(book, monkeypatch, capsys, words):
    """SQLite writes beside a file that it may only read (https://sqlite.org/wal.html, 5)."""
    monkeypatch.chdir(book.parent)
    assert run(["export", "--book", str(book), "--out", "all.json"]) == OK
    before = {each: each.read_bytes() for each in book.parent.iterdir()}
    monkeypatch.setattr("app.book.store._is_writable", lambda path: False)
    capsys.readouterr()
    assert run([*words, "--book", str(book)]) == BAD_INPUT
    assert "it cannot be written to; give yourself the right to" in capsys.readouterr().err
    assert {each: each.read_bytes() for each in book.parent.iterdir()} == before


def test_a_report_s_folder_that_may_not_be_written_to_is_told_before_a_job(
    tmp_path, monkeypatch, capsys
):
    monkeypatch.setattr(os, "access", lambda *_: False)
    words = ["job", "sim:", "--drive", "A", "--no-book", "--report", str(tmp_path / "r.html")]
    assert run(words) == BAD_INPUT
    told = capsys.readouterr()
    assert told.out == ""
    assert "its folder is not yours to write to; choose another" in told.err


def test_an_endless_import_is_refused(book, capsys):
    assert run(["import", "/dev/zero", "--book", str(book)]) == BAD_INPUT
    assert "“/dev/zero”: it is no file" in capsys.readouterr().err


@pytest.mark.parametrize("of", ["nothing", "a folder", "other letters", "a list", "half a book"])
def test_an_import_of_which_nothing_comes_leaves_no_book_and_none_otherwise(book, tmp_path, of):
    bad = tmp_path / "bad.json"
    if of == "a folder":
        bad.mkdir()
    elif of == "half a book":
        assert run(["export", "--out", str(bad), "--book", str(book)]) == OK
        tree = json.loads(bad.read_text(encoding="utf-8"))
        tree["jobs"].append({**tree["jobs"][0], "uid": "another", "drive": "none of them"})
        bad.write_text(json.dumps(tree), encoding="utf-8")
    elif of != "nothing":
        bad.write_bytes({"other letters": b'{"\xe4": 1}', "a list": b"[]"}[of])
    before = names(tmp_path)
    for where in ("new.sqlite3", "new/and/newer/book.sqlite3"):
        assert run(["import", str(bad), "--book", str(tmp_path / where)]) == BAD_INPUT
        assert names(tmp_path) == before
    content = book.read_bytes()
    assert run(["import", str(bad), "--book", str(book)]) == BAD_INPUT
    assert (names(tmp_path), book.read_bytes()) == (before, content)


@pytest.mark.parametrize("decoder", ["read", "entry_of"])
def test_a_new_book_goes_again_wherever_its_filling_is_broken_off(tmp_path, monkeypatch, decoder):
    def broken_off(*_):
        raise KeyboardInterrupt

    def fill():
        with Book.to_fill(tmp_path / "new.sqlite3") as book, book.whole():
            number = filled(book)
            monkeypatch.setattr(store.codec, decoder, broken_off)
            book.job(number)

    # Its traceback holds what was being read.
    with pytest.raises(KeyboardInterrupt) as held:
        fill()
    assert (names(tmp_path), held.type) == ([], KeyboardInterrupt)


def test_a_new_book_of_which_nothing_comes_stays_for_whoever_has_it_too(tmp_path):
    path = tmp_path / "new.sqlite3"
    with pytest.raises(KeyboardInterrupt), Book.to_fill(path):
        raise KeyboardInterrupt
    assert names(tmp_path) == []

    def open_two():
        with Book.to_fill(path):
            others.append(Book(path))
            raise KeyboardInterrupt

    others = []
    with pytest.raises(KeyboardInterrupt):
        open_two()
    with others[0] as other:
        assert filled(other) == 1
    with pytest.raises(KeyboardInterrupt), Book.to_fill(path):
        raise KeyboardInterrupt
    with Book(path) as again:
        assert again.numbers() == (1,)


def test_a_job_is_described_and_what_is_said_is_printed(book, capsys):
    words = ["describe", "--drive", DRIVE.identity, "--book", str(book)]
    assert run([*words, "technician=A. Example", "Drive serial = 4711=b"]) == OK
    told = capsys.readouterr().out
    assert "A. Example" in told
    assert "4711=b" in told
    assert run([*words, "technician="]) == OK
    assert "A. Example" not in capsys.readouterr().out
    for wrong in ("technician", "colour=red"):
        assert run([*words, wrong]) == BAD_INPUT
        assert "write KEY=TEXT, the key one of workshop, technician" in capsys.readouterr().err
    with Book(book) as kept:
        assert ("drive serial", "4711=b") in kept.job(1).head.conditions


def test_a_description_cannot_look_like_another(book, capsys):
    with Book(book) as kept:
        number = kept.open_job(DRIVE.identity, HEAD)
        kept.describe_job(number, {"customer": "Museum\ntechnician      Somebody else"})
    assert run(["describe", "--drive", DRIVE.identity, "--book", str(book)]) == OK
    told = capsys.readouterr().out
    assert "Museum\ufffdtechnician" in told
    assert "\ntechnician      Somebody" not in told


def test_a_report_is_verified_against_a_book_that_may_only_be_read(book, tmp_path, monkeypatch):
    out = tmp_path / "report.html"
    words = ["report", "--drive", DRIVE.identity, "--out", str(out), "--book", str(book)]
    assert run(words) == OK
    before = book.stat().st_mtime_ns
    monkeypatch.setattr("app.book.store._is_writable", lambda path: False)
    opened, in_memory = [], store._in_memory

    def seen(path):
        opened.append(path)
        return in_memory(path)

    monkeypatch.setattr("app.book.store._in_memory", seen)
    assert run(["verify", str(out), "--book", str(book)]) == OK
    assert opened == [book]
    assert book.stat().st_mtime_ns == before


def test_what_is_no_report_is_told_in_a_sentence(tmp_path, capsys):
    (tmp_path / "bytes").write_bytes(bytes(range(256)))
    os.mkfifo(tmp_path / "pipe")
    for path, said in (
        (tmp_path / "bytes", "it is no report; name one as HTML or PDF"),
        (tmp_path / "pipe", "it is no file; name a report"),
        ("/dev/zero", "it is no file; name a report"),
    ):
        assert run(["verify", str(path), "--book", str(tmp_path / "none")]) == BAD_INPUT
        assert capsys.readouterr().err == f"evenlobe: verify “{path}”: {said}\n"


def test_a_damaged_book_does_not_replace_its_last_whole_backup(book, tmp_path, capsys):
    copy = tmp_path / "copy.sqlite3"
    words = ["backup", str(copy), "--book", str(book)]
    assert run(words) == OK
    before = copy.read_bytes()
    with closing(sqlite3.connect(book)) as db, db:
        db.execute("DROP TRIGGER takings_stand")
        db.execute("UPDATE takings SET body = replace(body, '1', '2')")
    capsys.readouterr()
    assert run([*words, "--overwrite"]) == BAD_INPUT
    told = capsys.readouterr().err
    assert told.startswith(f"evenlobe: book “{book}”: it is damaged (job 1: taking is not as it")
    assert told.endswith(f"“{copy}” stays as it was\n")
    assert copy.read_bytes() == before
    assert names(tmp_path) == ["book.sqlite3", "copy.sqlite3"]
    copy.unlink()
    assert run(words) == BAD_INPUT
    assert names(tmp_path) == ["book.sqlite3"]
