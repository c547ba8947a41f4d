"""Budgets of offsets: saying the truth never costs, and U holds what it is to hold."""

import itertools
from dataclasses import replace

import numpy as np
import pytest

from app.analysis.adjust.climate import Climate, climate_of
from app.analysis.budget import Budget, Part
from app.analysis.results import Quantity
from app.job.budget import (
    ONCE_A_TURN,
    ONCE_ASSUMED,
    SCALE,
    ZERO,
    climate_u_um,
    corrected,
    corrections,
    film_of,
    guarding,
    offset_budget,
    what_dominates,
)
from app.job.model import CheckName, Known, Stage
from app.job.plan import Planned
from app.job.verdicts import offset_limit
from tests.app.job.hands import PROFILE, ScriptedDrive, carry_out, job_on
from tests.benchmarks.coverage import CASES, SLACK, share


def both_u(said, reading_um):
    known = Known(climate=climate_of(said, film_of(PROFILE)))
    offset = corrected(PROFILE, known, 0, Quantity(reading_um, 0.3))
    budget = offset_budget(PROFILE, known, 0, offset)
    return budget.expanded_u, guarding(PROFILE, budget).expanded_u


def once_parts(known):
    budget = offset_budget(PROFILE, known, 0, Quantity(0.0, 0.1))
    return {part.name: part.u for part in budget.parts if part.name.startswith(ONCE_A_TURN)}


@pytest.mark.parametrize("reading_um", [0.0, 12.0])
def test_saying_the_climate_never_makes_a_verdict_harder(reading_um):
    unsaid = both_u(Climate(), reading_um)
    grid = itertools.product((10.0, 23.0, 35.0), (-5.0, 0.0, 15.0), (20.0, 50.0, 80.0))
    for room, warmer, percent in grid:
        said = both_u(Climate(room, room + warmer, percent), reading_um)
        assert all(a <= b for a, b in zip(said, unsaid, strict=True))


# The whole table: python -m tests.benchmarks coverage.
@pytest.mark.few(1)
@pytest.mark.parametrize("case", [CASES[1], CASES[3]], ids=lambda case: case.name)
def test_u_holds_the_truth_as_often_as_is_said(case):
    runs = 150
    # The share's own standard deviation is 0.017 of so many.
    assert abs(share(case, runs) - 0.9545) < SLACK + 3.0 * 0.017


def test_what_dominates_is_named_with_what_would_help():
    parts = (Part("reading", 0.5, unit="µm"), Part(SCALE, 4.0, unit="µm"))
    said = str(what_dominates(parts))
    assert said.startswith("Most of it is the scale of the disk, 98 % of the variance")
    assert "U would be 1.0 µm instead of 8.1" in said
    assert said.endswith("Have the disk's scale calibrated, on the bench or by its maker.")
    assert what_dominates(parts[:1]) is None
    assert what_dominates(()) is None


def test_a_zero_by_its_head_is_taken_out_of_each_reading():
    zeros = {"zero_um": (2.0, -1.0), "zero_u_um": (0.4, 0.5)}
    disk = replace(PROFILE, **zeros, zero_tracks=(16, 16), zero_heads=(0, 1))
    known = Known()
    for head, zero, u in ((0, 2.0, 0.4), (1, -1.0, 0.5)):
        offset = corrected(disk, known, head, Quantity(5.0, 0.1))
        assert offset.value == pytest.approx(5.0 - zero)
        parts = {part.name: part for part in offset_budget(disk, known, head, offset).parts}
        assert (parts["zero of the disk"].u, parts["zero of the disk"].value) == (u, -zero)
    assert disk.zero_of(32, 0) is None


def test_the_ask_for_the_climate_says_what_it_costs_to_leave_it_unsaid():
    said = Climate(23.0, 23.0, 50.0)
    unsaid_um, said_um = (climate_u_um(PROFILE, each) for each in (Climate(), said))
    assert unsaid_um > 2.0 * said_um
    job, _ = job_on(plan=[Planned(CheckName.CARE, Stage.AS_FOUND)])
    carry_out(job, ScriptedDrive(), asks=8)
    limit_um = offset_limit(PROFILE, final=True).high
    numbers = tuple(f"{each:.0f}" for each in (unsaid_um, limit_um, said_um))
    assert job.ask.message.values == numbers
    # It is the climate's part of the budget, with nothing else in it.
    alone = [part for part in corrections(PROFILE, Known(), 0) if part.name != ZERO]
    assert Budget(0.0, tuple(alone)).expanded_u == pytest.approx(unsaid_um)


def test_a_runout_turns_the_zero_by_its_part_of_the_scale_at_an_unknown_angle():
    # JCGM 100, H.1.3.2: arcsine, its half width over √2. Of alternating pairs it takes itself out.
    once = Known(once_part=0.012)
    assert once_parts(once) == {ONCE_A_TURN: pytest.approx(0.012 * PROFILE.scale_um / 2.0**0.5)}
    assert once_parts(replace(once, alternating=True)) == {}
    assert once_parts(Known(once_part=0.0)) == {}


def test_a_runout_that_was_not_measured_yet_is_assumed_and_told():
    # Drawn: anything up to 4 %, at any angle of the lobes' axis.
    rng = np.random.default_rng(7)
    moved_um = PROFILE.scale_um * rng.uniform(0.0, 0.04, 10**6)
    moved_um *= np.cos(rng.uniform(0.0, 2.0 * np.pi, 10**6))
    assert once_parts(Known()) == {ONCE_ASSUMED: pytest.approx(moved_um.std(), rel=0.01)}
    assert once_parts(Known(alternating=True)) == {}


def test_a_runout_is_in_the_spread_of_seatings_and_in_a_zero_that_is_stated():
    # Of the drive's part each seating has another angle; the disk's own is in its paper's zero.
    zeros = {"zero_um": (2.0,), "zero_u_um": (0.4,), "zero_tracks": (16,), "zero_heads": (0,)}
    stated = replace(PROFILE, **zeros)
    three = Known(once_part=0.012, seating_u_um=0.5, seating_dof=2.0)
    offset = Quantity(0.0, 0.1)

    def has_once(profile, known, head):
        parts = offset_budget(profile, known, head, offset).parts
        return any(part.name == ONCE_A_TURN for part in parts)

    assert not has_once(stated, three, 0)
    assert has_once(stated, replace(three, seating_dof=1.0), 0)
    assert has_once(stated, replace(three, seating_u_um=None, seating_dof=None), 0)
    assert has_once(stated, replace(three, seating_u_um=0.0), 0)
    assert has_once(stated, three, 1)
    # A hub that a pin drives is always at the same angle.
    assert has_once(replace(stated, hub_is_free=False), three, 0)
    assert has_once(replace(stated, hub_is_free=None), three, 0)
    assert has_once(PROFILE, three, 0)


def test_a_job_assumes_a_runout_until_the_output_is_measured():
    checks = (CheckName.RADIAL, CheckName.OUTPUT, CheckName.RADIAL)
    job, _ = job_on(ScriptedDrive(), plan=[Planned(each, Stage.AS_FOUND) for each in checks])
    names = [{part.name for part in each.budget} for each in job.outcomes]
    assert [ONCE_ASSUMED in each for each in (names[0], names[2])] == [True, False]
    said = str(what_dominates((Part(ONCE_ASSUMED, 3.0, unit="µm"), Part(SCALE, 1.0, unit="µm"))))
    assert said.endswith("until then up to 4 % are assumed.")
