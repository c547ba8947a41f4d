"""What makers' exports have beside columns of numbers: each kind of thing, small, with its truth.

Whole files of such layouts, by somebody else, are in fixtures/captures/layouts.
"""

import numpy as np
import pytest

from instruments.source import FormatError, Role
from tests.instruments.file.captures import read_all

PLUS = [0.25, -0.5, 0.75, -0.25, 0.5, -0.75, 0.125, 1.0, -1.0, 0.0]
MINUS = [-value for value in PLUS]
INTERVAL_S = 2e-6


@pytest.fixture
def written(tmp_path):
    def write(head, row, name="capture.csv", tail=""):
        lines = [row(i, PLUS[i], MINUS[i]) for i in range(len(PLUS))]
        path = tmp_path / name
        path.write_text(head + "".join(line + "\n" for line in lines) + tail, encoding="utf-8")
        return path

    return write


def time(i):
    return f"{i * INTERVAL_S:.7f}"


def both(path, roles=None):
    """Return the info, and the two columns of the only block."""
    info, (block,) = read_all(path, roles)
    assert info.sample_rate_hz == pytest.approx(1 / INTERVAL_S)
    return info, block


def check(path, roles=None, *, uncalibrated=False):
    info, block = both(path, roles)
    assert block.samples_v.tolist() == [list(pair) for pair in zip(PLUS, MINUS, strict=True)]
    assert block.uncalibrated is uncalibrated
    return info


# Columns


def test_a_row_of_separators_takes_no_unit_away(written):
    path = written(
        "Time;A;B\n(ms);(mV);(mV)\n;;\n", lambda i, a, b: f"{i * 2e-3:.4f};{a * 1e3};{b * 1e3}"
    )
    check(path)


def test_the_column_after_a_counter_may_be_the_time(written):
    check(written("Sample,Time(S),CH1(V),CH2(V)\n", lambda i, a, b: f"{i},{time(i)},{a},{b}"))
    check(written("Time(s),CH1(V),CH2(V)\n", lambda i, a, b: f"{time(i)},{a},{b}"))


def test_blocks_side_by_side_have_one_time(written):
    keys = ["Vertical Units,V", "Horizontal Units,s", "Sample Interval,2e-06"]
    keys += [","] * (len(PLUS) - len(keys))
    path = written("", lambda i, a, b: f"{keys[i]},{time(i)},{a},{keys[i]},{time(i)},{b}")
    assert check(path).notes == ()


def test_times_that_differ_are_refused(written):
    path = written("t (s),A (V),t (s),B (V)\n", lambda i, a, b: f"{time(i)},{a},{time(i + 1)},{b}")
    with pytest.raises(FormatError, match="times that differ"):
        read_all(path)


def test_times_alone_are_no_samples(written):
    with pytest.raises(FormatError, match="times and no samples"):
        read_all(written("t (s),t (s)\n", lambda i, a, b: f"{time(i)},{time(i)}"))


def test_channels_with_their_extremes_are_pairs(written):
    head = "Vertical Units,V,,V,\nTIME,CH1,CH1 Peak Detect,CH2,CH2 Peak Detect\n"
    path = written(head, lambda i, a, b: f"{time(i)},{a - 1},{a},{b},{b - 1}")
    info, (block,) = read_all(path)
    assert (block.min_max, info.sample_rate_hz) == (True, 1e6)
    assert info.roles == (Role.PLUS, Role.MINUS)
    assert block.samples_v[:4].tolist() == [
        [-0.75, -1.25],
        [0.25, -0.25],
        [-1.5, -0.5],
        [-0.5, 0.5],
    ]
    assert not block.uncalibrated


def test_extremes_that_are_none_are_left_out(written):
    path = written("t (s),A (V),B (V),A max (V)\n", lambda i, a, b: f"{time(i)},{a},{b},{a + 1}")
    assert "left out" in check(path).notes[0]
    path = written("t (s),A (V),A max (V)\n", lambda i, a, b: f"{time(i)},{a},{a + (-1) ** i}")
    info, block = both(path)
    assert (block.samples_v[:, 0].tolist(), block.min_max) == (PLUS, False)
    assert "left out" in info.notes[0]


def test_each_time_twice_is_a_pair(written):
    path = written(
        "t (s),A (V),B (V)\n", lambda i, a, b: f"{time(i)},{a + 1},{b}\n{time(i)},{a},{b + 1}"
    )
    info, (block,) = read_all(path)
    assert (block.min_max, info.sample_rate_hz) == (True, 1e6)
    assert block.samples_v[:4].tolist() == [[0.25, -0.25], [1.25, 0.75], [-0.5, 0.5], [0.5, 1.5]]


