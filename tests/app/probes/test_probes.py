"""The probes' levels against a circuit simulator, and what is said and drawn of them."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from app.analysis.envelope.mixing import seen_at
from app.cli import main
from app.probes.built import DETECTOR, MIXER, PROBES, RESISTIVE
from app.probes.circuit import GROUND
from app.probes.drawing import svg_of
from tests.app.book.jobs import no_file_longer_than
from tests.app.probes.spice import CABLE_F, INPUT_OHM, netlist, run, source

PICTURES = Path(__file__).parents[3] / "fixtures" / "pictures"


def levels(probe):
    return [level.value for level in probe.levels]


def resistive(folder, cables_f):
    loads = [f"Ccable{leg} {leg} 0 {cable_f}" for leg, cable_f in zip("ab", cables_f, strict=True)]
    loads += [f"Rl left 0 {INPUT_OHM}", f"Rr right 0 {INPUT_OHM}"]
    legs = (source("p", 1, 1.0, 62.5e3), source("m", -1, 1.0, 62.5e3))
    text = netlist(RESISTIVE, *legs, *loads, ".ac dec 200 1k 4meg")
    found = run(text, folder, "vm(left)", "vm(right)", "mag(v(p)/i(Vp))")
    at = int(np.argmin(np.abs(found[:, 0] - 62.5e3)))
    # The sources are of half a volt each.
    return found, 2.0 * found[at, 1:3]


def test_the_resistive_probe_gives_what_it_says(tmp_path):
    peak_v, lowered_hz, load_ohm = levels(RESISTIVE)
    found, (left_v, right_v) = resistive(tmp_path, (CABLE_F, CABLE_F))
    assert left_v == right_v == pytest.approx(peak_v, rel=0.01)
    passed = found[found[:, 1] > found[:, 1].max() / np.sqrt(2.0), 0]
    assert passed.max() == pytest.approx(lowered_hz, rel=0.03)
    assert found[found[:, 0] < 300e3, 3].min() >= load_ohm


def test_200_pf_on_one_leg_alone_unbalance_it_by_less_than_a_hundredth(tmp_path):
    _, (left_v, right_v) = resistive(tmp_path, (CABLE_F, 1e-15))
    assert left_v / right_v == pytest.approx(1.0, abs=0.01)
    assert left_v != right_v


def mixed_v(folder, carrier_hz, amplitude_v=1.0):
    """Return the line at which a carrier is seen, over two milliseconds."""
    legs = (source("p", 1, amplitude_v, carrier_hz), source("m", -1, amplitude_v, carrier_hz))
    # One cable from each tip, and one to the line input.
    cables = (f"Ccable{node} {node} 0 {CABLE_F}" for node in ("np", "nm", "out"))
    loads = (*cables, f"Rl out 0 {INPUT_OHM}")
    text = netlist(MIXER, *legs, *loads, ".tran 0.2u 2.4m 0.4m 0.1u")
    found = run(text, folder, "v(out)")
    times_s = 0.4e-3 + np.arange(20_000) * 1e-7
    out_v = np.interp(times_s, found[:, 0], found[:, 1])
    seen_hz = seen_at(carrier_hz, 96e3)
    return abs(2.0 * np.mean(out_v * np.exp(-2j * np.pi * seen_hz * times_s)))


@pytest.mark.parametrize(("carrier_hz", "place"), [(125e3, 0), (62.5e3, 1), (250e3, 2)])
def test_the_mixer_gives_what_it_says(tmp_path, carrier_hz, place):
    assert mixed_v(tmp_path, carrier_hz) == pytest.approx(levels(MIXER)[place], rel=0.02)


def test_the_mixer_is_linear(tmp_path):
    part = mixed_v(tmp_path, 125e3, 0.5) / mixed_v(tmp_path, 125e3)
    assert part == pytest.approx(0.5, abs=1e-4)


def detected_v(folder, amplitude_v):
    legs = (source("p", 1, amplitude_v, 125e3), source("m", -1, amplitude_v, 125e3))
    loads = (f"Ccable out 0 {CABLE_F}", f"Rl out 0 {INPUT_OHM}")
    text = netlist(DETECTOR, *legs, *loads, ".tran 0.1u 3m 2m 0.05u")
    found = run(text, folder, "v(out)")
    return float(np.interp(np.linspace(2e-3, 3e-3, 10_001)[:-1], *found.T).mean())


def test_the_detector_gives_what_it_says(tmp_path):
    top_v, threshold_v, bend = levels(DETECTOR)
    amplitudes_v = np.array([0.8, 1.1, 1.4, 1.7, 2.0])
    found_v = np.array([detected_v(tmp_path, each) for each in amplitudes_v])
    assert found_v[-1] == pytest.approx(top_v, rel=0.02)
    slope, level = np.polyfit(amplitudes_v, found_v, 1)
    assert -level / slope == pytest.approx(threshold_v, rel=0.05)
    away = np.abs(found_v - slope * amplitudes_v - level).max() / found_v[-1]
    assert away == pytest.approx(bend, rel=0.5)
    # What is to be stated with --detector-threshold, at the line input.
    assert "--detector-threshold 0.1" in DETECTOR.address
    assert -level == pytest.approx(0.1, abs=0.01)


@pytest.mark.parametrize("probe", PROBES)
def test_each_circuit_hangs_together(probe):
    names = [part.name for part in probe.parts]
    assert len(set(names)) == len(names)
    nodes = [node for part in probe.parts for node in part.nodes]
    # An end that goes nowhere is a tip or an output.
    ends = {node for node in nodes if nodes.count(node) == 1}
    assert ends <= {"p", "m", "left", "right", "out"}
    assert GROUND in nodes


@pytest.mark.parametrize("probe", PROBES)
def test_each_value_has_a_reason(probe):
    reasons = " ".join(part.why for part in probe.parts)
    assert probe.parts[0].why
    for before, part in pairwise(probe.parts):
        # The second leg's parts are those of the first.
        same = (before.kind, before.value) == (part.kind, part.value)
        assert part.why or same or part.name in reasons


@pytest.mark.parametrize("probe", PROBES)
def test_each_drawing_is_kept_as_it_is_made(probe):
    """`evenlobe probes --draw fixtures/pictures` makes them anew."""
    drawn = svg_of(probe)
    assert (PICTURES / f"probe-{probe.name}.svg").read_text(encoding="utf-8") == drawn
    texts = [each.text for each in ElementTree.fromstring(drawn).iter() if each.text]
    for part in probe.parts:
        assert any(text.startswith(f"{part.name} {part.words}".rstrip()) for text in texts)


def test_all_that_is_known_of_one_is_told(capsys):
    assert main.run(["probes", "mixer"]) == 0
    told = capsys.readouterr().out
    for words in ("C3  820 pF", "10 kΩ", "S1  96 kHz", "opened as  sound:?rate=96000&mixed_hz="):
        assert words in told
    assert "peak at 29 kHz, of 1 V peak between the test points, 125 kHz: 0.475 V" in told


def test_they_are_listed_and_drawn(capsys, tmp_path):
    assert main.run(["probes", "--draw", str(tmp_path)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [line.split()[0] for line in lines[::2]] == ["resistive", "mixer", "detector"]
    assert len(list(tmp_path.glob("probe-*.svg"))) == 3


def test_a_disk_that_is_full_leaves_no_part_of_a_drawing(capsys, tmp_path):
    with no_file_longer_than(100):
        assert main.run(["probes", "--draw", str(tmp_path)]) == 2
    assert "cannot be written: File too large; name another folder" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_what_is_no_probe_or_no_folder(capsys, tmp_path):
    assert main.run(["probes", "magic"]) == 2
    assert "“magic” is no probe; choose resistive or mixer or detector" in capsys.readouterr().err
    assert main.run(["probes", "--draw", str(tmp_path / "none")]) == 2
    assert "cannot be written" in capsys.readouterr().err
