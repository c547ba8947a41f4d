"""The three probes: resistors alone, a mixer, a full-wave detector.

Values are chosen for 2 V peak between the test points, some 200 Ω behind each, at most 200 pF of
cable and a line input of 20 kΩ (common practice for all of these); `tests/app/probes` has a circuit
simulator say what comes out.
"""

from __future__ import annotations

from app.probes.circuit import GROUND, CircuitPart, ExpectedLevel, PartKind, Point, Probe

_R, _C = PartKind.RESISTOR, PartKind.CAPACITOR


def _part(
    name: str,
    kind: PartKind,
    nodes: str,
    at: tuple[Point, Point],
    value: float | None = None,
    why: str = "",
) -> CircuitPart:
    return CircuitPart(name, kind, tuple(nodes.split()), at, value, why)


_EARTH = (
    "The screen goes to the drive's signal ground at one place. Measure between that ground and "
    "the computer's first: there must be no voltage, AC or DC; otherwise put an isolating "
    "transformer or an isolated sound card between."
)
_TIPS = (
    "The parts in front of the cable sit at the tips: 200 pF on one leg alone would unbalance the "
    "legs, and load the read amplifier."
)
_DIRECT = (
    "Test points stand at some 3 V DC: capacitors of at least 25 V hold that off. A line input "
    "takes about 2 V; begin with its level down."
)

RESISTIVE = Probe(
    name="resistive",
    title="Resistive probe: both phases to a stereo line input",
    purpose="For carriers that the sound card samples itself, up to 0.45 of its rate: 62.5 kHz "
    "with 192 kS/s. Nothing in it bends or drifts.",
    parts=(
        _part(
            "R1",
            _R,
            "p a",
            ((2, 4), (6, 4)),
            10e3,
            "At the tip: the amplifier sees no less than this, whatever the cable.",
        ),
        _part("R2", _R, "m b", ((2, 11), (6, 11)), 10e3),
        _part(
            "R3",
            _R,
            f"a {GROUND}",
            ((11, 4), (11, 7)),
            2.2e3,
            "So low that 200 pF of cable count for little below 300 kHz, and the line input for a "
            "tenth.",
        ),
        _part("R4", _R, f"b {GROUND}", ((11, 11), (11, 14)), 2.2e3),
        _part(
            "C1",
            _C,
            "a left",
            ((14, 4), (17, 4)),
            100e-9,
            "Holds the direct voltage off; with 20 kΩ its corner is 80 Hz.",
        ),
        _part("C2", _C, "b right", ((14, 11), (17, 11)), 100e-9),
    ),
    wires=(
        ((6, 4), (14, 4)),
        ((6, 11), (14, 11)),
        ((17, 4), (19, 4)),
        ((17, 11), (19, 11)),
    ),
    dots=((11, 4), (11, 11)),
    grounds=((11, 7), (11, 14)),
    labels=(
        ((0.5, 2.2), "test point +"),
        ((0.5, 9.2), "test point −"),
        ((6.4, 3.4), "screened cable"),
        ((6.4, 10.4), "screened cable"),
        ((19.3, 4.2), "line input, left"),
        ((19.3, 11.2), "line input, right"),
    ),
    levels=(
        ExpectedLevel("peak at each channel, of 1 V peak at its test point, 62.5 kHz", 0.161, "V"),
        ExpectedLevel("lowered by 3 dB at", 475e3, "Hz"),
        ExpectedLevel("load on a test point, at least", 11e3, "Ω"),
    ),
    cautions=(_EARTH, _TIPS, _DIRECT),
    address="sound:?rate=192000 --roles plus,minus",
)

