"""What two numbers have alike does not make their difference unsure (JCGM 100, 5.2.2)."""

from dataclasses import replace

import numpy as np
import pytest

from app.analysis.adjust.climate import HUMIDITY
from app.analysis.budget import Part
from app.analysis.results import Verdict
from app.book.drift import change_of
from app.job.budget import READING, SCALE, ZERO
from app.job.model import CheckName, Outcome, Stage, Value

SCALE_PART, CLIMATE_UM, SCATTER_UM = 0.1, 1.8, 0.5


def measured(value, stage, check=CheckName.RADIAL):
    parts = (
        Part(READING, SCATTER_UM, unit="µm"),
        Part(SCALE, SCALE_PART * abs(value), unit="µm"),
        Part(HUMIDITY, CLIMATE_UM, unit="µm"),
    )
    u = float(np.sqrt(sum(part.u**2 for part in parts)))
    return Outcome(check, stage, Verdict.NOTED, value=value, u=u, unit="µm", budget=parts)


def change(found, left, *more):
    outcomes = (measured(found, Stage.AS_FOUND), *more, measured(left, Stage.AS_LEFT))
    values = [Value("", each.value, each.u, "µm") for each in (outcomes[0], outcomes[-1])]
    return change_of(*values, outcomes, CheckName.RADIAL)


@pytest.mark.parametrize(("found", "left"), [(58.0, 54.0), (58.0, -1.4), (-40.0, 40.0), (3.0, 3.0)])
def test_the_spread_of_many_benches_is_that_of_the_change(found, left):
    rng = np.random.default_rng(7)
    benches = 200_000
    scale = 1.0 + SCALE_PART * rng.standard_normal(benches)
    track_um = CLIMATE_UM * rng.standard_normal(benches)
    noise_um = SCATTER_UM * rng.standard_normal((2, benches))
    read = [
        value * scale + track_um + each for value, each in zip((found, left), noise_um, strict=True)
    ]
    told = change(found, left)
    assert told.value == left - found
    assert told.u == pytest.approx(np.std(read[1] - read[0]), rel=0.01)


def test_what_a_rectangle_covers_does_not_make_a_change_certain():
    """95.45 % of a rectangle lie within 1.65 of its standard deviations, not two."""
    stages = ((6.5, Stage.AS_FOUND), (6.4, Stage.AS_LEFT))
    outcomes = [
        replace(each, expanded_u=1.6 * each.u) for each in (measured(*stage) for stage in stages)
    ]
    values = [Value("", each.value, each.covering_u, "µm") for each in outcomes]
    told = change_of(*values, outcomes, CheckName.RADIAL)
    assert told.u == pytest.approx(np.hypot(SCATTER_UM * np.sqrt(2.0), SCALE_PART * 0.1))


@pytest.mark.parametrize("zero_um", [25.0, -25.0])
def test_the_scale_counts_for_what_was_read_and_not_for_what_is_added_to_it(zero_um):
    outcomes = [
        replace(each, value=each.value + zero_um, budget=(*each.budget, Part(ZERO, 0.0, zero_um)))
        for each in (measured(58.0, Stage.AS_FOUND), measured(-1.4, Stage.AS_LEFT))
    ]
    values = [Value("", each.value, each.u, "µm") for each in outcomes]
    told = change_of(*values, outcomes, CheckName.RADIAL)
    assert told.u == pytest.approx(change(58.0, -1.4).u)


def test_temperatures_told_twice_count_twice():
    care = Outcome(CheckName.CARE, Stage.AS_FOUND, Verdict.NOTED)
    once = change(10.0, 12.0, care)
    assert once.u == pytest.approx(np.hypot(SCATTER_UM * np.sqrt(2.0), SCALE_PART * 2.0))
    again = change(10.0, 12.0, care, replace(care, stage=Stage.WORK))
    assert again.u == pytest.approx(np.hypot(once.u, CLIMATE_UM * np.sqrt(2.0)))
    skipped = replace(care, stage=Stage.WORK, verdict=Verdict.SKIPPED)
    assert change(10.0, 12.0, care, skipped).u == pytest.approx(once.u)


def test_without_both_there_is_no_change():
    value = Value("", 3.0, 0.1, "µm")
    assert change_of(None, value, (), CheckName.RADIAL) is None
    assert change_of(value, None, (), CheckName.RADIAL) is None
    assert change_of(value, replace(value, u=None), (), CheckName.RADIAL).u is None
    # Where no budget was kept the two count as independent.
    assert change_of(value, value, (), CheckName.RADIAL).u == pytest.approx(0.1 * np.sqrt(2.0))
