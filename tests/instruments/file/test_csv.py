"""Scope CSV exports: layouts, times, units; and faults, each named with its line."""

import numpy as np
import pytest

from instruments.file import csv_numbers
from instruments.file.csv_layout import find_layout
from instruments.file.times import UnevenTime, read_times
from instruments.source import AddressError, FormatError, Role
from tests.instruments.file.captures import FIXTURES, fixture_table, read_all, samples_of

PAIR = (Role.PLUS, Role.MINUS)
NO_UNIT = "The time column has no unit that is known; seconds are assumed."


@pytest.fixture
def written(tmp_path):
    def write(text, name="capture.csv"):
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return write


def refused(address, error=FormatError, roles=None):
    with pytest.raises(error) as caught:
        read_all(address, roles)
    assert "\n" not in str(caught.value)
    return str(caught.value)


# Layouts


@pytest.mark.parametrize(
    ("name", "channels", "roles_from"),
    [
        ("semicolons.csv", 3, "file"),
        ("counted.csv", 2, "default"),
        ("header-beside.csv", 1, "default"),
        ("wide-characters.txt", 2, "default"),
    ],
)
def test_the_fixtures_hold_the_numbers_that_they_were_made_from(name, channels, roles_from):
    info, blocks = read_all(FIXTURES / name)
    assert info.sample_rate_hz == 50_000.0
    assert (len(info.roles), info.roles_from) == (channels, roles_from)
    assert blocks[0].samples_v.dtype == np.float32
    assert np.allclose(blocks[0].samples_v, fixture_table(channels), atol=1e-7)
    assert len(blocks) == 1


def test_a_word_among_the_numbers_is_named_with_its_line():
    assert refused(FIXTURES / "words.csv").endswith(
        "words.csv”: line 122: “overload” is not a number; correct the line or remove it"
    )


@pytest.mark.parametrize(
    "text",
    [
        "t (s),plus,minus\n0.0,1.5,2\n0.5,1.25,3.5\n",
        "\ufefft (s),plus,minus\n0.0,1.5,2\n0.5,1.25,3.5\n",
        "t (s),plus,minus,\r\n0.0,1.5,2,\r\n0.5,1.25,3.5,\r\n,,,\r\n\r\n\x1a",
        "t (s),plus,minus\r0.0,1.5,2\r0.5,1.25,3.5\r",
        "maker\n\nmodel,7\n\nt [s], plus, minus\n0, 15e-1, +2\n.5, 1.25, 3.5\n",
        '"t (s)";"plus";"minus"\n"0,0";"1,5";"2"\n"0,5";"1,25";"3,5"\n',
        '"t (s)","plus","minus"\n"0,0","1,5","2"\n"0,5","1,25","3,5"\n',
        "  t (s)   plus   minus \n  0,0   1,5  2\n  0,5   1,25   3,5\n",
        "t\tplus\tminus\n(ms)\t(mV)\tV\n0\t1500\t2\n500\t1250\t3.5\n",
        "# Sample interval: 500 ms\nplus,minus\n1.5,2\n1.25,3.5\n",
        "Sampling rate;2;Sa/s\nplus;minus\n1,5;2\n1,25;3,5\n",
        "Sample Rate (kHz),0.002\nplus,minus\n1.5,2\n1.25,3.5\n",
        "X,plus,minus,Start,Increment\nSequence,V,V,0,5E-1\n0,1.5,2\n1,1.25,3.5\n",
        "time,plus,minus\n0.0,1.5,2\n\n0.5,1.25,3.5\n",
    ],
)
def test_one_capture_in_many_layouts(written, text):
    info, blocks = read_all(written(text))
    assert (info.sample_rate_hz, info.roles, info.roles_from) == (2.0, PAIR, "file")
    assert blocks[0].samples_v.tolist() == [[1.5, 2.0], [1.25, 3.5]]


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be", "utf-8", "cp1252"])
def test_encodings(written, encoding):
    text = "Zeit [µs];plus (V);minus (V)\n0,0;1,5;2,5\n2,0;0,5;1,0\n"
    info, _ = read_all(written(text.encode(encoding)))
    assert info.sample_rate_hz == 500_000.0
    assert info.notes == ()