def test_words_of_logic_levels_are_passed_over(written):
    path = written(
        "X,CH1 (V),CH2 (V),D7-D0,Increment\n,,,,2e-6\n", lambda i, a, b: f"{i},{a},{b},0x{i:02X}"
    )
    check(path)
    check(path, "plus,minus,-")


# Units


@pytest.mark.parametrize("unit", ["A", "mA", "dBV"])
def test_a_column_in_another_unit_spoils_no_other(written, unit):
    head = f"x-axis,1,2,3\nsecond,Volt,Volt,{unit}\n"
    path = written(head, lambda i, a, b: f"{time(i)},{a},{b},7.5")
    assert check(path, "plus,minus,-").notes == ()
    info, (block,) = read_all(path, "plus,-,minus")
    assert block.uncalibrated
    assert info.notes == (f"A column is in “{unit.lower()}”, not volts; its volts are relative.",)


def test_a_key_row_gives_units_by_column(written):
    head = "Vertical Units,mV,A\nTIME,CH1,CH2\n"
    path = written(head, lambda i, a, b: f"{time(i)},{a * 1e3},{b}")
    info, block = both(path)
    assert (block.samples_v[:, 0].tolist(), block.uncalibrated) == (PLUS, True)
    assert "“a”" in info.notes[1]


def test_a_key_line_is_no_heading(written):
    path = written("#Sample rate=500000\n#voltbase=500000(uV)\n", lambda i, a, b: f"{a}")
    info, block = both(path)
    assert (block.samples_v[:, 0].tolist(), block.uncalibrated) == (PLUS, True)
    assert "no unit" in info.notes[0]


def test_codes_with_volts_a_division(written):
    # 25 codes a division: second hand, from notes on that maker's exports.
    head = (
        "Memory Length,10,,Memory Length,10,\nVertical Scale,5.0E-01,,Vertical Scale,1.0,\n"
        "Sampling Period,2E-06,,Sampling Period,2E-06,\nWaveform Data,,,Waveform Data,,\n"
    )
    path = written(head, lambda i, a, b: f"{a * 50:.0f},,,{b * 25:.0f},,")
    _, block = both(path)
    assert block.samples_v[1].tolist() == [-0.5, np.float32(0.48)]


# Rows


def test_a_header_to_the_right_takes_no_row_away(written):
    beside = [",Points,10", ",Sample rate,500000", ",Offset,0"]
    check(
        written(
            "Time(s),CH1(V),CH2(V)\n",
            lambda i, a, b: f"{time(i)},{a},{b}" + (beside[i] if i < len(beside) else ""),
        )
    )


def test_text_after_the_samples_is_passed_over(written):
    head, tail = "Time(s),CH1(V),CH2(V)\n", "\nMean,0.5\n# end of file\n"
    info = check(written(head, lambda i, a, b: f"{time(i)},{a},{b}", tail=tail))
    assert info.notes == ("The text after the samples is passed over.",)


def test_times_alone_at_both_ends_are_left_out(written):
    head = "x-axis,1,2\nsecond,Volt,Volt\n-2E-6,,\n"
    check(written(head, lambda i, a, b: f"{time(i)},{a},{b}", tail="0.00002,,\n"))
    path = written(head, lambda i, a, b: f"{time(i)},{a},{b}", tail="0.00002,,\n0.000022,1,1\n")
    with pytest.raises(FormatError, match="line 14: a value is missing"):
        read_all(path)


def test_as_many_rows_as_are_stated_are_whole(written):
    head = "Record Length,10\nSample Interval,2e-6\nA (V),B (V)\n"
    path = written(head, lambda i, a, b: f"{a},{b}")
    path.write_text(path.read_text().removesuffix("\n"))
    assert check(path).notes == ()


@pytest.mark.parametrize(("over", "under"), [("∞", "-∞"), ("OL", "-OL"), ("inf", "-Infinity")])
def test_overload_is_infinite(written, over, under):
    def row(i, a, b):
        return f"{time(i)},{over if a == 1 else a},{under if b == -1 else b}"

    _, block = both(written("Time (s),A (V),B (V)\n", row))
    assert block.samples_v[7].tolist() == [np.inf, -np.inf]
    assert np.isfinite(np.delete(block.samples_v, 7, axis=0)).all()


