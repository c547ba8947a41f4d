"""Out and back without loss; what does not fit is refused with its place, and nothing is added."""

import base64
import csv
import json
import weakref
import zlib
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from app.analysis.results import Verdict
from app.book import codec, exchange
from app.book.exchange import export_csv, export_json, import_json
from app.book.model import BookError, Drive
from app.book.schema import KEEP_TAKING
from app.book.store import Book
from app.job.model import CheckName, Outcome, Stage, Value
from app.job.plan import KeptStep, StepState
from tests.app.bench import end_lines_as_windows
from tests.app.book.jobs import DRIVE, HEAD, alike, entry, filled, now, outcome, standing


@pytest.fixture
def book(tmp_path):
    with Book(tmp_path / "book.sqlite3") as made:
        yield made


@pytest.fixture
def other(tmp_path):
    with Book(tmp_path / "other.sqlite3") as made:
        yield made


def test_json_goes_out_and_back_without_loss(book, other, tmp_path):
    first = filled(book)
    book.close_job(first, now(), 2, "why")
    second = book.open_job(DRIVE.identity, HEAD)
    book.keep(second, outcome())
    book.keep(second, standing())
    path = tmp_path / "all.json"
    assert export_json(book, path) == 2
    assert import_json(other, path) == (1, 2)
    assert alike(other.job(1), book.job(first))
    assert alike(other.job(2), book.job(second))
    assert other.left(2).standing == standing()
    # Once more adds nothing.
    assert import_json(other, path) == (0, 0)
    assert len(other.numbers()) == 2
    assert other.drives()[0].last.number == 2


def test_an_export_of_before_jobs_were_gone_on_with_is_taken(book, other, tmp_path):
    filled(book)
    path = tmp_path / "all.json"
    export_json(book, path)
    tree = json.loads(path.read_text(encoding="utf-8"))
    tree["schema"] = "evenlobe.book/1"
    del tree["jobs"][0]["standing"]
    path.write_text(json.dumps(tree), encoding="utf-8")
    assert import_json(other, path) == (1, 1)
    assert alike(other.job(1), book.job(1))
    with pytest.raises(BookError, match="older"):
        other.left(1)


TEXTS = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=40)
NUMBERS = st.floats(allow_nan=False, allow_infinity=False)
VALUES = st.builds(Value, TEXTS, NUMBERS, st.none() | NUMBERS, TEXTS)
OUTCOMES = st.builds(
    Outcome,
    check=st.sampled_from(CheckName),
    stage=st.sampled_from(Stage),
    verdict=st.sampled_from(Verdict),
    side=st.integers(0, 1),
    value=st.none() | NUMBERS,
    u=st.none() | NUMBERS,
    unit=TEXTS,
    reason=TEXTS,
    details=st.lists(VALUES, max_size=3).map(tuple),
    ended_at=TEXTS,
)


@settings(
    max_examples=40,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(outcomes=st.lists(OUTCOMES, max_size=4), notes=st.lists(TEXTS, max_size=3).map(tuple))
def test_any_outcome_survives_book_and_export(tmp_path_factory, outcomes, notes):
    folder = tmp_path_factory.mktemp("books")
    with Book(folder / "a.sqlite3") as one, Book(folder / "b.sqlite3") as two:
        one.add_drive(Drive("TM-1", "130mm-48tpi"))
        number = one.open_job("TM-1", HEAD)
        one.keep(number, entry(notes=notes))
        for each in outcomes:
            one.keep(number, each)
        assert one.job(number).outcomes == tuple(outcomes)
        export_json(one, folder / "all.json")
        import_json(two, folder / "all.json")
        assert alike(two.job(1), one.job(number))


_OF_ANOTHER = (KeptStep(CheckName.RADIAL, Stage.AS_FOUND, 0, StepState.DONE, 1),)


def spoilt(tree, path, value):
    at = tree
    for key in path[:-1]:
        at = at[key]
    at[path[-1]] = value
    return tree


@pytest.mark.parametrize(
    ("path", "value", "said"),
    [
        (("schema",), "evenlobe.book/9", "file.schema"),
        (("jobs", 0, "outcomes", 0, "verdict"), "fine", r"jobs\[0\].outcomes\[0\].verdict"),
        (("jobs", 0, "outcomes", 0, "value"), "40", r"outcomes\[0\].value is not a number"),
        (("jobs", 0, "outcomes", 0, "value"), 10**400, "finite"),
        (("jobs", 0, "takings", 1, "arrays"), ["!!", None], "base64"),
        (("jobs", 0, "takings", 1, "arrays"), "!!", "a list of two"),
        (("jobs", 0, "takings", 1, "arrays"), [None], "a list of two"),
        (("jobs", 0, "takings", 1, "arrays"), ["AAAA", None], "damaged"),
        (("jobs", 0, "takings", 0, "settings"), [["a"]], r"\[0\] has 1 parts instead of 2"),
        (("jobs", 0, "takings", 0, "notes"), [1], "not a text"),
        (("jobs", 0, "nudges"), 1.5, "whole number"),
        (("jobs", 0, "takings", 0, "track"), 2**70, "track is not a whole number"),
        (("jobs", 0, "takings", 0, "track"), 1000, "number of a track"),
        (("jobs", 0, "takings", 0, "arrays", 0), None, "one length"),
        (("jobs", 0, "takings", 0, "label"), "\ud800", r"jobs\[0\].*none that can be kept"),
        (("jobs", 0, "uid"), "\ud800", "none that can be kept"),
        (("jobs", 0, "head", "opened_at"), "yesterday", "ISO 8601"),
        (("jobs", 0, "closed_at"), "never", "ISO 8601"),
        (("jobs", 0, "drive"), "TM-0", "TM-0"),
        (("jobs", 0, "more"), 1, "more is not known"),
        (("jobs", 0, "standing"), {}, "standing.steps is missing"),
        # Such a job could not be gone on with.
        (
            ("jobs", 0, "standing"),
            codec.as_tree(replace(standing(), steps=_OF_ANOTHER)),
            "standing: its step",
        ),
        (("drives",), {}, "not a list"),
        (("jobs", 0, "head"), None, "not an object"),
    ],
)
def test_a_spoilt_import_is_told_by_place_and_adds_nothing(
    book, other, tmp_path, path, value, said
):
    filled(book)
    out = tmp_path / "all.json"
    export_json(book, out)
    tree = spoilt(json.loads(out.read_text(encoding="utf-8")), path, value)
    out.write_text(json.dumps(tree), encoding="utf-8")
    with pytest.raises(BookError, match=said):
        import_json(other, out)
    assert other.drives() == ()


@pytest.mark.parametrize("text", ["", "[1, 2", "NaN", "[" * 100_000, '{"schema": NaN}', "[]"])
def test_what_is_no_export_is_told(other, tmp_path, text):
    path = tmp_path / "x.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(BookError, match="import"):
        import_json(other, path)
    with pytest.raises(BookError, match="cannot be read"):
        import_json(other, tmp_path / "none.json")


def test_what_is_larger_than_an_export_may_be_is_not_read(book, other, tmp_path, monkeypatch):
    filled(book)
    path = tmp_path / "all.json"
    export_json(book, path)
    monkeypatch.setattr(exchange, "_MAX_BYTES", path.stat().st_size - 1)
    with pytest.raises(BookError, match="it is larger than"):
        import_json(other, path)
    monkeypatch.setattr(exchange, "_MAX_BYTES", path.stat().st_size)
    assert import_json(other, path) == (1, 1)


def test_csv_holds_every_value_and_no_formula(book, tmp_path):
    number = filled(book)
    book.keep(number, replace(outcome(), reason="=1+1", stage=Stage.WORK))
    folder = tmp_path / "tables"
    assert export_csv(book, folder) == 1
    tables = {
        path.stem: list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))
        for path in folder.iterdir()
    }
    assert tables["drives"][0]["identity"] == DRIVE.identity
    assert float(tables["jobs"][0]["found_offset_um"]) == 40.0
    assert float(tables["values"][0]["value"]) == entry(0).values[0].value
    assert len(tables["values"]) == 6
    assert tables["outcomes"][-1]["reason"] == "'=1+1"


