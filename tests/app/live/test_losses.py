"""Whether this computer keeps up, by counts and times that are handed in."""

import pytest

from app.live.view import BEHIND, LOSING, Losses


def losses(*counts):
    """Counts of (second, frames given, frames missed by then)."""
    made = Losses()
    for at_s, given, missed in counts:
        made.add(given, missed, at_s)
    return made


def said(made, now_s, behind_s=0.0, *, late=False):
    reason = made.reason(now_s, behind_s, late=late)
    return None if reason is None else (reason.text, reason.values)


def test_one_that_keeps_up_has_nothing_to_say():
    made = losses((0.0, 100, 0), (0.1, 100, 0))
    assert said(made, 0.1) is None
    assert said(made, 0.1, 0.2, late=True) is None
    assert said(made, 0.1, 3.0) is None


def test_before_anything_was_given_it_may_be_behind():
    assert said(losses(), 5.0, 0.7, late=True) == (BEHIND.text, ("0.7",))


@pytest.mark.parametrize(("given", "missed", "part"), [(100, 300, "75"), (300, 100, "25")])
def test_a_loss_is_told_as_a_part_of_the_last_second(given, missed, part):
    made = losses((0.0, 500, 0), (1.5, given, missed))
    assert said(made, 1.5) == (LOSING.text, (part,))
    assert said(made, 1.9) == (LOSING.text, (part,))


def test_half_a_second_after_the_last_loss_all_is_well():
    made = losses((0.0, 100, 300), (0.3, 100, 300))
    assert said(made, 0.5) is not None
    assert said(made, 0.51) is None


def test_of_several_losses_each_counts_once():
    made = losses((0.0, 100, 100), (0.4, 100, 300))
    assert said(made, 0.4) == (LOSING.text, ("60",))
