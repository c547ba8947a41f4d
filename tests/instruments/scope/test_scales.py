"""Codes to volts, against the formulas of the makers' programming guides (from memory)."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from instruments.scope.preamble import PARSERS, SCALES

# scale, fields, code, volts: each line computed by hand.
CASES = [
    ("reference", {"yinc": 0.01, "yorig": 1.5, "yref": 128}, 128, 1.5),
    ("reference", {"yinc": 0.01, "yorig": 1.5, "yref": 128}, 228, 2.5),
    ("reference-and-origin", {"yinc": 0.02, "yorig": -10, "yref": 127}, 117, 0.0),
    ("reference-and-origin", {"yinc": 0.02, "yorig": -10, "yref": 127}, 167, 1.0),
    ("multiplier", {"ymult": 0.004, "yoff": 25, "yzero": 0.2}, 25, 0.2),
    ("multiplier", {"ymult": 0.004, "yoff": 25, "yzero": 0.2}, -100, -0.3),
    ("gain", {"gain": 0.003125, "offset": 0.4}, 128, 0.0),
    ("gain", {"gain": 0.003125, "offset": 0.4}, -32, -0.5),
    ("twenty-five", {"vdiv": 0.5, "offset": 0.25}, 50, 0.75),
    ("twenty-five", {"vdiv": 0.5, "offset": 0.25}, -25, -0.75),
    (
        "codes-per-division",
        {"vdiv": 0.1, "offset": 0.05, "probe": 10, "codes_per_div": 30},
        60,
        1.5,
    ),
    # Public scripts for the DS1052E: 25 codes a division down from 125.
    ("inverted", {"vdiv": 1.0, "offset": 0.0}, 125, 0.0),
    ("inverted", {"vdiv": 0.25, "offset": 0.1}, 25, 0.9),
    ("volts", {}, 0.125, 0.125),
]


@pytest.mark.parametrize(("name", "fields", "code", "volts"), CASES)
def test_one_code(name, fields, code, volts):
    assert SCALES[name].line(fields).volts(code) == pytest.approx(volts, abs=1e-12)


def test_every_scale_is_tested_and_can_be_fed_by_some_parser():
    assert {case[0] for case in CASES} == set(SCALES)
    for scale in SCALES.values():
        assert any(scale.needs <= parser.gives for parser in PARSERS.values())


@given(
    st.floats(1e-4, 1),
    st.floats(-100, 100),
    st.integers(0, 255),
    st.integers(0, 255),
)
def test_the_two_readings_of_ten_fields_agree_where_the_origin_is_zero(yinc, yref, one, other):
    fields = {"yinc": yinc, "yorig": 0.0, "yref": yref}
    for code in (one, other):
        volts = [SCALES[n].line(fields).volts(code) for n in ("reference", "reference-and-origin")]
        np.testing.assert_allclose(volts[0], volts[1], rtol=1e-9, atol=1e-9)