def test_csv_lines_end_alike_on_every_system(book, tmp_path, monkeypatch):
    end_lines_as_windows(monkeypatch)
    filled(book)
    export_csv(book, tmp_path / "tables")
    for path in (tmp_path / "tables").iterdir():
        text = path.read_bytes()
        # RFC 4180, section 2: CR LF.
        assert text.count(b"\r\n") == text.count(b"\n") == text.count(b"\r") > 1


def test_an_envelope_that_unpacks_without_end_is_refused(book, other, tmp_path):
    filled(book)
    out = tmp_path / "all.json"
    export_json(book, out)
    tree = json.loads(out.read_text(encoding="utf-8"))
    bomb = base64.b64encode(zlib.compress(bytes(70 * 2**20), 9)).decode()
    tree["jobs"][0]["takings"][0]["arrays"] = [bomb, bomb]
    out.write_text(json.dumps(tree), encoding="utf-8")
    with pytest.raises(BookError, match="not more than 64 MiB together; nothing was added"):
        import_json(other, out)
    assert other.numbers() == ()


def test_envelopes_that_unpack_to_much_together_are_refused_in_import_and_book(
    book, other, tmp_path
):
    """Each is within what an array may be; the memory of a report holds all of a job."""
    filled(book)
    out = tmp_path / "all.json"
    export_json(book, out)
    tree = json.loads(out.read_text(encoding="utf-8"))
    data = zlib.compress(bytes(12 * 2**20), 9)
    takings = tree["jobs"][0]["takings"]
    takings[:] = [{**takings[0], "arrays": [base64.b64encode(data).decode()] * 2}] * 3
    out.write_text(json.dumps(tree), encoding="utf-8")
    with pytest.raises(BookError, match="not more than 64 MiB together; nothing was added"):
        import_json(other, out)
    assert other.numbers() == ()
    for _ in range(3):
        body = codec.as_text(replace(entry(1), turns=None, envelope_v=None))
        book._db.execute(KEEP_TAKING, (1, body, data, data))
    with pytest.raises(BookError, match="not more than 64 MiB together"):
        book.job(1)


def test_more_values_than_a_memory_holds_are_not_read(other, tmp_path, monkeypatch):
    """A list of two bytes in the file takes 64 in memory."""
    monkeypatch.setattr("app.book.exchange._MAX_VALUES", 1000)
    monkeypatch.setattr(codec, "tree_of", lambda text: pytest.fail("it was read"))
    out = tmp_path / "all.json"
    for text in ("[" + "[]," * 600 + "[]]", "[" + "1," * 1100 + "1]", '[{"a":1}' * 600):
        out.write_text(text, encoding="utf-8")
        with pytest.raises(BookError, match="more values than any export"):
            import_json(other, out)


def test_tables_hold_one_job_at_a_time(book, tmp_path, monkeypatch):
    filled(book)
    for _ in range(2):
        book.keep(book.open_job(DRIVE.identity, HEAD), entry(1))
    seen, read = [], Book.job

    def watched(book, number):
        assert sum(each() is not None for each in seen) <= 1
        job = read(book, number)
        seen.append(weakref.ref(next(e.turns for e in job.entries if e.turns is not None)))
        return job

    monkeypatch.setattr(Book, "job", watched)
    assert export_csv(book, tmp_path / "tables") == 3
