"""Text exports with a time column, or an interval in place of one."""

from __future__ import annotations

from tests.published.layouts.layout import SECOND_HAND, Column, Layout, read_as
from tests.published.layouts.signal import (
    ENVELOPE,
    ENVELOPE_HZ,
    SHORT_HZ,
    index,
    phases,
    times,
)

WAVE_FILES = "example file in scottprahl/RigolWFM, tests/files/wfm"
PAIR = ["plus", "minus"]


def rows(*columns: list[str], between: str = ",", before: str = "", after: str = "") -> str:
    """Return columns as lines; `before` and `after` stand in each."""
    return "".join(
        before + between.join(cells) + after + "\n" for cells in zip(*columns, strict=True)
    )


def pair(form: str = ".4f", unit: float = 1.0, top_v: float = 0.4) -> tuple[Column, Column]:
    """Return both phases as columns."""
    plus, minus = phases(top_v=top_v)
    return Column(plus, form, unit), Column(minus, form, unit)


def clock(form: str, unit: float = 1.0, start_s: float = 0.0) -> list[str]:
    """Return the times of the short signal as they are written."""
    return Column(times(start_s=start_s), form, unit).written


def envelope(form: str, top: float = 1.0) -> tuple[Column, Column]:
    """Return turns of an envelope and their index as columns."""
    return (
        Column((ENVELOPE.envelope_v * top).tolist(), form),
        Column(ENVELOPE.index_v.tolist(), form),
    )


def counted() -> list[Layout]:
    """Frames are counted, and the head tells the interval."""
    a, b = pair(".2e")
    c = Column(index(), ".2e")
    count = [str(k) for k in range(len(c.values))]
    head = "X,CH1,CH2,CH3,Start,Increment,\nSequence,Volt,Volt,Volt,-2.000000e-03,2.000000e-05\n"
    body = rows(count, a.written, b.written, c.written, after=",")
    truth = read_as(SHORT_HZ, [a.read, b.read, c.read], roles=[*PAIR, "index"], uncertain=False)
    level, pulse = envelope(".4e")
    # Scopes that keep more than they give count on from what lies before.
    number = [str(2000 + k) for k in range(len(level.values))]
    turns_head = "X,CH1,CH2,Start,Increment,\nSequence,Volt,Volt,-1.000000e-01,2.500000e-04,\n"
    turns = read_as(
        ENVELOPE_HZ,
        [level.read, pulse.read],
        ask="envelope,index",
        balance=ENVELOPE.balance,
        uncertain=False,
    )
    pods_head = "X,CH1,CH2,D7-D0,Start,Increment,\nSequence,Volt,Volt,,-2.0e-03,2.0e-05\n"
    pod = [f"0x{k % 3:02X}" for k in range(len(c.values))]
    return [
        Layout(
            "counted-three.csv",
            "a counter, three channels, start and interval in the two lines of the head",
            f"{WAVE_FILES}/DS1074Z-A.csv",
            (head + body).replace("\n", "\r\n").encode(),
            truth,
        ),
        Layout(
            "counted-turns.csv",
            "the same with two channels, long enough for a reading",
            f"{WAVE_FILES}/DS2072A-1.csv",
            (turns_head + rows(number, level.written, pulse.written, after=",")).encode(),
            turns,
        ),
        Layout(
            "counted-pod.csv",
            "the same with a column of eight logic inputs in hexadecimal",
            SECOND_HAND,
            (pods_head + rows(count, a.written, b.written, pod, after=",")).encode(),
            read_as(SHORT_HZ, [a.read, b.read], ask="plus,minus,-", uncertain=False),
        ),
    ]


