"""Whatever is pressed, in whatever order: nothing that was found is lost or altered."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from app.job.model import CheckName, Stage
from app.job.plan import StepState
from tests.app.job.hands import ScriptedDrive, job_on

MOVES = st.sampled_from(["answer"] * 12 + ["undo", "skip", "go to", "repeat", "leave"])


def make(job, drive, move, place):
    """Make a move where it can be made."""
    index = place % len(job.steps)
    done = job.steps[index].state in (StepState.DONE, StepState.SKIPPED)
    if move == "answer" and job.ask is not None:
        job.answer(drive.answer(job.ask))
    elif move == "undo" and job.can_undo:
        asked = job.ask
        job.undo()
        assert job.ask is not None
        assert asked is not None
    elif move == "skip" and job.step is not None:
        job.skip("no time")
    elif move == "go to" and not done:
        job.go_to(index)
    elif move == "repeat" and len(job.steps) < 60:
        job.repeat(index)


def _is_of_the_head_as_found(outcome):
    moved = (CheckName.SEATING, CheckName.RADIAL, CheckName.HYSTERESIS)
    return outcome.stage is Stage.AS_FOUND and outcome.check in moved


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(MOVES, st.integers(0, 99)), max_size=150))
def test_moves_in_any_order_keep_what_was_found(moves):
    drive = ScriptedDrive(middle_um=50.0, creep_um=5.0)
    drive.entries["write refused"] = "yes"
    job, kept = job_on()
    for move, place in moves:
        touched = job.drive.loose is not None
        before = tuple(kept.outcomes)
        if move == "leave":
            job, kept = job_on(left=kept)
        else:
            make(job, drive, move, place)
        assert tuple(kept.outcomes[: len(before)]) == before
        assert job.outcomes == tuple(kept.outcomes)
        in_hand = [step for step in job.steps if step.state is StepState.IN_HAND]
        assert len(in_hand) <= 1
        assert (job.ask is None) == (not in_hand)
        new = kept.outcomes[len(before) :]
        if touched and move == "answer":
            assert not [each for each in new if _is_of_the_head_as_found(each)]
    job.close("the end of the day")
    assert job.closed
    assert {step.state for step in job.steps} <= {StepState.DONE, StepState.SKIPPED}


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 60), st.integers(1, 8))
def test_taking_back_leads_to_where_it_was(answers, back):
    drive = ScriptedDrive(middle_um=50.0)
    drive.entries["write refused"] = "yes"
    job, _ = job_on()
    seen = []
    for _ in range(answers):
        place = job.at
        seen = [each for each in seen if each[0] == place]
        seen.append((place, job.ask, job.drive, job.known))
        job.answer(drive.answer(job.ask))
    for _ in range(back):
        if not job.can_undo:
            break
        job.undo()
        assert (job.at, job.ask, job.drive, job.known) == seen.pop()
