"""Text exports with something odd in their numbers, times or lines."""

from __future__ import annotations

import numpy as np

from tests.published.layouts.layout import SECOND_HAND, Column, Layout, read_as, refused
from tests.published.layouts.signal import (
    ENVELOPE,
    ENVELOPE_HZ,
    SHORT_FRAMES,
    SHORT_HZ,
    phases,
    times,
)
from tests.published.layouts.text import PAIR, WAVE_FILES, clock, envelope, pair, rows

HEAD = "Time(s),CH1(V),CH2(V)\n"


def numbers() -> list[Layout]:
    """Numbers in other notations."""
    a, b = pair(".4f")
    two = read_as(SHORT_HZ, [a.read, b.read], roles=PAIR, uncertain=False)
    quoted = [[f'"{text}"' for text in column] for column in (clock(".6f"), a.written, b.written)]
    commas = '"Time (s)","CH1 (V)","CH2 (V)"\n' + rows(*quoted).replace(".", ",").replace(
        '","', '";"'
    )
    bom = "\ufeffTime(s),CH1(V),CH2(V)\n" + rows(clock(".6f"), a.written, b.written)
    x, y = pair(".1f", 1e-6, top_v=0.01)
    micro = "Time,Channel A,Channel B\n(us),(uV),(uV)\n\n" + rows(
        clock(".3f", 1e-6), x.written, y.written
    )
    count = [str(k) for k in range(SHORT_FRAMES)]
    codes = [[f"{round(v / 0.004)}" for v in column.values] for column in (a, b)]
    tabs = "nr\ttime\tch1\tch2\tch1s\tch2s\n"
    spaced = rows(count, clock("g"), a.written, b.written, *codes, between="\t")
    over = list(a.written)
    under = list(b.written)
    over[50:53] = ["∞"] * 3
    under[50:53] = ["-∞"] * 3
    infinite = "Time;Channel A;Channel B\n(ms);(V);(V)\n;;\n"
    infinite += rows(clock(".4f", 1e-3), over, under, between=";")
    words = [text.replace("∞", "OL") for text in over]
    return [
        Layout(
            "quoted-commas.csv",
            "numbers in quotes with decimal commas, parted by semicolons",
            "from memory",
            commas.encode(),
            two,
        ),
        Layout(
            "byte-order-mark.csv", "UTF-8 with a byte-order mark", "from memory", bom.encode(), two
        ),
        Layout(
            "micro-units.csv",
            "microseconds and microvolts in a row of units, then an empty line",
            SECOND_HAND,
            micro.encode(),
            read_as(SHORT_HZ, [x.read, y.read], roles=PAIR, uncertain=False),
        ),
        Layout(
            "codes-beside.tsv",
            "a counter, times, two channels, then the codes of both; tabs, no units",
            "document in phmarek/hantek-dso2000, doc/csv.md",
            (tabs + spaced).encode(),
            read_as(SHORT_HZ, [a.read, b.read], ask="plus,minus,-,-", uncertain=True),
        ),
        Layout(
            "infinite.csv",
            "∞ and -∞ where the input was driven beyond its range",
            SECOND_HAND,
            infinite.encode(),
            two | {"clipped": True},
        ),
        Layout(
            "overload.csv",
            "OL where the input was driven beyond its range",
            SECOND_HAND,
            (HEAD + rows(clock(".6f"), words, b.written)).encode(),
            two | {"clipped": True},
        ),
    ]


def odd_times() -> list[Layout]:
    """Times that are coarse, doubled, or begin anew."""
    a, b = pair(".4f")
    level, _ = envelope(".4f")
    low = Column((ENVELOPE.envelope_v * -1.0).tolist(), ".4f")
    stamp = [f"{k / ENVELOPE_HZ:.5f}" for k in range(len(level.values))]
    pairs = "Time(s),CH1(V)\n" + "".join(
        f"{t},{bottom}\n{t},{top}\n"
        for t, bottom, top in zip(stamp[:900], low.written, level.written, strict=False)
    )
    both = np.column_stack([low.read[:900], level.read[:900]]).reshape(-1)
    five = Column(times(rate_hz=40_000.0, start_s=0.5), ".4e").written
    coarse = Column(times(start_s=100.0), ".3f").written
    told = "Record Length,200\nSample Interval,2.000000e-05\nVertical Units,V\nHorizontal Units,s\n"
    told += "TIME,CH1,CH2\n"
    half = SHORT_FRAMES // 2
    part = clock(".6f", start_s=-0.0002)[:half] * 2
    segments = "LECROYM1,10081,Waveform\nSegments,2,SegmentSize,100\n"
    segments += "Segment,TrigTime,TimeSinceSegment1\n#1,01-Jan-2026 10:00:00,0\n"
    segments += "#2,01-Jan-2026 10:00:00,0.01\nTime,Ampl\n"
    whole = segments.replace("Segments,2,SegmentSize,100", "Segments,1,SegmentSize,200")
    whole = whole.replace("#2,01-Jan-2026 10:00:00,0.01\n", "")
    one = read_as(SHORT_HZ, [a.read], roles=["differential"])
    gap = [k for k in range(SHORT_FRAMES + 40) if not 120 <= k < 160]
    lost = [f"{k / SHORT_HZ:.5f}" for k in gap]
    return [
        Layout(
            "twice-each-time.csv",
            "each time twice, with the lowest and the highest value of its stretch",
            SECOND_HAND,
            pairs.encode(),
            {
                "rate_hz": 2 * ENVELOPE_HZ,
                "frames": len(both),
                "first_v": both[:3, None].tolist(),
                "last_v": [float(both[-1])],
                "roles": ["differential"],
                "min_max": True,
            },
        ),
        Layout(
            "five-digits.csv",
            "times of five digits, whose steps are uneven by rounding alone",
            SECOND_HAND,
            (HEAD + rows(five, a.written, b.written)).encode(),
            read_as(40_000, [a.read, b.read], roles=PAIR, rate_within=2e-3) | refused("digits"),
        ),
        Layout(
            "coarse-but-told.csv",
            "times with too few digits; the head tells the interval",
            SECOND_HAND,
            (told + rows(coarse, a.written, b.written)).encode(),
            read_as(SHORT_HZ, [a.read, b.read], roles=PAIR, uncertain=False),
        ),
        Layout(
            "coarse.csv",
            "times with too few digits, and no word of the interval",
            SECOND_HAND,
            (HEAD + rows(coarse, a.written, b.written)).encode(),
            refused("digits"),
        ),
        Layout(
            "segments.csv",
            "two segments, the second triggered 10 ms after the first; times begin anew",
            "second hand: comments in public programs, whose names were not seen",
            (segments + rows(part, a.written)).encode(),
            one | {"gaps": [500], "end_index": 600},
        ),
        Layout(
            "one-segment.csv",
            "the same form with one segment",
            "second hand: comments in public programs, whose names were not seen",
            (whole + rows(clock(".6f"), a.written)).encode(),
            one,
        ),
        Layout(
            "lost-frames.csv",
            "even times in which 40 frames are missing",
            "this project's own question",
            (HEAD + rows(lost, a.written, b.written)).encode(),
            read_as(SHORT_HZ, [a.read, b.read], roles=PAIR, gaps=[160], uncertain=False),
        ),
    ]