def two_rows() -> list[Layout]:
    """A row of titles and a row of units."""
    a, b = pair(".5e")
    first = clock(".7e", start_s=-6e-4)
    e_series = "X,CH1,CH2,\nSecond,Volt,Volt,\n" + rows(first, a.written, b.written, after=",")
    unnamed = ",CH1,CH2\nSecond,Volt,Volt\n" + rows(first, a.written, b.written, after=", ")
    axis = Column(times(start_s=-1e-3), "+.6E")
    shifted = "x-axis,1,2\nsecond,Volt,Volt\n"
    x, y = pair("+.5E")
    whole = shifted + rows(axis.written, x.written, y.written)
    hollow = [*a.written]
    lines = [",".join(cells) for cells in zip(axis.written, x.written, y.written, strict=True)]
    hollow_start = [f"{stamp},," for stamp in axis.written[:6]] + lines[6:]
    lines[0] = f"{axis.written[0]},,"
    lines[-1] = f"{axis.written[-1]},,"
    inner = [column.read[1:-1] for column in (x, y)]
    amps = "x-axis,1,2,3\nsecond,Volt,Volt,Ampere\n" + rows(
        axis.written, x.written, y.written, ["+1.5E+00"] * len(hollow)
    )
    return [
        Layout(
            "titles-units-comma.csv",
            "titles, then seconds and volts; each line ends with a comma",
            f"{WAVE_FILES}/DS1102E-D.csv",
            e_series.replace("\n", "\r\n").encode(),
            read_as(SHORT_HZ, [a.read, b.read], roles=PAIR, uncertain=False),
        ),
        Layout(
            "unnamed-time.csv",
            "the time column has a unit and no title; each line ends with a comma and a space",
            f"{WAVE_FILES}/DS1204B-F.csv",
            unnamed.replace("\n", "\r\n").encode(),
            read_as(SHORT_HZ, [a.read, b.read], roles=PAIR, uncertain=False),
        ),
        Layout(
            "bracket-units.csv",
            "a line of units in brackets, which names the channels and not the time",
            "example file in AignerZar/FP_SS25, Exp-D/data/T20_I20.CSV",
            ("[s],CH1[V],CH2[V]\n" + rows(axis.written, x.written, y.written)).encode(),
            read_as(SHORT_HZ, [x.read, y.read], roles=PAIR, uncertain=False),
        ),
        Layout(
            "x-axis.csv",
            "x-axis and numbers of channels, then second and Volt",
            "example file in HCui91/Scope_plot, scope_0.csv",
            whole.encode(),
            read_as(SHORT_HZ, [x.read, y.read], roles=PAIR, uncertain=False),
        ),
        Layout(
            "x-axis-hollow-ends.csv",
            "the same; the first and the last row hold a time and empty cells",
            SECOND_HAND,
            (shifted + "\n".join(lines) + "\n").encode(),
            read_as(SHORT_HZ, inner, roles=PAIR, uncertain=False),
        ),
        Layout(
            "x-axis-hollow-start.csv",
            "the same; the first six rows hold a time and empty cells",
            "example file in julia-17-white/spectroscopy_lab, scope_1.csv",
            (shifted + "\n".join(hollow_start) + "\n").encode(),
            read_as(SHORT_HZ, [column.read[6:] for column in (x, y)], roles=PAIR, uncertain=False),
        ),
        Layout(
            "x-axis-amperes.csv",
            "the same with a third channel in amperes, which is not to be read as volts",
            SECOND_HAND,
            amps.encode(),
            read_as(SHORT_HZ, [x.read, y.read], ask="plus,minus,-", uncertain=False),
        ),
    ]


def wrongly_taken() -> list[Layout]:
    """Forms out of which a wrong reading has come."""
    a, b = pair(".8f", 1e-3)
    milliseconds = clock(".8f", 1e-3, start_s=-5e-4)
    separators = "Time;Channel A;Channel B\n(ms);(mV);(mV)\n;;\n"
    body = rows(milliseconds, a.written, b.written, between=";").replace(".", ",")
    x, y = pair(".3f")
    seconds = clock(".6f")
    count = [str(k) for k in range(len(seconds))]
    sampled = "Sample,Time(S),CH1(V),CH2(V)\n" + rows(count, seconds, x.written, y.written)
    down = list(reversed(clock(".7f", 1e-3)))
    tens, _ = pair(".2f", 1e-3, top_v=8.0)
    falling = "#,Time(ms),CH1(mV)\n" + rows(count, down, tens.written)
    return [
        Layout(
            "separator-row.csv",
            "titles, units (ms) and (mV), then a row of separators alone; decimal commas",
            SECOND_HAND,
            (separators + body).replace("\n", "\r\n").encode(),
            read_as(SHORT_HZ, [a.read, b.read], roles=PAIR, uncertain=False),
        ),
        Layout(
            "counter-then-time.csv",
            "a counter, then the time, then the channels",
            SECOND_HAND,
            sampled.encode(),
            read_as(SHORT_HZ, [x.read, y.read], roles=PAIR, uncertain=False),
        ),
        Layout(
            "falling-time.csv",
            "a counter, and times that fall: the last line was first",
            SECOND_HAND,
            falling.encode(),
            {"refused": ["time", "order", "backward"]}
            | read_as(SHORT_HZ, [tens.read[::-1]], roles=["differential"], uncertain=False),
        ),
    ]


def all_text() -> list[Layout]:
    """Return every layout of this module."""
    return [*counted(), *two_rows(), *wrongly_taken()]