@pytest.mark.parametrize(
    ("unit", "rate_hz"), [("s", 0.5), ("ms", 500.0), ("us", 5e5), ("µs", 5e5), ("ns", 5e8)]
)
def test_units_of_time(written, unit, rate_hz):
    info, _ = read_all(written(f"Time ({unit}),CH1 (V)\n0.0,1.5\n2.0,2.5\n4.0,1.5\n"))
    assert info.sample_rate_hz == pytest.approx(rate_hz, rel=1e-9)
    assert info.notes == ()


def test_units_of_volts(written):
    text = "t (s),CH1 (mV),CH2_kV,CH3 [uV],Channel A\n0.0,1,2,3,4\n1.0,1,2,3,4\n"
    info, blocks = read_all(written(text))
    expected = np.float32([1e-3, 2e3, 3e-6])
    assert np.array_equal(blocks[0].samples_v[0], expected)
    assert not blocks[0].uncalibrated
    assert info.notes == ()


def test_units_that_are_not_volts_are_told(written):
    info, blocks = read_all(written("t (s),probe (ADC)\n0.0,1.5\n1.0,2.5\n"))
    assert info.notes == ("A column is in “adc”, not volts; its volts are relative.",)
    assert blocks[0].uncalibrated
    assert "its samples are in “a”" in refused(written("t (s),probe (A)\n0.0,1.5\n1.0,2.5\n"))


def test_what_is_no_number_is_delivered_as_such(written):
    samples = samples_of(written("t (s),a\n0.0,NaN\n1.0,-inf\n2.0,1e300\n3.0,0.5\n"))
    assert np.array_equal(samples[:, 0], [np.nan, -np.inf, np.inf, 0.5], equal_nan=True)


def test_more_than_one_chunk_and_block(written):
    frame = np.arange(300_000)
    values = np.column_stack([frame % 1009, frame % 17]) / 8
    rows = "".join(f"{k * 1e-6:.6f},{a},{b}\r\n" for k, (a, b) in enumerate(values.tolist()))
    info, blocks = read_all(written("t (s),plus,minus\r\n" + rows))
    assert info.sample_rate_hz == 1e6
    assert [block.first_index for block in blocks] == [0, 262_144]
    assert np.array_equal(np.concatenate([block.samples_v for block in blocks]), values)
    rows = rows.replace("0.290000,", "0.290000,x", 1)
    assert "line 290002: “x" in refused(written("t (s),plus,minus\r\n" + rows))


def test_a_last_line_that_may_be_cut_is_left_out(written):
    info, blocks = read_all(written("t (s),a (V)\n0.0,1.25\n1.0,2.25\n2.0,3.2"))
    assert blocks[0].samples_v[:, 0].tolist() == [1.25, 2.25]
    assert info.length_frames == 2
    assert info.notes == ("The last line may be cut short; it is left out.",)
    assert len(samples_of(written("t (s),a\n0.0,1.25\n1.0,2.25\n2.0,3.25"))) == 3


# Columns and their roles


@pytest.mark.parametrize(
    ("titles", "roles", "columns"),
    [
        ("index,minus,plus", "index,minus,plus", (0, 1, 2)),
        ("CH1 (plus),CH2 (minus),CH3", "plus,minus", (0, 1)),
        ("CH1,Envelope,Index", "envelope,index", (1, 2)),
        ("diff,CH2,CH3", "differential", (0,)),
        ("CH1,index,CH3", "plus,index,minus", (0, 1, 2)),
        ("plus,plus,minus", "plus,minus,index", (0, 1, 2)),
        ("A,B,C", "plus,minus,index", (0, 1, 2)),
    ],
)
def test_roles_from_headings(written, titles, roles, columns):
    info, blocks = read_all(written(f"t (s),{titles}\n0.0,10,11,12\n1.0,10,11,12\n"))
    assert ",".join(info.roles) == roles
    assert blocks[0].samples_v[0].tolist() == [10.0 + column for column in columns]
    assert info.roles_from == ("default" if titles[0] in "Ap" or "CH1,i" in titles else "file")


def test_two_columns_of_which_one_is_headed_index(written):
    info, _ = read_all(written("t (s),CH1,index\n0.0,1,0\n1.0,2,0\n"))
    assert info.roles == (Role.DIFFERENTIAL, Role.INDEX)


def test_time_is_not_counted_among_the_columns(written):
    path = written("t (s),CH1,CH2\n0.0,1.5,2.5\n1.0,1.5,2.5\n")
    info, blocks = read_all(path, "-,envelope")
    assert (info.roles, info.roles_from) == ((Role.ENVELOPE,), "given")
    assert blocks[0].samples_v.tolist() == [[2.5], [2.5]]
    message = refused(path, AddressError, "plus,minus,index")
    assert "the roles name 3 columns, but it has 2 columns" in message


