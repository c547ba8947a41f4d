"""The words of the line that steps: what is typed, what is to come about, which answer is right."""

from __future__ import annotations

import pytest

from instruments.steps.protocol import (
    WHERE,
    Standing,
    motor,
    read_answer,
    read_command,
    seek,
    select,
    step,
)

ON_16 = Standing(16, 0, True)


@pytest.mark.parametrize(
    ("typed", "command"),
    [
        ("motor on", motor(True)),
        ("Motor  OFF", motor(False)),
        ("head 1", select(1)),
        ("seek 39", seek(39)),
        ("step in 2 100", step(2, 100.0)),
        (" step out 12 50\n", step(-12, 50.0)),
        ("where", WHERE),
    ],
)
def test_each_word_is_typed_as_it_is_sent(typed, command):
    assert read_command(typed) == command
    assert read_command(command.words) == command


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("write 1F", "“write 1F” is no command of the line; use motor on"),
        ("head 2", "no command"),
        ("seek -1", "no command"),
        ("seek 256", "256 cannot be a track here; use 0 to 255"),
        ("step in 0 100", "0 cannot be a number of steps here; use 1 to 255"),
        ("step out 2 9", "9 cannot be a rate, in steps a second, here; use 10 to 1000"),
        ("step sideways 2 100", "no command"),
        ("hello", "no command"),
    ],
)
def test_what_is_no_command_says_what_is(typed, said):
    with pytest.raises(ValueError, match=said):
        read_command(typed)


@pytest.mark.parametrize(
    ("command", "after"),
    [
        (motor(False), Standing(16, 0, False)),
        (select(1), Standing(16, 1, True)),
        (seek(39), Standing(39, 0, True)),
        (step(2, 100.0), Standing(18, 0, True)),
        (step(-2, 100.0), Standing(14, 0, True)),
        (WHERE, ON_16),
    ],
)
def test_a_command_brings_about_one_thing_and_its_answer_tells_that(command, after):
    assert command.brings(ON_16) == after
    assert read_answer(command, f"ok {after}", ON_16) == after


@pytest.mark.parametrize(
    ("command", "answer", "said"),
    [
        (seek(39), "no the last track is 34", r"refused “seek 39” \(the last track is 34\)"),
        (seek(39), "ok track 38 head 0 motor on", "did something else than “seek 39”: “track 38"),
        (step(2, 100.0), "ok track 14 head 0 motor on", "something else than “step in 2 100”"),
        (step(2, 100.0), "ok track ? head 0 motor on", "“track [?] head 0 motor on” and not"),
        (select(1), "ok track 17 head 1 motor on", "something else than “head 1”"),
        (WHERE, "ok track 12 head 0 motor on", "moved without being asked: “track 12"),
        (WHERE, "ok track 16 head 0 motor off", "moved without being asked"),
        (WHERE, "ok tra", "answered “where” with “ok tra”, which is no answer"),
        (WHERE, "", "with “”, which is no answer"),
        (WHERE, "no", "which is no answer"),
        (WHERE, "ok track 1600 head 0 motor on", "which is no answer"),
    ],
)
def test_any_other_answer_says_what_is_wrong_with_it(command, answer, said):
    with pytest.raises(ValueError, match=said):
        read_answer(command, answer, ON_16)


def test_the_answer_to_a_step_is_waited_for_as_long_as_the_steps_take():
    # 40 steps of 100 ms beside two seconds for the answer itself.
    assert step(-40, 10.0).wait_s == pytest.approx(6.0)


@pytest.mark.parametrize(
    ("command", "moves"),
    [
        (motor(True), False),
        (select(1), False),
        (WHERE, False),
        (seek(0), True),
        (seek(39), True),
        (step(1, 100.0), True),
        (step(-1, 100.0), True),
    ],
)
def test_which_commands_move_the_head(command, moves):
    assert command.moves is moves
