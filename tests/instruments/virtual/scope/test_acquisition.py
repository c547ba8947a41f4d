"""Sweeps: running, stopping, single ones, the trigger, and time."""

import threading
import time

import numpy as np
import pytest

from tests.instruments.virtual.scope.bench import asker, make_scope, ratio, read, set_up, take


class Clock:
    """A clock that goes on when somebody sleeps."""

    def __init__(self):
        self.now_s = 100.0

    def __call__(self):
        return self.now_s

    def sleep(self, seconds):
        self.now_s += seconds


def ready(**settings):
    scope = make_scope("A2", **settings)
    ask = asker(scope)
    set_up(ask, "A2")
    return scope, ask


def starts(scope):
    return scope._acquisition._armed_s


def test_time_goes_on_by_sweep_and_dead_time():
    scope, ask = ready()
    take(ask, "A2")
    before_s = starts(scope)
    take(ask, "A2")
    # Three turns of 0.2 s, then the wait for the next index.
    assert starts(scope) - before_s == pytest.approx(0.8, abs=0.01)
    scope.close()


@pytest.mark.parametrize(
    ("change", "why"),
    [
        (":TRIG:EDGE:LEV 6", "above the index"),
        (":TRIG:EDGE:LEV -1", "below the index"),
        (":TRIG:EDGE:SOUR CHAN4", "nothing is wired to 4"),
        (":TRIG:EDGE:SOUR AC", "no mains in the model"),
    ],
)
def test_a_trigger_that_does_not_come(change, why):
    scope, ask = ready()
    ask(change)
    ask(":SING")
    assert [ask(":TRIG:STAT?") for _ in range(3)] == [b"WAIT\n"] * 3, why
    assert ask(":WAV:SOUR CHAN1;DATA?") == b"#9000000000\n"
    ask(":TFOR")
    assert [ask(":TRIG:STAT?") for _ in range(2)] == [b"RUN\n", b"STOP\n"]
    assert len(ask(":WAV:DATA?")) == 30_012
    ask(":TRIG:SWE AUTO;:SING")
    assert ask("*OPC?") == b"1\n"
    scope.close()


def test_the_trailing_edge_is_there_too():
    scope, ask = ready()
    ask(":TRIG:EDGE:SLOP POS")
    take(ask, "A2")
    index = read(ask, "A2", 3).volts
    pulse = round(index.shape[0] * 0.004 / 0.6)
    turn = round(index.shape[0] * 0.2 / 0.6)
    assert index[1 : turn - pulse - 5, 0].min() > 4.5
    assert index[turn - pulse + 5 : turn - 5].max() < 0.5
    scope.close()


def test_the_external_input_carries_the_index():
    scope = make_scope("A1")
    ask = asker(scope)
    set_up(ask, "A1")
    ask(":TRIG:EDGE:SOUR EXT;LEV 2.5")
    assert ask(":TRIG:EDGE:SOUR?") == b"EXT\n"
    take(ask, "A1")
    assert read(ask, "A1", 3).volts[1:5].max() < 0.5
    scope.close()


def test_a_delay_moves_the_record():
    scope, ask = ready()
    ask(":TIM:OFFS 0.2")
    take(ask, "A2")
    index = read(ask, "A2", 3).volts
    falls = np.flatnonzero((index[1:, 0] < 2.5) & (index[:-1, 0] >= 2.5)) + 1
    assert falls[0] * 0.6 / index.shape[0] == pytest.approx(0.1, abs=2e-4)
    scope.close()


def test_running_gives_a_new_sweep_with_each_look_and_stop_keeps_the_last():
    scope, ask = ready()
    ask(":RUN;:WAV:MODE NORM;STOP 1200;SOUR CHAN1")
    first, second = ask(":WAV:DATA?"), ask(":WAV:DATA?")
    assert first != second
    ask(":STOP")
    kept, again = ask(":WAV:DATA?"), ask(":WAV:DATA?")
    assert kept == again
    scope.close()


def test_one_seed_gives_one_record():
    answers = []
    for _ in range(2):
        scope, ask = ready(noise_codes=2.0, seed=7, params={"snr_db": 30.0})
        take(ask, "A2")
        answers.append(ask(":WAV:SOUR CHAN1;DATA?"))
        scope.close()
    assert answers[0] == answers[1]