def test_columns_that_are_not_there_may_be_left_out(written):
    path = written("t (s),CH1,CH2\n0.0,1.5,2.5\n1.0,1.5,2.5\n")
    info, blocks = read_all(path, "envelope,index,-,-")
    assert info.roles == (Role.ENVELOPE, Role.INDEX)
    assert blocks[0].samples_v.tolist() == [[1.5, 2.5], [1.5, 2.5]]


# Time


def test_a_stated_rate_stands_for_a_time_column(written):
    path = written("plus (V),minus (V)\n1.5,2\n1.25,3.5\n1.5,0\n")
    assert "states no rate; add ?rate=HZ to its address" in refused(path)
    info, _ = read_all(f"file:{path}?rate=1000000")
    assert (info.sample_rate_hz, info.roles, info.notes) == (1e6, PAIR, ())


@pytest.mark.parametrize(
    ("text", "shape"), [("minus (V)\n1.5\n1.25\n0.5\n", (3, 1)), ("plus,minus\n1.5,2\n", (1, 2))]
)
def test_one_column_and_one_line_are_a_table_too(written, text, shape):
    _, blocks = read_all(f"file:{written(text)}?rate=1000")
    assert np.concatenate([block.samples_v for block in blocks]).shape == shape


def test_a_stated_rate_goes_before_the_time_column(written):
    path = written("time,plus (V),minus (V)\n0.0,1.5,2\n0.0,1.25,3.5\n7.0,1.5,0\n")
    info, _ = read_all(f"{path}?rate=5")
    assert (info.sample_rate_hz, info.roles) == (5.0, PAIR)
    assert info.notes == ("The rate is as stated; the time column is passed over.",)


def test_times_without_unit_are_told_unless_the_header_confirms_them(written):
    rows = "0.0,1.5\n0.5,2.5\n1.0,1.5\n"
    assert read_all(written("x,CH1 (V)\n" + rows))[0].notes == (NO_UNIT,)
    assert read_all(written("Sample Interval,0.5\n\nx,CH1 (V)\n" + rows))[0].notes == ()


def test_a_counter_is_no_time(written):
    path = written("Index,CH1\n0,1.5\n1,2.5\n2,1.5\n")
    assert "states no rate" in refused(path)
    info, _ = read_all(f"{path}?rate=1000")
    assert (info.roles, info.length_frames) == ((Role.DIFFERENTIAL,), 3)
    assert read_all(written("Time (us),CH1\n0,1.5\n1,2.5\n2,1.5\n"))[0].sample_rate_hz == 1e6


def test_the_vertical_increment_is_not_the_interval(written):
    assert "states no rate" in refused(written("Y Increment,0.5\nplus,minus\n1.0,2\n0.5,3\n"))


def test_missing_samples_are_a_gap(written):
    rows = "".join(f"{k * 1e-6:.6f},{k}.5\n" for k in (0, 1, 2, 3, 6, 7, 8, 20, 21))
    info, blocks = read_all(written("t (s),a\n" + rows))
    assert (info.sample_rate_hz, info.length_frames) == (1e6, 22)
    assert [(block.first_index, block.gap_before) for block in blocks] == [
        (0, False),
        (6, True),
        (20, True),
    ]
    assert [len(block.samples_v) for block in blocks] == [4, 3, 2]
    assert blocks[1].samples_v[0, 0] == 6.5


@pytest.mark.parametrize(
    ("times", "line", "words"),
    [
        ("0 1 2 3 2 3 4 5 6 7", 6, "the time goes back"),
        ("0 1 2 3 3 4 5 6 7 8", 6, "the time stands still"),
        ("0 1 2 3 4.5 5 6 7 8 9", 6, "the time steps by other than a whole interval"),
        ("0 1 2 3 nan 5 6 7 8 9", 6, "the time is not a number"),
        ("0 0 0 0 0 0 0 0 0 0", 3, "the time stands still"),
    ],
)
def test_uneven_times_are_named_with_their_line(written, times, line, words):
    text = "t (s),a\n" + "".join(f"{time},0.5\n" for time in times.split())
    assert f"line {line}: {words}" in refused(written(text))


