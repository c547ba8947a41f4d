"""The watch over the screws: how far they moved what they lock, and when to back off."""

import numpy as np
import pytest

from app.analysis.adjust.nudging import LockAdvice, LockWatch, creep_of, lock_of
from app.analysis.results import Quantity, Verdict

U = 0.2
WAIT, GO_ON, BACK_OFF, DONE = LockAdvice


def push(watch, offsets_um, start_s):
    for number, offset_um in enumerate(offsets_um):
        watch.push(Quantity(float(offset_um), U), start_s + 0.1 * number)
    return watch.advice


def test_from_loose_to_tight():
    watch = LockWatch(limit_um=5.0)
    assert watch.advice is WAIT
    assert push(watch, [0.5] * 5, 0.0) is WAIT
    assert push(watch, [0.5] * 10, 0.5) is GO_ON
    assert push(watch, np.linspace(0.5, 3.0, 10), 1.5) is GO_ON
    watch.tightened()
    assert push(watch, [3.0] * 5, 2.5) is GO_ON
    assert push(watch, [3.0] * 10, 3.0) is DONE
    found = watch.finding
    assert found.moved_um.value == pytest.approx(2.5)
    assert found.moved_um.u == pytest.approx(U * 2.0**0.5)
    assert found.verdict is Verdict.PASS
    assert found.at_rest
    assert found.preset_um == pytest.approx(-2.5)


def test_it_says_when_to_back_off():
    watch = LockWatch(limit_um=5.0)
    push(watch, [1.0] * 15, 0.0)
    advice = [push(watch, [value], 1.5 + 0.1 * n) for n, value in enumerate([2, 4, 5, 6, 9, 14])]
    assert advice == [GO_ON, GO_ON, GO_ON, BACK_OFF, BACK_OFF, BACK_OFF]
    assert watch.finding.preset_um == pytest.approx(-13.0)


def test_a_start_preset_against_the_creep_is_no_reason_to_back_off():
    watch = LockWatch(limit_um=5.0)
    assert push(watch, [-12.0] * 15, 0.0) is GO_ON
    assert push(watch, np.linspace(-12.0, 1.0, 10), 1.5) is GO_ON
    watch.tightened()
    assert push(watch, [1.0] * 15, 2.5) is DONE


def test_screws_that_do_not_move_it_back_are_found_at_the_end():
    watch = LockWatch(limit_um=5.0)
    push(watch, [-12.0] * 15, 0.0)
    watch.tightened()
    assert push(watch, [-12.0] * 15, 1.5) is BACK_OFF


def test_the_aim_may_be_beside_the_line():
    # JCGM 106: 21 ± 0.4 within 20 ± 5; 26 ± 0.4 beyond.
    start = Quantity(20.0, U)
    assert lock_of(start, Quantity(21.0, U), limit_um=5.0, aim_um=20.0).verdict is Verdict.PASS
    found = lock_of(start, Quantity(26.0, U), limit_um=5.0, aim_um=20.0)
    assert found.verdict is Verdict.FAIL
    assert found.preset_um == pytest.approx(14.0)


def test_the_creep_of_next_time():
    assert creep_of([]) is None
    found = creep_of([Quantity(9.0, U), Quantity(11.0, U)])
    assert found.value == pytest.approx(10.0)
    assert creep_of([Quantity(9.0, U)]).u > found.u > 1.7


def test_the_creep_of_next_time_keeps_its_promise():
    # A fixed part a drive, and up to 3 µm to either side each time.
    rng = np.random.default_rng(2)
    held = []
    for _ in range(2000):
        fixed = rng.uniform(-15.0, 15.0)
        moves = fixed + rng.uniform(-3.0, 3.0, 3) + U * rng.standard_normal(3)
        found = creep_of([Quantity(move, U) for move in moves[:2]])
        held.append(abs(moves[2] - found.value) <= 2.0 * found.u)
    # Of a distribution without tails 2u holds more than 95 %.
    assert 0.95 <= np.mean(held) < 0.995
