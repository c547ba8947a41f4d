"""What a value of a file may be, at its bounds, and how it is shown."""

import datetime

import pytest

from instruments.checked_toml import (
    LINE_LENGTH,
    CheckedTable,
    Day,
    Flag,
    Number,
    NumberList,
    OneOf,
    TextLine,
    TextLines,
    TomlKind,
    shown,
    shown_key,
)

KIND = TomlKind("list of wheels", KeyError)
NUMBER, WHOLE = Number(1, 5), Number(1, 5, whole=True)


def said(call, *arguments):
    with pytest.raises(KeyError) as caught:
        call(*arguments)
    return caught.value.args[0]


@pytest.mark.parametrize(
    ("kind", "value", "kept"),
    [
        *((NUMBER, value, value) for value in (1, 5, 2.5)),
        *((NUMBER, value, None) for value in (0.99, 5.01, True, "2", None, float("nan"))),
        *((WHOLE, value, 3) for value in (3, 3.0)),
        *((WHOLE, value, None) for value in (2.5, 0, 6)),
        (NumberList(NUMBER, 1, 2), [1, 5.0], (1.0, 5.0)),
        (NumberList(NUMBER, 1, 2), [2], (2.0,)),
        *((NumberList(NUMBER, 1, 2), value, None) for value in ([], [1, 2, 3], [1, 9], 1)),
        (OneOf((("low", 0), ("high", 1))), "high", 1),
        (OneOf.of("a", "b"), "b", "b"),
        (OneOf.of("a", "b"), "c", None),
        *((Flag(), value, value) for value in (True, False)),
        *((Flag(), value, None) for value in (0, 1, "true")),
        (Day(), datetime.date(1987, 5, 31), "1987-05-31"),
        *((Day(), value, None) for value in ("1987-05-31", datetime.datetime(1987, 5, 31))),
        (TextLine(), "x" * LINE_LENGTH, "x" * LINE_LENGTH),
        *((TextLine(), value, None) for value in ("", "  ", "a\nb", "x" * (LINE_LENGTH + 1), 3)),
        (TextLines(), [], ()),
        (TextLines(least=1), ["a"], ("a",)),
        *((TextLines(least=1), value, None) for value in ([], [""], [1], "a")),
    ],
)
def test_a_value_is_kept_or_refused(kind, value, kept):
    found = kind.read(value)
    assert found == kept
    assert type(found) is type(kept) or kind is NUMBER


def test_a_kind_says_what_is_allowed():
    assert NUMBER.allowed == "a number from 1 to 5"
    assert WHOLE.allowed == "a whole number from 1 to 5"
    assert NumberList(NUMBER, 1, 2).allowed == "a list of 1 to 2 values, each a number from 1 to 5"
    assert OneOf.of("a", "\n").allowed == '"a" or "\\n"'


def test_whole_numbers_are_kept_whole_and_others_not():
    assert isinstance(WHOLE.read(3.0), int)
    assert isinstance(NUMBER.read(3), float)


def test_a_table_knows_what_was_read_of_it():
    table = CheckedTable(KIND, "w.toml", {"size": 3, "hub": {"bore": 9}, "odd one\n": 1})
    assert ("size" in table, "bore" in table, next(iter(table))) == (True, False, "size")
    assert table.value("size", NUMBER) == 3.0
    assert table.value("spokes", NUMBER, 7) == 7
    assert (
        said(table.value, "spokes", NUMBER) == "list of wheels “w.toml”: spokes is missing; add it"
    )
    hub = table.table("hub")
    assert said(hub.value, "bore", NUMBER) == (
        "list of wheels “w.toml”: hub.bore is 9; it must be a number from 1 to 5"
    )
    assert hub.finish("made") == "made"
    assert "hub.rim is missing" in said(hub.table, "rim")
    assert "size is 3; it must be a table, begun with [size]" in said(table.table, "size")
    assert "'odd one\\n' is not a key; mend it or take it out" in said(table.finish, None)
    assert "w.toml”: 'odd one\\n' is " in said(table.table, "odd one\n")


def test_a_file_is_read_within_bounds(tmp_path):
    path = tmp_path / "w.toml"

    def reading(data):
        path.write_bytes(data)
        return lambda: KIND.read(path, "w")

    line = b"a = '" + b"x" * 490 + b"'\n"
    filled = b"b = 1\n" + b"#" * 499 + b"\n"
    assert reading(filled)() == {"b": 1}
    assert reading(b"\xef\xbb\xbfb = 1")() == {"b": 1}
    assert len(reading(line)()["a"]) == 490
    assert reading(b"#" * 500)() == {}
    assert (
        said(reading(b"#" * 501))
        == "list of wheels “w” has a line of more than 500 characters; break it"
    )
    most = (b"#" * 255 + b"\n") * 128
    assert reading(most)() == {}
    assert "is larger than 32 KiB, which no list of wheels is" in said(reading(most + b"\n"))
    assert "is not UTF-8 at byte 4; store it as UTF-8" in said(reading(b"a = \xff"))
    assert "cannot be read: " in said(reading(b"a = "))
    assert "is nested too deeply" in said(reading(b"a = " + b"[" * 490))
    assert "cannot be read: No such file" in said(KIND.read, tmp_path / "none", "w")
    assert "is no file" in said(KIND.read, tmp_path, "w")


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (True, "true"),
        (datetime.date(1987, 5, 31), "1987-05-31"),
        (datetime.time(7, 30), "07:30:00"),
        ("a\x1b", r"'a\x1b'"),
        ([[[1]]], "[[[...]]]"),
    ],
)
def test_a_value_is_shown_so_that_it_disturbs_nothing(value, words):
    assert shown(value) == words


def test_a_long_text_is_shown_short():
    assert len(shown("x" * 100)) == 60
    assert shown(10**5000) == "a number of thousands of digits"
    assert shown_key("bore") == "bore"
    assert shown_key("a\n") == r"'a\n'"