def test_jitter_of_printed_times_does_not_matter():
    rng = np.random.default_rng(5)
    times = np.arange(10_000) * 1e-6 + rng.uniform(-2e-7, 2e-7, 10_000)
    base = read_times(times)
    assert base.rate_hz == pytest.approx(1e6, rel=1e-6)
    assert base.starts == (0,)


def test_times_with_few_digits_give_the_average_rate():
    times = np.round(np.arange(400_000) * 1e-6, 5)  # each stands for ten samples
    base = read_times(times)
    assert base.coarse
    assert base.rate_hz == pytest.approx(1e6, rel=1e-5)
    with pytest.raises(UnevenTime, match="too few digits"):
        read_times(times[:1000])


def test_digits_that_count_from_the_first_one_are_fewer_for_later_times():
    base = read_times(np.array([float(f"{row * 1e-6:.5g}") for row in range(400_000)]))
    assert base.coarse
    assert base.rate_hz == pytest.approx(1e6, rel=1e-5)


@pytest.mark.parametrize(("row", "off_s"), [(0, -5e-5), (-1, 5e-5)])
def test_coarse_times_that_speak_against_a_stated_interval_are_not_taken_for_it(row, off_s):
    times = np.round(np.arange(50) * 2e-6, 5)
    assert read_times(times, 2e-6).rate_hz == 500_000.0
    times[row] += off_s
    with pytest.raises(UnevenTime, match="too few digits"):
        read_times(times, 2e-6)


@pytest.mark.parametrize(("row", "off_s"), [(0, -1e-3), (-1, 1e-3)])
def test_of_coarse_times_too_each_is_in_its_place(row, off_s):
    times = np.round(np.arange(400_000) * 1e-6, 5)
    assert read_times(times).coarse
    times[row] += off_s
    with pytest.raises(UnevenTime):
        read_times(times)


def test_a_gap_is_of_whole_samples():
    times = np.arange(20) * 1e-3
    times[10:] += 5.02e-3
    assert (base := read_times(times)).starts == (0, 10)
    assert base.indices == (0, 15)


def test_gaps_that_come_often_are_gaps_as_well():
    """No time stands still, and they have digits enough: one sample in twenty is not there."""
    base = read_times(np.delete(np.arange(400), np.arange(20, 400, 20)) * 1.28e-6)
    assert base.rate_hz == pytest.approx(1.0 / 1.28e-6)
    assert base.indices == (0, *range(21, 400, 20))


def test_a_gap_longer_than_can_be_counted_is_named():
    with pytest.raises(UnevenTime, match="other than a whole interval") as told:
        read_times(np.array([*range(19), 1e17]))
    assert told.value.row == 19


PART_S = 1e-3 * np.arange(-2.0, 3.0)
"""Of a record in segments, with the trigger in its middle."""


@pytest.mark.parametrize("late", [-1, 0, 1])
def test_segments_begin_with_the_first_one_s_time_or_beside_it(late):
    base = read_times(np.concatenate([PART_S, PART_S, PART_S + late * 1e-3]))
    assert base.starts == (0, 5, 10)
    assert base.rate_hz == pytest.approx(1e3)


@pytest.mark.parametrize("early", [(0, 5), (5, 0), (5, 5)])
def test_times_that_go_back_further_begin_no_segment(early):
    parts = [PART_S, *(PART_S - steps * 1e-3 for steps in early)]
    with pytest.raises(UnevenTime, match="goes back"):
        read_times(np.concatenate(parts))


# Faults


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("a,b\n1.5,2.5\n3.0\n2.5,6.5\n", "line 3: a value is missing"),
        ("a,b\n1.5,2.5\n3.0,\n2.5,6.5\n", "line 3: a value is missing"),
        ("a,b\n1.5,2.5\n3.0,1.0\n2.5", "line 4: a value is missing"),
        ("a,b\n1.5,2.5\n3.0,1.0,9\n2.5,1\n", "line 3: there are 3 values, 2 in the lines before"),
        ("a,b\n1.5,2.5\n,,\n2.5,1\n", "line 3: a value is missing"),
        ("a,b\n1.5,---\n1.0,2.0\n2.5,1\n", "line 2: “---” is not a number"),
        ("a,b\n1.5,\n1.0,2.0\n2.5,1\n", "line 2: a value is missing"),
        ("a;b\n1,5;2\n1,5;2.5\n", "line 3: “2.5” is not a number"),
        ("a,b\n1.5,0x10\n1.5,2\n", "“0x10” is not a number"),
        ("a,b\n1.5,2\n1_5,2\n1.5,3\n", "“1_5” is not a number"),
        ("time,v\n12:00:01,0.5\n12:00:02,0.7\n", "line 2: “12:00:01” is not a number"),
        ("CH1\n0,5\n0,7\n1,2\n", "its commas may part columns or mark decimals"),
        ("1,5e-3\n1,7e-3\n-1,2e-3\n", "its commas may part columns or mark decimals"),
        ("t,a\n0,000,1,500\n0,001,2,500\n", "its commas may part columns or mark decimals"),
        ("three plain words\nand no number\n", "it holds no columns of numbers"),
        ("\n\n", "it holds no columns of numbers"),
        ("t (s),a\n0.0,1.5\n", "it holds a single sample"),
    ],
)
def test_faults_are_named(written, text, words):
    message = refused(written(text))
    assert words in message
    assert message.startswith("capture “")