# The interval


@pytest.mark.parametrize(
    "head",
    [
        "CH1V,CH2V,t0 =-5e-06s, tInc = 2e-06s,\n",
        "Time interval :,2.0uS\nA (V),B (V)\n",
        '"VUnit","V","V"\n"HResolution",2.0E-06,2.0E-06\n"HUnit","s","s"\n',
        "Sampling Period,2.000E-06,\nA (V),B (V)\n",
        "Delta_X,2E-6,2E-6\nY_Unit_Label,Volts,Volts\nA,B\n",
        "XInc:,2.0e-06\nA (V),B (V)\n",
    ],
)
def test_intervals_under_many_names(written, head):
    check(written(head, lambda i, a, b: f"{a},{b}"))


def test_a_table_without_times_after_an_empty_cell(written):
    head = (
        "Channels\t2\t\t\nSamples\t10\t10\t\nY_Unit_Label\tVolts\tVolts\t\nX0\t0.0\t0.0\t\n"
        "Delta_X\t2E-6\t2E-6\t\n***End_of_Header***\t\t\t\nX_Value\tA\tB\tComment\n"
    )
    check(written(head, lambda i, a, b: f"\t{a}\t{b}", name="capture.lvm"))


@pytest.mark.parametrize(
    ("beside", "text"),
    [
        ("capture.csv", "Resolution:2e-06:0.000002\nRecordLength:10:\n"),
        ("capture.Wfm.hdr", "HResolution 2.0E-06\n"),
    ],
)
def test_a_header_in_a_file_beside(written, tmp_path, beside, text):
    (tmp_path / beside).write_text(text)
    info = check(written("", lambda i, a, b: f"{a},{b}", name="capture.Wfm.csv"), uncalibrated=True)
    assert info.notes[0] == f"The rate is from “{beside}” beside it."
    (tmp_path / beside).unlink()
    with pytest.raises(FormatError, match="states no rate"):
        read_all(tmp_path / "capture.Wfm.csv")


def test_coarse_times_are_the_header_s_where_it_states_them(written):
    rows = "".join(f"{i * INTERVAL_S:.5f},{i % 7}.5\n" for i in range(50))
    path = written("", lambda i, a, b: "")
    path.write_text("Sample Interval,2e-06\nt (s),A (V)\n" + rows)
    info, (block,) = read_all(path)
    assert (info.sample_rate_hz, len(block.samples_v)) == (500_000.0, 50)
    assert info.notes == ("The times are printed coarsely; the rate is the header's.",)
    path.write_text("Sample Interval,3e-06\nt (s),A (V)\n" + rows)
    with pytest.raises(FormatError, match="too few digits"):
        read_all(path)


# Segments


def test_segments_are_joined_with_gaps(written):
    path = written("", lambda i, a, b: "")
    rows = [f"{i % 20 * 2e-6 - 1e-5:.7f},{i}.5\n" for i in range(60)]
    path.write_text("Time (s),Ampl (V)\n" + "".join(rows))
    info, blocks = read_all(path)
    assert info.sample_rate_hz == 500_000.0
    assert [(block.first_index, block.gap_before) for block in blocks] == [
        (0, False),
        (21, True),
        (42, True),
    ]
    assert [block.samples_v[0, 0] for block in blocks] == [0.5, 20.5, 40.5]
    path.write_text("Time (s),Ampl (V)\n" + "".join(rows[:25] + rows[30:]))
    with pytest.raises(FormatError, match="line 22: the time goes back"):
        read_all(path)


# What is no capture


@pytest.mark.parametrize(
    "head",
    [
        "f / Hz,A / dB\n",
        "Frequency,Level\n",
        "Horizontal Units,Hz\nTIME,CH1\n",
        "X,CH1\nHertz,dB\n",
    ],
)
def test_spectra_are_refused(written, head):
    with pytest.raises(FormatError, match="it holds a spectrum"):
        read_all(written(head, lambda i, a, b: f"{i * 1000},{a}"))


def test_a_spectrum_with_decimal_commas_is_refused(written):
    with pytest.raises(FormatError, match="it holds a spectrum"):
        read_all(written("f / Hz;A / dB\n", lambda i, a, b: f"{i},5;{a}".replace(".", ",")))


def test_logic_levels_are_refused(written):
    with pytest.raises(FormatError, match="it holds logic levels"):
        read_all(written("t (s),D0,D1\n", lambda i, a, b: f"{time(i)},{i % 2},{i // 2 % 2}"))
