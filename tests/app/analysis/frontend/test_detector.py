"""The law of a detector by passes over rising levels."""

import numpy as np
import pytest

from app.analysis.frontend.detector import DetectorLaw, Pass, law_of


@pytest.mark.parametrize("polarity", [1, -1])
def test_which_way_a_detector_points_is_told_by_the_highest_level(polarity):
    """Of the lowest ones it answers with noise alone, the other way by chance."""
    levels = np.linspace(0.05, 1.0, 20)
    answers = np.where(levels > 0.2, levels - 0.2, -1e-4)
    noise = 1e-5 * np.random.default_rng(2).standard_normal((3, 20))
    law = law_of([Pass(44.0, polarity * answers + each) for each in noise], levels, 1e-4)
    assert law.polarity == polarity


@pytest.mark.parametrize(
    ("corner_u_hz", "threshold_u_v", "steady"),
    [(0.1, 0.002, True), (0.2, 0.002, False), (0.1, 0.006, False), (0.2, 0.006, False)],
)
def test_passes_agree_where_both_corner_and_threshold_do(corner_u_hz, threshold_u_v, steady):
    # The bounds, our choice: a fiftieth of the corner, and 0.005 of the highest answer.
    volts = np.linspace(0.0, 1.0, 5)
    law = DetectorLaw(volts, volts, 0.2, threshold_u_v, 0.05, 1e-3, 1, 7.0, corner_u_hz, 0.0)
    assert law.is_steady is steady