def odd_lines() -> list[Layout]:
    """Lines before, after or short of the samples."""
    a, b = pair(".4f")
    body = HEAD + rows(clock(".6f"), a.written, b.written)
    two = read_as(SHORT_HZ, [a.read, b.read], roles=PAIR, uncertain=False)
    after = body + "\nMeasurements,CH1,CH2\nVpp,0.41,0.40\nFrequency,6.85k,6.85k\n"
    program = '"Number of Data points =",200,\n"Time Scale (s/DIV) =",4E-4,\n'
    program += '"Sampling Frequency (Hz)=",50000,\n"Channel Data","CH 1","CH 2"\n'
    program += '"Attenuation = ",10,1\n"Scale (V/DIV) = ",0.1,0.1\n"Maximum (V) = ",0.2,0.2\n'
    program += '"Inverted = ","NO","NO"\n"Time (s)","Voltage (V)","Voltage (V)"\n'
    g = clock("g")
    spaced = "X,CH 1 (V),CH 2 (V)\n" + rows(clock(".8f"), a.written, b.written)
    bare = rows([f"{v:.9g}" for v in phases()[0]], [f"{v:.9g}" for v in phases()[1]])
    exact = [[float(f"{v:.9g}") for v in side] for side in phases()]
    header = "RecordLength:200:\nXStart:-0.002:\nXStop:0.00198:\nSignalResolution:2e-05:\n"
    header += "VerticalUnit:V:\nHorizontalUnit:s:\n"
    short = body.rstrip("\n").rsplit(",", 1)[0]
    inner = [column.read[:-1] for column in (a, b)]
    return [
        Layout(
            "text-after.csv",
            "a table of measurements after the samples",
            SECOND_HAND,
            after.encode(),
            two,
        ),
        Layout(
            "no-last-end.csv",
            "the last line has no end",
            SECOND_HAND,
            body.rstrip("\n").encode(),
            two,
        ),
        Layout(
            "cut-in-a-row.csv",
            "the file ends within a row: what is there may be read, with a word about it",
            "this project's own question",
            short.encode(),
            read_as(SHORT_HZ, inner, roles=PAIR, noted=["cut", "last", "end", "left out"])
            | refused("cut", "line 201", "missing", "end"),
        ),
        Layout(
            "program-head.csv",
            "a head of quoted names and values a channel, titles alike, a last row of commas",
            f"{WAVE_FILES}/DS1052E.csv",
            (program + rows(g, a.written, b.written) + ",,\n").encode(),
            two,
        ),
        Layout(
            "spaced-titles.csv",
            "titles CH 1 (V), CH 2 (V); X is the time",
            f"{WAVE_FILES}/DS1102D-A.csv",
            spaced.encode(),
            two,
        ),
        Layout(
            "beside.Wfm.csv",
            "samples alone; the interval stands in another file of that name",
            "scottprahl/RigolWFM, tests/files/rs/rs_rtp_02.Wfm.csv; its head: from memory",
            bare.encode(),
            read_as(SHORT_HZ, exact, roles=PAIR) | refused("rate"),
            {"beside.csv": header.encode()},
        ),
        Layout(
            "alone.Wfm.csv",
            "samples alone and no such file: the user tells the rate",
            "example file in scottprahl/RigolWFM, tests/files/rs/rs_rtp_02.Wfm.csv",
            bare.encode(),
            read_as(SHORT_HZ, exact, roles=PAIR, options="?rate=50000", uncertain=True),
        ),
    ]


def all_odd() -> list[Layout]:
    """Return every layout of this module."""
    return [*numbers(), *odd_times(), *odd_lines()]
