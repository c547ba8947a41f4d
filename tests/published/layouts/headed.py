"""Text exports with a head of names and values, and what a head can tell."""

from __future__ import annotations

import numpy as np

from tests.published.layouts.layout import SECOND_HAND, Column, Layout, read_as, refused
from tests.published.layouts.signal import ENVELOPE, ENVELOPE_HZ, SHORT_HZ, index, phases
from tests.published.layouts.text import PAIR, clock, envelope, pair, rows


def beside(head: list[str], lines: list[str], empty: str) -> str:
    """Return lines with a cell of the head before each, and `empty` where the head is done."""
    head = head + [empty] * (len(lines) - len(head))
    return "".join(f"{left}{line}\n" for left, line in zip(head, lines, strict=True))


def head_beside() -> list[Layout]:
    """Names and values stand in the same lines as the samples."""
    a, b = pair("11.5f")
    t = clock("18.12f", start_s=-0.002)
    keys = ["Record Length,2.000000e+02", "Sample Interval,2.000000e-05"]
    keys += ["Trigger Point,1.000000e+02", "", "", "", "Source,CH{n}", "Vertical Units,V"]
    keys += ["Vertical Scale,1.000000e-01", "Vertical Offset,0.000000e+00", "Horizontal Units,s"]
    keys += ["Horizontal Scale,4.000000e-04", "Pt Fmt,Y", "Yzero,0.000000e+00"]
    left = [f"{key.format(n=1) or ','},," for key in keys]
    lines = [f"{x},{y}," for x, y in zip(t, a.written, strict=True)]
    second = [f"{key.format(n=1) or ','},,{{}},{key.format(n=2) or ','},,{{}}" for key in keys]
    joined = []
    for place, (x, y, v) in enumerate(zip(t, a.written, b.written, strict=True)):
        form = second[place] if place < len(second) else ",,,{},,,,{}"
        joined.append(form.format(f"{x},{y}", f"{x},{v}") + ",")
    tail = ["Start,0,", "Increment,2.0e-05,", "Vertical Units,V,"]
    righted = [
        f"{x},{y.strip()},{z.strip()}"
        for x, y, z in zip(clock(".6f"), a.written, b.written, strict=True)
    ]
    for place, cell in enumerate(tail):
        righted[place] += f",,{cell}"
    one = read_as(SHORT_HZ, [a.read], roles=["differential"], uncertain=False)
    two = read_as(SHORT_HZ, [a.read, b.read], roles=PAIR, uncertain=False)
    return [
        Layout(
            "head-beside.csv",
            "names and values in the first columns, times and volts of one channel beside them",
            "example file in GAGER41/oximetre, F0000CH1.CSV",
            beside(left, lines, ",,,").encode(),
            one,
        ),
        Layout(
            "two-blocks.csv",
            "two such blocks side by side, each with its times",
            SECOND_HAND,
            ("\n".join(joined) + "\n").encode(),
            two,
        ),
        Layout(
            "head-right.csv",
            "titles with units, and a head to the right of the first samples",
            SECOND_HAND,
            ("Time(s),CH1(V),CH2(V)\n" + "\n".join(righted) + "\n").encode(),
            two,
        ),
    ]


