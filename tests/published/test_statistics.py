"""Published figures of statistics, against the statistics of the job."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import linregress
from scipy.stats import t as student

from app.analysis.adjust.disk import Seating, grubbs_limit, outlier, seating_of
from app.analysis.adjust.drift import line_of
from app.analysis.results import Quantity
from app.analysis.uncertainty import effective_dof, scatter_u, t_expanded, t_factor

NORRIS = Path(__file__).parents[2] / "fixtures" / "statistics" / "norris.csv"

# JCGM 100, table G.2 (from memory): t for 68.27, 90, 95, 95.45, 99 and 99.73 %; what ±1, ±2 and ±3
# standard deviations of a normal distribution hold is meant by three of them.
ONE, TWO, THREE = (math.erf(k / math.sqrt(2.0)) for k in (1.0, 2.0, 3.0))
FRACTIONS = (ONE, 0.90, 0.95, TWO, 0.99, THREE)
TABLE_G2 = {
    1: (1.84, 6.31, 12.71, 13.97, 63.66, 235.80),
    2: (1.32, 2.92, 4.30, 4.53, 9.92, 19.21),
    3: (1.20, 2.35, 3.18, 3.31, 5.84, 9.22),
    4: (1.14, 2.13, 2.78, 2.87, 4.60, 6.62),
    5: (1.11, 2.02, 2.57, 2.65, 4.03, 5.51),
    6: (1.09, 1.94, 2.45, 2.52, 3.71, 4.90),
    8: (1.07, 1.86, 2.31, 2.37, 3.36, 4.28),
    10: (1.05, 1.81, 2.23, 2.28, 3.17, 3.96),
    16: (1.03, 1.75, 2.12, 2.17, 2.92, 3.54),
    20: (1.03, 1.72, 2.09, 2.13, 2.85, 3.42),
    50: (1.01, 1.68, 2.01, 2.05, 2.68, 3.16),
    100: (1.005, 1.660, 1.984, 2.025, 2.626, 3.077),
    math.inf: (1.000, 1.645, 1.960, 2.000, 2.576, 3.000),
}


@pytest.mark.parametrize("dof", TABLE_G2)
def test_t_is_that_of_the_table(dof):
    for fraction, published in zip(FRACTIONS, TABLE_G2[dof], strict=True):
        digit = 0.0005 if dof >= 100 else 0.005
        assert t_factor(dof, fraction) == pytest.approx(published, abs=digit + 1e-9)


@pytest.mark.parametrize("dof", [0.3, 1.0, 1.5, 4.7, 16.7, 99.5, 9999.0, 10_001.0, 1e7])
@pytest.mark.parametrize("confidence", [0.01, 0.5, 0.95, 0.99, 0.9999])
def test_t_of_broken_degrees_of_freedom_is_that_of_scipy(dof, confidence):
    t = t_factor(dof, confidence)
    assert t == pytest.approx(student.isf((1.0 - confidence) / 2.0, dof), rel=1e-9)


def test_the_budget_of_the_end_gauge():
    # JCGM 100, H.1: parts of 25, 9.7, 2.9 and 16.6 nm give 32 nm (31.67). With 18, 25.6, 50 and 2
    # degrees of freedom (from memory) 16.7 remain, and U at 99 % is 93 nm with t(16) = 2.92.
    parts = [(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)]
    u = math.hypot(*(part for part, _ in parts))
    dof = effective_dof(parts)
    assert u == pytest.approx(31.67, abs=0.02)
    assert dof == pytest.approx(16.7, abs=0.4)
    assert 32.0 * t_factor(16.0, 0.99) == pytest.approx(93.0, abs=0.6)
    assert u * t_factor(dof, 0.99) == pytest.approx(93.0, abs=1.5)


def test_resistance_and_reactance():
    # JCGM 100, H.2, second approach: five sets, the mean of the results and s/√n of them:
    # R 127.732 (0.071), X 219.847 (0.295), Z 254.260 (0.236).
    volts = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    amperes = 1e-3 * np.array([19.663, 19.639, 19.640, 19.685, 19.678])
    angle = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
    size = volts / amperes
    for values, mean, u in (
        (size * np.cos(angle), 127.732, 0.071),
        (size * np.sin(angle), 219.847, 0.295),
        (size, 254.260, 0.236),
    ):
        assert values.mean() == pytest.approx(mean, abs=0.0006)
        assert scatter_u(values) / t_expanded(1.0, 4) == pytest.approx(u, abs=0.0006)


def test_the_calibration_of_a_thermometer():
    # JCGM 100, H.3: y1 = -0.1712(29), y2 = 0.00218(67), r = -0.930, b(30) = -0.1494(41).
    t = np.array(
        [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    )
    b = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])
    line = line_of(t, b)
    at_20, slope = np.array([1.0, 20.0 - line.centre]), np.array([0.0, 1.0])
    assert line.at(20.0).value == pytest.approx(-0.1712, abs=6e-5)
    assert line.at(20.0).u == pytest.approx(0.0029, abs=6e-5)
    assert line.fit.parameters[1] == pytest.approx(0.00218, abs=6e-6)
    assert line.fit.u(slope) == pytest.approx(0.00067, abs=6e-6)
    correlation = at_20 @ line.fit.covariance @ slope / (line.fit.u(at_20) * line.fit.u(slope))
    assert correlation == pytest.approx(-0.930, abs=6e-4)
    assert line.fit.residual_sd == pytest.approx(0.0035, abs=6e-5)
    assert line.fit.dof == 9
    assert line.at(30.0).value == pytest.approx(-0.1494, abs=6e-5)
    assert line.at(30.0).u == pytest.approx(0.0041, abs=6e-5)


def test_the_straight_line_of_nist():
    # NIST StRD Norris: certified b0, b1, s (numbers of the issuer), and the standard deviations of
    # b0 and b1 (from memory; scipy.stats.linregress says the same).
    with NORRIS.open(encoding="utf-8") as file:
        rows = [(float(row["y"]), float(row["x"])) for row in csv.DictReader(file)]
    y, x = np.array(rows).T
    assert len(x) == 36
    line = line_of(x, y)
    intercept, slope_u = line.at(0.0), line.fit.u(np.array([0.0, 1.0]))
    assert intercept.value == pytest.approx(-0.262323073774029, rel=1e-9)
    assert line.fit.parameters[1] == pytest.approx(1.00211681802045, rel=1e-9)
    assert line.fit.residual_sd == pytest.approx(0.884796396144373, rel=1e-9)
    assert intercept.u == pytest.approx(0.232818234301152, rel=1e-9)
    assert slope_u == pytest.approx(0.429796848199937e-3, rel=1e-9)
    reference = linregress(x, y)
    assert intercept.u == pytest.approx(reference.intercept_stderr, rel=1e-9)
    assert slope_u == pytest.approx(reference.stderr, rel=1e-9)


def test_mean_and_deviation_of_large_numbers():
    # NIST StRD NumAcc1: mean 10000002, standard deviation 1.
    found = seating_of(
        [Seating(Quantity(value, 0.0), 1.0) for value in (10000001.0, 10000003.0, 10000002.0)],
        wanted_um=1.0,
    )
    assert found.offset_um.value == 10000002.0
    assert found.sd_um == 1.0
    assert found.standard_error_um == pytest.approx(1.0 / math.sqrt(3.0), rel=1e-12)
    assert 2.0 * found.offset_um.u == pytest.approx(4.303 / math.sqrt(3.0), rel=1e-3)


def test_grubbs_limits_are_those_of_the_standard():
    # ISO 5725-2, table of critical values for Grubbs' test, one value (from memory): 5 % and 1 %,
    # the last digit rounded up.
    published = {
        3: (1.155, 1.155),
        4: (1.481, 1.496),
        5: (1.715, 1.764),
        6: (1.887, 1.973),
        7: (2.020, 2.139),
        8: (2.126, 2.274),
        10: (2.290, 2.482),
    }
    for count, (straggler, out) in published.items():
        assert grubbs_limit(count) == pytest.approx(straggler, abs=0.001)
        assert grubbs_limit(count, 0.01) == pytest.approx(out, abs=0.001)


def test_the_outlier_of_the_handbook():
    # NIST/SEMATECH e-Handbook, 1.3.5.17.1 (from memory): mass-spectrometer data, G = 2.4687 for
    # the last; its one-sided limit at 5 %, 2.032, is the two-sided one at 10 %.
    values = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])
    statistic = (values.max() - values.mean()) / values.std(ddof=1)
    assert statistic == pytest.approx(2.4687, abs=1e-4)
    assert grubbs_limit(8, 0.10) == pytest.approx(2.032, abs=6e-4)
    assert outlier(values) == 7
    assert outlier(values[:-1]) is None