MIXER = Probe(
    name="mixer",
    title="Mixer: carriers beyond the sound card, mixed down by a switch at 96 kHz",
    purpose="For a 96 kS/s input: 125 kHz comes out at 29 kHz, 62.5 at 33.5, and 250 at 38 by the "
    "switch's third harmonic. It is linear, so it has no threshold and no knee.",
    parts=(
        _part(
            "C1",
            _C,
            "p a",
            ((2, 5), (5, 5)),
            1e-9,
            "With R1 a corner of 16 kHz: carriers pass, hum and the direct voltage do not.",
        ),
        _part("C2", _C, "m b", ((2, 7), (5, 7)), 1e-9),
        _part(
            "R1",
            _R,
            "a np",
            ((5, 5), (9, 5)),
            10e3,
            "At the tip, with C1, and a cable behind each as long as the other: 1 % alike with R2, "
            "for what is common to both legs is to cancel.",
        ),
        _part("R2", _R, "b nm", ((5, 7), (9, 7)), 10e3),
        _part("R3", _R, f"np {GROUND}", ((10, 5), (10, 1.8)), 10e3, "As R4: a gain of 1."),
        _part("R4", _R, "nm d", ((11, 10), (15, 10)), 10e3),
        _part("U1", PartKind.AMPLIFIER, "np nm d", ((11, 4), (15, 8)), None, "10 MHz or faster."),
        _part(
            "R5",
            _R,
            "d e",
            ((17, 8), (21, 8)),
            10e3,
            "As R6: with S1 closed the stage turns the signal over, with S1 open it does not.",
        ),
        _part("R6", _R, "e f", ((23, 11), (27, 11)), 10e3),
        _part(
            "R7",
            _R,
            "d g",
            ((17, 6), (21, 6)),
            10e3,
            "A hundred times the switch's own resistance.",
        ),
        _part(
            "S1",
            PartKind.SWITCH,
            f"g {GROUND}",
            ((22, 6), (22, 2.4)),
            96e3,
            "An analogue switch of 100 Ω; a crystal of 12.288 MHz and a binary counter that "
            "divides by 128 give halves that are alike.",
        ),
        _part("U2", PartKind.AMPLIFIER, "g e f", ((23, 5), (27, 9)), None, "As U1."),
        _part(
            "R8",
            _R,
            "f out",
            ((29, 7), (33, 7)),
            3.3e3,
            "With C3 and the cable a corner of 45 kHz: sums and the carrier itself are weakened, "
            "and the sound card's own filter does the rest.",
        ),
        _part("C3", _C, f"out {GROUND}", ((34, 7), (34, 10)), 820e-12),
    ),
    wires=(
        ((9, 5), (11, 5)),
        ((9, 7), (11, 7)),
        ((10, 1.8), (8, 1.8)),
        ((10, 7), (10, 10), (11, 10)),
        ((15, 10), (16, 10), (16, 6)),
        ((15, 6), (17, 6)),
        ((16, 8), (17, 8)),
        ((21, 6), (23, 6)),
        ((21, 8), (23, 8)),
        ((22, 8), (22, 11), (23, 11)),
        ((27, 11), (28, 11), (28, 7)),
        ((27, 7), (29, 7)),
        ((22, 2.4), (20, 2.4)),
        ((33, 7), (36, 7)),
    ),
    dots=((10, 5), (10, 7), (16, 6), (16, 8), (22, 6), (22, 8), (28, 7), (34, 7)),
    grounds=((8, 1.8), (20, 2.4), (34, 10)),
    labels=(
        ((0.2, 3.2), "test point +"),
        ((0.2, 8.6), "test point −"),
        ((36.3, 7.2), "line input"),
        ((1, 12.4), "C1, C2, R1 and R2 at the tips; U1 and U2 on two batteries of 9 V"),
    ),
    levels=(
        ExpectedLevel("peak at 29 kHz, of 1 V peak between the test points, 125 kHz", 0.475, "V"),
        ExpectedLevel("peak at 33.5 kHz, of 1 V, 62.5 kHz", 0.442, "V"),
        ExpectedLevel("peak at 38 kHz, of 1 V, 250 kHz", 0.157, "V"),
    ),
    cautions=(
        _EARTH,
        _TIPS,
        _DIRECT,
        "State the mixing frequency, or the tool takes the line for the carrier. What is seen has "
        "to lie between 20 kHz and 0.45 of the rate: choose another crystal where it does not.",
    ),
    address="sound:?rate=96000&mixed_hz=96000 --roles differential,index",
)

DETECTOR = Probe(
    name="detector",
    title="Full-wave detector: the envelope, for any carrier and any sound card",
    purpose="Where nothing else is at hand. What is left of the diodes' threshold is to be stated, "
    "and the corner of the sound card's coupling with it.",
    parts=(
        _part(
            "C1",
            _C,
            "p a",
            ((2, 5), (5, 5)),
            10e-9,
            "Holds the direct voltage off, and is small to carriers.",
        ),
        _part("C2", _C, "m b", ((2, 11), (5, 11)), 10e-9),
        _part(
            "R1",
            _R,
            f"a {GROUND}",
            ((6, 5), (6, 8)),
            10e3,
            "The way back of what the diode takes; lower would load the amplifier.",
        ),
        _part("R2", _R, f"b {GROUND}", ((6, 11), (6, 14)), 10e3),
        _part(
            "D1",
            PartKind.DIODE,
            "a out",
            ((8, 5), (11, 5)),
            None,
            "A small Schottky diode, 0.3 V at 1 mA; D2 of the same kind, for each takes one half "
            "of the cycles.",
        ),
        _part("D2", PartKind.DIODE, "b out", ((8, 11), (11, 11)), None),
        _part(
            "R3",
            _R,
            f"out {GROUND}",
            ((15, 8), (15, 11)),
            100e3,
            "Lets the envelope fall where no line input is connected.",
        ),
        _part(
            "C3",
            _C,
            f"out {GROUND}",
            ((21, 8), (21, 11)),
            1e-9,
            "With the line input 20 µs: slow to a carrier, quick to a lobe.",
        ),
    ),
    wires=(
        ((5, 5), (8, 5)),
        ((5, 11), (8, 11)),
        ((11, 5), (13, 5), (13, 11), (11, 11)),
        ((13, 8), (24, 8)),
    ),
    dots=((6, 5), (6, 11), (13, 8), (15, 8), (21, 8)),
    grounds=((6, 8), (6, 14), (15, 11), (21, 11)),
    labels=(
        ((0.2, 3.2), "test point +"),
        ((0.2, 9.2), "test point −"),
        ((24.3, 8.2), "line input"),
    ),
    levels=(
        ExpectedLevel("at the line input, of 2 V peak between the test points, 125 kHz", 0.56, "V"),
        ExpectedLevel("threshold at the test points, between them", 0.30, "V"),
        ExpectedLevel(
            "furthest from a straight line, from 0.8 to 2 V, as a part of the top", 0.004, ""
        ),
    ),
    cautions=(
        _EARTH,
        _DIRECT,
        "The threshold is a part of each lobe: state it with --detector-threshold in volts at the "
        "line input, with its tolerance, or the ratio is too small. Cold diodes have more of it.",
        "It is too slow for index timing, and knows no carrier for azimuth: use a scope for these.",
    ),
    address="sound: --roles envelope,index --low-corner 7+-20% --detector-threshold 0.1",
)

PROBES = (RESISTIVE, MIXER, DETECTOR)