def key_lines() -> list[Layout]:
    """Lines of a name and its values, then a line of titles, then the samples."""
    a, b = pair(".5f")
    t = clock(" .11f", start_s=-0.002)
    listed = "Record Length,Analog:200\nSample Interval,CH1:0.0000200000000\n"
    listed += "Vertical Units,CH1:V,CH2:V,,\nVertical Scale,CH1:0.10,CH2:0.10,,\n"
    listed += "Horizontal Units,us,,,\nHorizontal Scale,400.0000000000,,,\nSource,CH1,CH2\n"
    listed += "Second,Volt,Volt\n"
    peak_head = "Model,M2024\nFirmware Version,1.0\n\nPoint Format,ENV,\nHorizontal Units,S,\n"
    peak_head += "Horizontal Scale,0.0004,\nSample Interval,2.0e-05,\nRecord Length,200,\n"
    peak_head += "Probe Attenuation,1,,1,\nVertical Units,V,,V,\nLabel,,,,\n"
    peak_head += "TIME,CH1,CH1 Peak Detect,CH2,CH2 Peak Detect\n"
    plus, minus = phases()
    high = [Column([v + 0.02 for v in side], ".5f") for side in (plus, minus)]
    low = [Column([v - 0.02 for v in side], ".5f") for side in (plus, minus)]
    cells = [
        # The two values of a stretch come in the order of their times, which changes.
        [(up.written, down.written)[(k // 3) % 2][k] for k in range(len(plus))]
        for up, down in ((low[0], high[0]), (high[0], low[0]), (low[1], high[1]), (high[1], low[1]))
    ]
    peaks = peak_head + rows(clock(".7e"), *cells) + "\n"
    extremes = [
        [float(value) for value in column]
        for column in (np.column_stack([low[n].read, high[n].read]).reshape(-1) for n in (0, 1))
    ]
    c = Column(index(), ".2f")
    model = "Model,M58\nFirmware Version,2.0\n\nWaveform Type,ANALOG,ANALOG,ANALOG\n"
    model += "Point Format,Y,Y,Y\nHorizontal Units,s,s,s\nSample Interval,2e-05,2e-05,2e-05\n"
    model += "Record Length,200,200,200\nVertical Units,V,V,V\nLabel,minus,plus,index\n,,,\n"
    model += "TIME,CH1,CH2,CH3\n"
    labelled = model + rows(clock(".6e"), b.written, a.written, c.written)
    level, pulse = envelope(".4f")
    turn_t = [f"{k / ENVELOPE_HZ:.5f}" for k in range(len(level.values))]
    spans = "in s,C1 in V,C2 in V\n"
    sampled = "#Sample rate: 4000Hz\n#Samples: 1840\n\nTime (s),envelope (V),index (V)\n"
    return [
        Layout(
            "listed-seconds.csv",
            "values named by channel; the head's horizontal unit is us, the column's is second",
            "example file in evanmoring/siglent_utils, SDS00001.csv",
            (listed + rows(t, a.written, b.written)).encode(),
            read_as(SHORT_HZ, [a.read, b.read], roles=PAIR, uncertain=False),
        ),
        Layout(
            "column-of-extremes.csv",
            "each channel has a second column: both extremes of a stretch, in the order of time",
            "example file in gedeanekenshima/dadosDaniel, T0000.CSV; two channels: second hand",
            peaks.encode(),
            read_as(
                SHORT_HZ,
                [[float(text) for text in cells[0]], [float(text) for text in cells[2]]],
                roles=PAIR,
                paired=read_as(2 * SHORT_HZ, extremes, roles=PAIR, min_max=True),
            )
            | refused("peak", "extreme", "highest", "pairs"),
        ),
        Layout(
            "labelled.csv",
            "a column of values a channel, with the user's labels: minus, plus, index",
            "second hand: a test's text in a public repository, whose name was not seen",
            labelled.encode(),
            read_as(
                SHORT_HZ,
                [b.read, a.read, c.read],
                ask="minus,plus,index",
                uncertain=False,
            ),
        ),
        Layout(
            "in-units.csv",
            "one line of titles of the form 'C1 in V'; turns of an envelope",
            "example file in leotanaka4/lab-eca, WFM01.CSV",
            (spans + rows(turn_t, level.written, pulse.written)).encode(),
            read_as(
                ENVELOPE_HZ,
                [level.read, pulse.read],
                ask="envelope,index",
                balance=ENVELOPE.balance,
                uncertain=False,
            ),
        ),
        Layout(
            "hash-lines.csv",
            "lines that begin with a hash, titles that are roles with their units; turns",
            SECOND_HAND,
            (sampled + rows(turn_t, level.written, pulse.written)).encode(),
            read_as(
                ENVELOPE_HZ,
                [level.read, pulse.read],
                roles=["envelope", "index"],
                roles_from="file",
                balance=ENVELOPE.balance,
                uncertain=False,
            ),
        ),
    ]


def without_times() -> list[Layout]:
    """The head tells the interval, and no column holds times."""
    a, b = pair(".2f", 1e-3)
    count = [str(k) for k in range(len(a.values))]
    owned = "Channel  :,CH1,CH2\nFrequency  :,F=6.849kHz,F=6.849kHz\nProbe attenuation  :,1X,1X\n"
    owned += "Voltage per ADC value:,0.40mV,0.40mV\nTime interval  :,20.00uS\n\n"
    owned += "index,CH1_Voltage(mV),CH2_Voltage(mV)\n"
    x, y = pair("+.6E")
    t_inc = "CH1V,CH2V,t0 =-2.000000e-03, tInc = 2.000000e-05,\n"
    with_time = "Time(s),CH1(V),CH2(V),t0 = -2e-03s, tInc = 2e-05s,\n"
    labels = "TraceName,CH1,CH2\nBlockSize,200,200\nVUnit,V,V\nHResolution,2.0e-05,2.0e-05\n"
    labels += "HUnit,s,s\nHOffset,0,0\n\n"
    scale = [round(v / 0.004) for v in phases(top_v=0.3)[0]]
    coded = "Memory Length,200,\nTrigger Level,0.000E+00,\nSource,CH1,\nVertical Units,V,\n"
    coded += "Vertical Scale,1.000E-01,\nVertical Position,0.000E+00,\nHorizontal Units,s,\n"
    coded += "Horizontal Scale,5.000E-04,\nSampling Period,2.000E-05,\nWaveform Data,\n"
    lvm = "LabVIEW Measurement\nWriter_Version\t2\nReader_Version\t2\nSeparator\tTab\n"
    lvm += "Decimal_Separator\t.\nX_Columns\tNo\n***End_of_Header***\n\nChannels\t2\t\n"
    lvm += "Samples\t200\t200\nY_Unit_Label\tVolts\tVolts\nDelta_X\t0.00002\t0.00002\n"
    lvm += "***End_of_Header***\nVoltage_0\tVoltage_1\tComment\n"
    two = read_as(SHORT_HZ, [x.read, y.read], roles=PAIR, uncertain=False)
    return [
        Layout(
            "interval-with-unit.csv",
            "a counter, millivolts, and 'Time interval :,20.00uS' in the head",
            SECOND_HAND,
            (owned + rows(count, a.written, b.written)).encode(),
            read_as(SHORT_HZ, [a.read, b.read], roles=PAIR, uncertain=False),
        ),
        Layout(
            "t-inc.csv",
            "t0 and tInc stand in the line of titles, without a time column",
            SECOND_HAND,
            (t_inc + rows(x.written, y.written, after=",,")).encode(),
            two,
        ),
        Layout(
            "t-inc-and-times.csv",
            "the same beside a time column",
            SECOND_HAND,
            (with_time + rows(clock(".5e"), x.written, y.written, after=",,")).encode(),
            two,
        ),
        Layout(
            "h-resolution.csv",
            "HResolution is the interval, HUnit its unit, VUnit that of each channel",
            SECOND_HAND,
            (labels + rows(x.written, y.written)).encode(),
            two,
        ),
        Layout(
            "codes-a-division.csv",
            "integers, 25 of them a division of the vertical scale",
            "example file in Petint/PATAKY-MERES, DS0000.CSV; 25 codes: " + SECOND_HAND,
            (coded + "".join(f"{code},\n" for code in scale)).encode(),
            read_as(
                SHORT_HZ,
                [[code * 0.1 / 25 for code in scale]],
                roles=["differential"],
                uncertain=False,
            ),
        ),
        Layout(
            "volts-under-codes-head.csv",
            "the head of the codes over times and volts",
            "example file in fu06pi/vega-practice, DS0001.CSV",
            (
                coded.replace("Waveform Data,", "Mode,Detail,\nWaveform Data,")
                + rows(clock(".6e"), x.written, after=",")
            ).encode(),
            read_as(SHORT_HZ, [x.read], roles=["differential"], uncertain=False),
        ),
        Layout(
            "delta-x.lvm",
            "tabs; the head has Delta_X, and no column holds times",
            SECOND_HAND,
            (lvm + rows(x.written, y.written, between="\t", after="\t")).encode(),
            two,
        ),
        Layout(
            "volt-base.csv",
            "time and numbers whose unit is not written; the head's (uV) is not theirs",
            SECOND_HAND,
            (
                "#timebase=400000000(ps)\n,#voltbase=100000(uV)\n#size=200\n"
                + rows(clock(".6E"), pair(".3f", 1e-3)[0].written)
            ).encode(),
            read_as(
                SHORT_HZ,
                [[float(text) for text in pair(".3f", 1e-3)[0].written]],
                roles=["differential"],
                uncertain=True,
            ),
        ),
    ]


def turns() -> list[Layout]:
    """Return forms of this module and of `text` that are long enough for a reading."""
    level, pulse = envelope(".4f")
    stamps = Column([k / ENVELOPE_HZ - 0.1 for k in range(len(level.values))], ".6f")
    truth = read_as(
        ENVELOPE_HZ,
        [level.read, pulse.read],
        ask="envelope,index",
        balance=ENVELOPE.balance,
        uncertain=False,
    )
    milli = [Column(column.read, ".1f", 1e-3) for column in (level, pulse)]
    late = Column(stamps.read, ".3f", 1e-3)
    thousandths = "Time;Channel A;Channel B\n(ms);(mV);(mV)\n;;\n"
    thousandths += rows(late.written, *(column.written for column in milli), between=";")
    in_milli = [column.read for column in milli]
    axis = "x-axis,1,2\nsecond,Volt,Volt\n-0.100250,,\n"
    hollow = axis + rows(stamps.written, level.written, pulse.written) + "0.360000,,\n"
    t_inc = "CH1V,CH2V,t0 =-1.000000e-01, tInc = 2.500000e-04,\n"
    count = [str(2000 + k) for k in range(len(level.values))]
    sampled = "Sample,Time(S),CH1(V),CH2(V)\n"
    return [
        Layout(
            "turns-separator-row.csv",
            "milliseconds, millivolts, a row of separators",
            SECOND_HAND,
            thousandths.replace(".", ",").encode(),
            truth | read_as(ENVELOPE_HZ, in_milli),
        ),
        Layout(
            "turns-x-axis.csv",
            "x-axis; the first and the last row are hollow",
            SECOND_HAND,
            hollow.encode(),
            truth,
        ),
        Layout(
            "turns-t-inc.csv",
            "tInc in the line of titles, no times",
            SECOND_HAND,
            (t_inc + rows(level.written, pulse.written, after=",,")).encode(),
            truth,
        ),
        Layout(
            "turns-counter-time.csv",
            "a counter, then the time",
            SECOND_HAND,
            (sampled + rows(count, stamps.written, level.written, pulse.written)).encode(),
            truth,
        ),
    ]


def all_headed() -> list[Layout]:
    """Return every layout of this module."""
    return [*head_beside(), *key_lines(), *without_times(), *turns()]
