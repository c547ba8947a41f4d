"""A slice of the campaign: faults that the program takes rightly today stay so.

What ``python -m tests.faults`` finds wrong is told there; a pair of source and fault joins the list
when no campaign finds anything.
"""

import pytest

from tests.faults.campaign import run_one
from tests.faults.case import Key, run
from tests.faults.world import Stuck, World

SEED = 2026
# Of envelopes, which have few samples a second.
RIGHT = (
    ("file", "clip", 5, 0),
    # Bytes in between make numbers that no sample can be.
    ("pipe", "garbage", 1801, 0),
    ("pipe", "loss", SEED, 4),
    # A quarter of a turn is missing, and turns from before and after look like two pairs.
    ("pipe", "swapped", 20001, 14),
    # The other lobe comes a little aside of where one was left out.
    ("pipe", "untold", 815, 0),
    # A pattern of turns that were cut, which whole ones are not to be read by.
    ("program", "clip", 2911, 1),
    # A header of another stream swaps the channels, and other bytes shift the count.
    ("program", "garbage", 17002, 0),
    ("program", "garbage", 17002, 1),
    # A program that was started for nothing before what it captures from was back.
    ("program", "return", 2911, 0),
    ("program", "stall", SEED, 0),
    # A gap so long that the count without an index has run aside.
    ("sim", "overrun", 17001, 0),
    # A clip that begins at the top of the lower lobe.
    ("sound", "clip", 1701, 0),
    # Noise in all channels, by which a count of lobes went on until the carrier was back.
    ("sound", "garbage", 19003, 1),
    # A card that is pulled within a second of its opening.
    ("sound", "return", 800, 0),
    ("sound", "return", SEED, 3),
    ("sound", "swapped", SEED, 2),
    # Half a turn is missing, and the lobe across it is far less certain than those before.
    ("sound", "untold", 20001, 22),
)


@pytest.mark.parametrize(("kind", "fault", "seed", "number"), RIGHT)
def test_nothing_is_wrong_and_the_needle_comes_back(kind, fault, seed, number):
    outcome = run(Key(kind, fault, seed, number))
    assert not outcome.faults, (str(outcome.key), outcome.faults)
    # A needle that is never there would be right without end.
    assert any(words == "valid" for _, words in outcome.shown)


@pytest.mark.parametrize("fault", ["lie", "late", "half", "return", "unasked"])
def test_a_job_comes_to_its_end_whatever_the_line_that_steps_does(fault):
    outcome = run_one(Key("steps", fault, SEED, 1))
    assert not outcome.faults, (str(outcome.key), outcome.faults)
    assert outcome.said.startswith("steps “")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kind", "fault"),
    [("scope-A2-usb", "garbage"), ("scope-B-vxi11", "close"), ("scope-C2-hislip", "truncated")],
)
def test_a_scope_comes_back_and_no_reading_is_wrong(kind, fault):
    outcome = run_one(Key(kind, fault, SEED, 0))
    assert not outcome.faults, (str(outcome.key), outcome.faults)


def test_time_goes_on_only_by_waiting():
    world = World()
    seen = []

    def other():
        for _ in range(3):
            seen.append(("other", world.now_s))
            world.sleep(1.0)

    world.Thread(target=other, name="other").start()
    for _ in range(2):
        seen.append(("first", world.now_s))
        world.sleep(1.5)
    world.end()
    at = world.now_s - 3.0
    assert seen == [
        ("first", at),
        ("other", at),
        ("other", at + 1.0),
        ("first", at + 1.5),
        ("other", at + 2.0),
    ]


def test_threads_that_wait_for_each_other_without_end_are_told():
    world = World()
    event = world.Event()
    world.Thread(target=event.wait, name="other").start()
    with pytest.raises(Stuck, match="other"):
        event.wait()
    world.end()