def test_fewer_samples_than_the_header_states_are_told(written):
    text = "Record Length,2500,Points\nSample Interval,1e-6,s\nplus (V),minus (V)\n1.5,2\n0.5,3\n"
    assert read_all(written(text))[0].notes == ("The header states 2500 samples, 2 are there.",)


def test_a_text_too_long_to_read_whole(written, monkeypatch):
    path = written("t (s),a\n0.0,1.5\n1.0,2.5\n")
    size = path.stat().st_size
    monkeypatch.setattr("instruments.file.held._MOST_BYTES", size)
    read_all(path)
    monkeypatch.setattr("instruments.file.held._MOST_BYTES", size - 1)
    assert "longer than 2 GiB" in refused(path)


# Long texts, which are read straight from the disk as far as they are plain


def long_text(rows=4000):
    values = np.random.default_rng(5).normal(0.0, 0.3, (rows, 2)).tolist()
    lines = (f"{row * 1e-6:.7f},{a:.5e},{b:.5e}\n" for row, (a, b) in enumerate(values))
    return "Time (s),CH1 (V),CH2 (V)\n" + "".join(lines)


@pytest.mark.parametrize(
    ("change", "rows", "plain"),
    [
        (lambda text: text, 4000, True),
        (lambda text: text.replace("\n", "\r\n"), 4000, True),
        (lambda text: text[:-1], 4000, True),
        # Two digits and the exponent are lost: the row may be cut.
        (lambda text: text[:-7], 3999, True),
        (lambda text: text + "\n\n", 4000, True),
        (lambda text: text + ",,\n", 4000, False),
        (lambda text: text + "end of data\n", 4000, False),
        (lambda text: text.replace("0.0020000,", '"0.0020000",'), 4000, False),
        (lambda text: text.encode("utf-16"), 4000, False),
    ],
    ids=["plain", "crlf", "no end", "cut", "blank end", "separators", "words", "quotes", "wide"],
)
def test_a_long_text_is_read_alike_by_either_way(written, monkeypatch, change, rows, plain):
    path = written(change(long_text()))
    encoding = csv_numbers.encoding_of(path)
    layout = find_layout(csv_numbers.head_lines(path, encoding))
    assert (csv_numbers._plain_numbers(path, encoding, layout) is not None) == plain
    info, blocks = read_all(path)
    assert sum(len(block.samples_v) for block in blocks) == rows
    monkeypatch.setattr(csv_numbers, "_plain_numbers", lambda *_: None)
    slowly, others = read_all(path)
    assert (slowly.notes, slowly.sample_rate_hz) == (info.notes, info.sample_rate_hz)
    assert np.array_equal(blocks[0].samples_v, others[0].samples_v)


def test_a_word_in_the_middle_of_a_long_text_is_named_with_its_line(written):
    text = long_text().replace("0.0020000,", "0.0020000,overload,", 1)
    assert "line 2002: “overload” is not a number" in refused(written(text))


def test_a_line_with_too_many_cells_is_named_where_some_are_passed_over(written):
    lines = long_text().splitlines()
    text = "\n".join([lines[0] + ",D7-D0", *(line + ",0x01" for line in lines[1:])]) + "\n"
    assert sum(len(block.samples_v) for block in read_all(written(text))[1]) == 4000
    more = text.replace(lines[2000], lines[2000] + ",0.5", 1)
    assert "line 2001: there are 4 values, 3 in the lines before" in refused(written(more))
