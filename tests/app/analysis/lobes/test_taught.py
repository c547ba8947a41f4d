"""What was taught live, taken over by another analysis of the same samples."""

import pytest

from app.analysis import messages
from app.analysis.lobes.analyser import Analyser
from app.analysis.lobes.tracking import Taught, Teaching
from app.analysis.lobes.turns import Turn
from app.analysis.results import Quantity, Side, Sign
from tests.app.analysis.running import BARE, BRISK, RAW, block_of, setup_for
from tests.synthesis import Signal, make

TURNS = [Turn(100.0, 200.0), Turn(200.0, 300.0)]
RATE_HZ = BRISK["rate_hz"]


@pytest.mark.parametrize(
    ("start", "lobes", "sense"),
    [
        (200.0, 2, 1),
        (208.0, 2, 1),
        (150.0, 2, -1),
        (241.0, 2, -1),
        (299.0, 2, 1),
        (302.0, 2, 1),
        (225.0, 8, 1),
        (213.0, 8, -1),
    ],
)
def test_the_sense_goes_with_the_lobe_that_it_was_taught_of(start, lobes, sense):
    for taught in (1, -1):
        known = Taught(taught, Turn(start, start + 100.0))
        assert known.sense_in(TURNS, lobes) == taught * sense


@pytest.mark.parametrize("start", [50.0, 401.0, 9000.0])
def test_far_from_any_turn_nothing_is_taken_over(start):
    assert Taught(1, Turn(start, start + 100.0)).sense_in(TURNS, 2) is None
    assert Taught(1, Turn(start, start + 100.0)).sense_in([], 2) is None


def test_what_was_learned_is_lost_with_its_count():
    teaching = Teaching()
    assert not teaching.is_lost((0, 1))
    teaching.begin(Quantity(0.0, 0.001))
    teaching.learn(Side.OUTWARD, Quantity(0.1, 0.001), (0, 1))
    assert not teaching.is_lost((0, 1))
    assert teaching.is_lost((0, 2))
    assert teaching.is_lost(None)


@pytest.mark.parametrize("side", [Side.OUTWARD, Side.INWARD])
@pytest.mark.parametrize("from_s", [2.4, 2.45, 2.5, 2.57])
@pytest.mark.few(2)
def test_a_measurement_beside_the_needle_knows_the_side(side, from_s):
    steps = ((0.0, -0.02), (1.4, 0.08))
    made = make(Signal(**BRISK, snr_db=30, turns=20.0, balance_at=steps))
    samples = made.columns(*BARE)
    live, beside = Analyser(setup_for(BARE, RATE_HZ)), None
    size = round(0.01 * RATE_HZ)
    for start in range(0, len(samples) - size, size):
        block = block_of(samples[start : start + size], start)
        live.push(block)
        if start == round(1.35 * RATE_HZ):
            assert live.begin_teaching() is None
            assert live.taught is None
        if start == round(2.0 * RATE_HZ):
            assert live.teach(side) is None
        if start == round(from_s * RATE_HZ):
            beside = Analyser(setup_for(BARE, RATE_HZ), keep_all=True)
        if beside is not None:
            beside.push(block)
    beside.finish()
    assert beside.summary().sign is Sign.UNKNOWN
    beside.adopt(live.taught)
    reading = beside.summary()
    assert reading.sign is Sign.TAUGHT
    assert reading.balance.value == pytest.approx(
        0.08 if side is Side.OUTWARD else -0.08, abs=0.004
    )


def test_after_a_break_of_the_count_the_side_is_asked_for_again():
    steps = ((0.0, -0.02), (1.4, 0.08))
    made = make(Signal(**BRISK, snr_db=30, turns=20.0, balance_at=steps))
    samples = made.columns(*BARE)
    live = Analyser(setup_for(BARE, RATE_HZ))
    size = round(0.01 * RATE_HZ)
    for start in range(0, len(samples) - size, size):
        live.push(block_of(samples[start : start + size], start, gap_before=start == 550_000))
        if start == round(1.35 * RATE_HZ):
            live.begin_teaching()
        if start == round(2.0 * RATE_HZ):
            assert live.teach(Side.OUTWARD) is None
            assert live.taught is not None
    assert live.taught is None
    assert live.reading.valid
    assert messages.SIGN_LOST in live.reading.notes
    assert messages.SIGN_UNKNOWN not in live.reading.notes


def test_by_the_index_there_is_nothing_to_take_over():
    made = make(Signal(**BRISK, snr_db=30, turns=6.0))
    samples = made.columns(*RAW)
    analyser = Analyser(setup_for(RAW, RATE_HZ), keep_all=True)
    analyser.push(block_of(samples))
    analyser.finish()
    assert analyser.taught is None
    before = analyser.summary()
    analyser.adopt(Taught(-1, analyser.turns[1]))
    assert analyser.summary() == before
