"""Neighbours of a capture, which must be refused."""

from __future__ import annotations

import numpy as np

from tests.published.layouts.layout import SECOND_HAND, Layout, read_as, refused
from tests.published.layouts.text import clock, pair, rows

OWN = "this project's own question"


def all_hostile() -> list[Layout]:
    """Return every layout of this module."""
    a, b = pair(".4f")
    step = [f"{k * 250.0:.1f}" for k in range(len(a.values))]
    level = [f"{20 * np.log10(abs(v) + 1e-4):.2f}" for v in a.values]
    keys = "Source,MATH\nVertical Units,dB\nHorizontal Units,Hz\nSample Interval,250\n"
    spectral = keys + "Record Length,200\nFREQUENCY,MATH\n" + rows(step, level)
    german = "f / Hz;Kanal A / dB\n" + rows(step, level, between=";").replace(".", ",")
    bins = "Frequency (Hz),Magnitude (dBV)\n" + rows(step, level)
    bits = [[str((k >> shift) & 1) for k in range(len(a.values))] for shift in (0, 1, 3)]
    logic = "Time(s),D0,D1,D2\n" + rows(clock(".6f"), *bits)
    rng = np.random.default_rng(9)
    uneven = np.cumsum(2e-5 * rng.uniform(0.4, 1.6, len(a.values)))
    growing = np.geomspace(1e-5, 1e-2, len(a.values))
    back = clock(".6f")
    back[90:] = back[:110]
    still = ["0.000000"] * len(a.values)
    titles = "Time(s),CH1(V),CH2(V)\n"
    amps = "x-axis,1,2\nsecond,Ampere,Ampere\n" + rows(clock(".6f"), a.written, b.written)
    contradicted = "Sample Interval,1.0e-06\nTIME,CH1,CH2\n"
    contradicted += rows(clock(".6f"), a.written, b.written)
    plane = "X (V),Y (V)\n" + rows(a.written, b.written)
    table = "Measurement,Mean,Min,Max\nVpp,0.41,0.40,0.42\nFrequency,6850,6840,6860\n"
    page = "<!DOCTYPE html>\n<html><head><title>Not found</title></head><body></body></html>\n"
    uneven_words = ("even", "steps", "spaced", "time")
    return [
        Layout(
            "spectrum.csv",
            "a spectrum: Horizontal Units,Hz",
            SECOND_HAND,
            spectral.encode(),
            refused("spectrum"),
        ),
        Layout(
            "spectrum-commas.csv",
            "a spectrum: f / Hz, with decimal commas",
            SECOND_HAND,
            german.encode(),
            refused("spectrum"),
        ),
        Layout(
            "spectrum-titles.csv",
            "a spectrum: Frequency (Hz)",
            OWN,
            bins.encode(),
            refused("spectrum"),
        ),
        Layout(
            "logic.csv",
            "times and logic levels alone",
            OWN,
            logic.encode(),
            refused("logic", "digital"),
        ),
        Layout(
            "uneven.csv",
            "times whose steps differ by half of themselves",
            OWN,
            (titles + rows([f"{t:.9f}" for t in uneven], a.written, b.written)).encode(),
            refused(*uneven_words),
        ),
        Layout(
            "growing-steps.csv",
            "times in logarithmic steps",
            OWN,
            (titles + rows([f"{t:.9e}" for t in growing], a.written, b.written)).encode(),
            refused(*uneven_words),
        ),
        Layout(
            "back-in-time.csv",
            "times begin anew in the middle, and nothing says that these are segments",
            OWN,
            (titles + rows(back, a.written, b.written)).encode(),
            refused("back", "order", "even", "time"),
        ),
        Layout(
            "time-stands.csv",
            "the same time in every line",
            OWN,
            (titles + rows(still, a.written, b.written)).encode(),
            refused("time", "digits"),
        ),
        Layout(
            "amperes.csv",
            "two channels in amperes, no volts",
            OWN,
            amps.encode(),
            refused("ampere", " a,", "(a)", "volt"),
        ),
        Layout(
            "contradicted.csv",
            "the head's interval is a twentieth of that of the times",
            OWN,
            contradicted.encode(),
            read_as(
                50_000,
                [a.read, b.read],
                roles=["plus", "minus"],
                noted=["interval", "contradict", "differ"],
            )
            | refused("interval", "contradict", "differ"),
        ),
        Layout(
            "plane.csv",
            "volts over volts, without times",
            OWN,
            plane.encode(),
            refused("rate", "time"),
        ),
        Layout(
            "measurements.csv",
            "a table of measurements",
            OWN,
            table.encode(),
            refused("sample", "number", "column", "row"),
        ),
        Layout(
            "page.csv",
            "a page of a web server under the name of an export",
            OWN,
            page.encode(),
            refused("not ", "no "),
        ),
        Layout("empty.csv", "nothing at all", OWN, b"", refused("empty", "no ")),
        Layout(
            "titles-alone.csv",
            "titles, and no samples",
            OWN,
            titles.encode(),
            refused("no ", "empty", "row", "sample"),
        ),
        Layout(
            "packed.csv",
            "a packed file under the name of an export",
            OWN,
            b"PK\x03\x04\x14\x00" + bytes(range(256)) * 2,
            refused("not ", "text", "no "),
        ),
    ]