def test_a_nudge_shows_in_the_next_sweep():
    scope, ask = ready()
    take(ask, "A2")
    ask(":VIRT:NUDG -50")
    assert scope.truth().offset_um == pytest.approx(-25.0)
    take(ask, "A2")
    assert ratio(ask, "A2") == pytest.approx(scope.truth().ratio, abs=0.01)
    scope.close()


def test_sweeps_made_ahead_are_those_that_would_be_made():
    plain, ahead = (ready(ahead=way)[0] for way in (False, True))
    for _ in range(3):
        for scope in (plain, ahead):
            take(asker(scope), "A2")
        deadline_s = time.monotonic() + 20
        while not ahead._sweeper.ready:
            assert time.monotonic() < deadline_s
            time.sleep(0.01)
        records = [scope._acquisition.held().codes[1] for scope in (plain, ahead)]
        assert np.array_equal(*records)
    for scope in (plain, ahead):
        scope.close()


def test_a_sweep_made_ahead_is_dropped_when_anything_changes():
    scope, ask = ready(ahead=True)
    take(ask, "A2")
    deadline_s = time.monotonic() + 20
    while not scope._sweeper.ready:
        assert time.monotonic() < deadline_s
        time.sleep(0.01)
    scope.nudge(40.0)
    ask(":CHAN1:SCAL 0.1")
    take(ask, "A2")
    assert float(ask(":WAV:SOUR CHAN1;YINC?")) == pytest.approx(0.1 / 25)
    scope.close()
    assert not [thread for thread in threading.enumerate() if thread.name == "scope-ahead"]


def test_paced_a_sweep_takes_its_time():
    clock = Clock()
    scope, ask = ready(paced=True, clock=clock, sleep=clock.sleep)
    ask(":SING")
    assert ask(":TRIG:STAT?") in (b"WAIT\n", b"RUN\n")
    begun_s = clock.now_s
    assert ask("*OPC?") == b"1\n"
    # At least the sweep itself, at most one turn more until its index came.
    assert 0.6 <= clock.now_s - begun_s <= 0.83
    assert scope.records == 1
    scope.close()


def test_paced_a_single_sweep_is_done_in_its_time_though_nobody_looks():
    clock = Clock()
    scope, ask = ready(paced=True, clock=clock, sleep=clock.sleep)
    ask(":SING;:WAV:SOUR CHAN1")
    assert ask(":WAV:DATA?") == b"#9000000000\n"
    clock.sleep(1.0)
    ask(":STOP")
    assert len(ask(":WAV:DATA?")) == 30_012
    scope.close()


def test_paced_a_running_scope_has_the_last_whole_sweep():
    clock = Clock()
    scope, ask = ready(paced=True, clock=clock, sleep=clock.sleep)
    ask(":RUN;:WAV:MODE NORM;STOP 1200;SOUR CHAN1")
    assert ask(":WAV:DATA?") == b"#9000000000\n"
    clock.sleep(1.0)
    first = ask(":WAV:DATA?")
    assert len(first) == 1212
    assert ask(":WAV:DATA?") == first
    clock.sleep(1.0)
    assert ask(":WAV:DATA?") != first
    clock.sleep(3600.0)
    assert len(ask(":WAV:DATA?")) == 1212
    assert scope.records == 3
    scope.close()


def test_nobody_waits_for_ever():
    scope, ask = ready()
    ask(":TRIG:EDGE:LEV 6")
    ask(":SING")
    over = threading.Event()
    answers = []
    waiting = threading.Thread(
        target=lambda: answers.append(scope.deliver(b"*OPC?\n", over.is_set))
    )
    waiting.start()
    # Others are served while one waits.
    assert ask(":TRIG:STAT?") == b"WAIT\n"
    over.set()
    waiting.join(30)
    assert answers == [[]]
    ask(":SING")
    waiting = threading.Thread(target=lambda: answers.append(scope.deliver(b"*OPC?\n")))
    waiting.start()
    scope.close()
    waiting.join(30)
    assert answers == [[], []]
