import io
import os
import re
import signal
from dataclasses import replace

import pytest

from app.analysis import messages
from app.analysis.results import Message, Quantity, Sign
from app.cli.measure import (
    Progress,
    below,
    interrupted,
    needle_text,
    records_text,
    run_meter,
)
from app.ends import ENDS
from app.live.view import Phase, View
from tests.app.dashboard.fakes import FakeSession, ending, parked, reading, view

LIMITS = 0.15, 0.30


def scale_of(text):
    """The cells of the scale: what stands between the first and the last dot or mark."""
    cells = [place for place, letter in enumerate(text) if letter in "·╎┃│█"]
    return text[cells[0] : cells[-1] + 1]


@pytest.mark.parametrize("width", [60, 79, 119, 300])
def test_needle_stands_where_the_balance_is(width):
    for balance, fraction in ((0.0, 0.5), (0.125, 0.75), (-0.125, 0.25), (0.6, 1.0), (-0.6, 0.0)):
        scale = scale_of(needle_text(view(balance), width, LIMITS))
        assert scale.index("█") == pytest.approx(fraction * (len(scale) - 1), abs=1)
        assert len(scale) % 2 == 1


def test_while_the_head_moves_the_needle_goes_ahead_and_nothing_is_judged():
    text = needle_text(view(0.12, moving=Quantity(-0.125, 0.002)), 119, LIMITS)
    scale = scale_of(text)
    assert scale.index("█") == pytest.approx(0.25 * (len(scale) - 1), abs=1)
    assert text.endswith("outward  moving  uncalibrated")
    assert "ratio 0.7857" in text


@pytest.mark.parametrize(("sign", "balance"), [("╎", 0.0811), ("┃", 0.1765)])
def test_marks_stand_at_both_limits(sign, balance):
    # b = d/(2 - d): 15 % is 0.0811 and 30 % 0.1765.
    scale = scale_of(needle_text(view(0.24), 300, LIMITS))
    half = len(scale) // 2
    marks = [place - half for place, letter in enumerate(scale) if letter == sign]
    assert marks == [-round(balance / 0.25 * half), round(balance / 0.25 * half)]


@pytest.mark.parametrize("width", [60, 79, 99, 119])
def test_both_verdicts_and_what_the_figures_hang_on_are_told_at_any_width(width):
    shown = view(0.12, reading=reading(0.12, notes=(messages.DETECTOR_UNPROVED,)))
    needle = needle_text(shown, width, LIMITS)
    rest = "".join(below(shown, needle, 0.0))
    for words in ("set fail", "check pass", "uncalibrated, detector unproved"):
        assert (words in needle) + (words in rest) == 1
    assert ("set fail" in needle) is (width > 79)
    moving = replace(shown, moving=Quantity(0.1, 0.002))
    both = needle_text(moving, width, LIMITS) + "".join(below(moving, "", 0.0))
    assert "moving" in both
    assert not re.search(r"pass|fail|undecided", both)


def test_line_fits_a_terminal_of_80_columns():
    assert len(needle_text(view(0.12), 79, LIMITS)) <= 79


def test_line_says_virtual_ratio_offset_side_and_verdict():
    text = needle_text(view(0.12), 119, LIMITS)
    for words in ("[virtual drive] ", "ratio 0.7857 ±", "21.36 ± 0.71 µm outward", "set fail"):
        assert words in text
    sure = needle_text(replace(view(0.12), reading=reading(0.12, calibrated=True)), 119, LIMITS)
    assert "uncalibrated" not in sure
    assert "virtual" not in needle_text(view(0.12, virtual=False), 119, LIMITS)
    assert "µm inward" in needle_text(view(-0.12), 119, LIMITS)


def test_an_unknown_sign_is_not_taken_for_a_side():
    shown = replace(view(0.12), reading=reading(sign=Sign.UNKNOWN, side=None))
    assert "(sign unknown)" in needle_text(shown, 119, LIMITS)
    shown = replace(view(0.0), reading=reading(0.0, side=None))
    assert "µm even" in needle_text(shown, 119, LIMITS)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"reading": None}, "[virtual drive] parked: waiting for the source"),
        (
            {"phase": Phase.LOST, "message": "it was pulled"},
            "[virtual drive] parked: it was pulled",
        ),
        ({"reading": parked("no carrier")}, "[virtual drive] parked: no carrier"),
        (
            {"reading": parked("no carrier"), "advice": (Message("it is {0}", ("muted",)),)},
            "[virtual drive] parked: no carrier; it is muted",
        ),
    ],
)
def test_a_parked_needle_says_why_and_shows_no_number(changes, words):
    assert needle_text(replace(view(0.12), **changes), 79, LIMITS) == words


SETTINGS = (("record", "600 ms"), ("range", "0.1 V/div"), ("trigger", "channel 3, falling, 1.4 V"))


def test_a_scope_s_pace_age_and_settings_are_one_line():
    shown = view(0.12, records_a_second=1.84, settings=SETTINGS, reading_at_s=10.0)
    text = "1.8 records/s · 0.7 s old · 600 ms · 0.1 V/div · channel 3, falling, 1.4 V"
    assert records_text(shown, 10.7) == text
    assert len(text) < 79
    assert records_text(replace(shown, reading=None, settings=()), 10.7) == "1.8 records/s"
    assert records_text(replace(shown, records_a_second=None), 10.7).startswith("600 ms · 0.1")
    assert records_text(view(0.12), 10.7) == ""


@pytest.mark.parametrize("terminal", [False, True])
def test_the_line_stands_below_the_needle(terminal):
    out = Screen() if terminal else io.StringIO()
    shown = view(0.1, records_a_second=0.5, settings=SETTINGS, phase=Phase.ENDED, reading_at_s=3.0)
    run_meter(ending(shown), out, None, clock=lambda: 4.0)
    needle, _, rest = out.getvalue().partition("\n0.50 records/s · 1.0 s old · 600 ms")
    assert "ratio" in needle
    assert " V/div" in rest
    assert ("\x1b[" in rest) is terminal


class Screen(io.StringIO):
    def isatty(self):
        return True


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    monkeypatch.setattr("app.cli.measure._FRAME_S", 0.001)
    monkeypatch.setattr("app.cli.measure._LINE_S", 0.001)
    monkeypatch.setenv("COLUMNS", "60")
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.delenv("NO_COLOR", raising=False)


RED, GREEN, YELLOW = "\x1b[31m", "\x1b[32m", "\x1b[33m"
"""ECMA-48, 8.3.117: parameters 31 to 33 of SGR."""


@pytest.mark.parametrize(
    ("balance", "needle", "words"),
    [
        (0.2, RED, (f"{RED}set fail", f"{RED}check fail")),
        (0.12, RED, (f"{RED}set fail", f"{GREEN}check pass")),
        (0.01, GREEN, (f"{GREEN}set pass", f"{GREEN}check pass")),
        (0.0811, YELLOW, (f"{YELLOW}set undecided", f"{GREEN}check pass")),
    ],
)
def test_a_terminal_has_its_verdicts_in_colour_beside_their_words(balance, needle, words):
    out = Screen()
    run_meter(ending(view(balance, phase=Phase.ENDED)), out, None)
    shown = out.getvalue()
    assert f"{needle}█\x1b[39m" in shown
    assert all(f"{each}\x1b[39m" in shown for each in words)


def test_a_parked_needle_is_in_the_colour_of_care_and_a_moving_one_has_no_verdict_s():
    out = Screen()
    run_meter(ending(view(0.1, reading=parked("it clips"), phase=Phase.ENDED)), out, None)
    assert f"{YELLOW}parked:\x1b[39m it clips" in out.getvalue()
    out = Screen()
    moving = view(0.2, moving=Quantity(0.1, 0.002), phase=Phase.ENDED)
    run_meter(ending(moving), out, None)
    assert RED not in out.getvalue()
    assert GREEN not in out.getvalue()


def test_nothing_that_a_source_says_steers_the_terminal():
    out = Screen()
    run_meter(
        ending(view(0.1, source="a\x1b[2Jb", notes=("c\x9bd",), phase=Phase.ENDED)), out, None
    )
    assert "a\ufffd[2Jb" in out.getvalue()
    assert "c\ufffdd" in out.getvalue()


@pytest.mark.parametrize(("name", "value"), [("NO_COLOR", "1"), ("TERM", "dumb")])
def test_where_no_colour_is_wanted_or_known_there_is_none(monkeypatch, name, value):
    monkeypatch.setenv(name, value)
    out = Screen()
    run_meter(ending(view(0.1, phase=Phase.ENDED)), out, None)
    assert "\x1b[3" not in out.getvalue()


def test_lines_follow_each_other_where_there_is_no_terminal():
    out = io.StringIO()
    running = view(0.1, roles_from="given")
    last = run_meter(
        ending(View(phase=Phase.OPENING), running, view(0.2, phase=Phase.ENDED)), out, None
    )
    assert last.phase is Phase.ENDED
    first, heading, roles, second, third = out.getvalue().splitlines()
    assert first == "parked: waiting for the source"
    assert heading == "sim:offset_um=25  [virtual drive]"
    assert roles == "roles: plus,minus,index"
    assert "ratio 0.8182" in second
    assert "ratio 0.6667" in third
    assert "\x1b" not in out.getvalue()


def test_heading_says_who_named_the_roles_and_what_the_source_has_to_say():
    out = io.StringIO()
    shown = view(0.1, roles_from="default", notes=("The volts are relative.",), phase=Phase.ENDED)
    run_meter(ending(shown), out, None)
    heading = out.getvalue().splitlines()[1:3]
    assert heading == ["roles are the default: plus,minus,index", "The volts are relative."]


def test_lines_are_written_over_in_a_terminal():
    out = Screen()
    run_meter(ending(view(0.1), view(0.2, phase=Phase.ENDED)), out, None)
    text = out.getvalue()
    assert text.count("\r\x1b[J") == 2
    assert text.endswith("\n")


def test_long_reasons_are_wrapped_and_the_cursor_comes_back():
    out = Screen()
    long = "no carrier: " + "word " * 30
    run_meter(ending(view(0.1, reading=parked(long), phase=Phase.ENDED)), out, None)
    shown = out.getvalue().split("\x1b[J")[1]
    shown = re.sub(r"\x1b\[3\dm", "", shown)  # colours
    lines = shown.partition("\x1b")[0].splitlines()
    assert len(lines) > 2
    assert max(map(len, lines)) < 60
    assert f"\x1b[{len(lines) - 1}A" in shown
    assert shown.endswith("\n" * len(lines))


def test_a_dumb_terminal_gets_plain_lines(monkeypatch):
    monkeypatch.setenv("TERM", "dumb")
    out = Screen()
    run_meter(ending(view(0.1, phase=Phase.ENDED)), out, None)
    assert "\x1b" not in out.getvalue()


def test_a_failed_source_ends_the_meter_without_a_number():
    out = io.StringIO()
    last = run_meter(ending(View(phase=Phase.FAILED, message="it is not there")), out, None)
    assert last.message == "it is not there"
    assert out.getvalue() == ""


def test_the_meter_stops_after_the_seconds_asked_for():
    times_s = iter([0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0])
    out = io.StringIO()
    run_meter(ending(view(0.1)), out, 2.5, clock=lambda: next(times_s))
    assert out.getvalue().count("ratio") == 3


@pytest.mark.parametrize("kind", ENDS)
def test_ctrl_c_and_a_request_to_end_stop_the_meter(kind):
    def interrupt():
        os.kill(os.getpid(), kind)
        return view(0.1)

    before = signal.getsignal(kind)
    run_meter(FakeSession(interrupt), io.StringIO(), None)
    assert signal.getsignal(kind) is before


def test_a_line_break_in_a_name_begins_no_line_of_ours():
    name = "found\nratio 1.00000 ± 0.00001.wav"
    out = io.StringIO()
    run_meter(FakeSession(view(0.1, source=name, roles=("plus",))), out, 0.0)
    assert "found\ufffdratio" in out.getvalue()
    assert [line for line in out.getvalue().splitlines() if line.startswith("ratio 1.00000")] == []


def test_an_interrupt_is_noted_and_not_raised():
    with interrupted() as stop:
        assert not stop.asked
        os.kill(os.getpid(), signal.SIGINT)
        assert stop.asked


def test_progress_is_shown_at_a_terminal_only_and_cleared(monkeypatch):
    for errors, shown in ((Screen(), True), (io.StringIO(), False)):
        monkeypatch.setattr("sys.stderr", errors)
        monkeypatch.setattr(Progress, "_AFTER_S", 0.0)
        with Progress("recording") as progress:
            progress.show(1.25, None)
            progress.show(1.25, 5.0)
        text = errors.getvalue()
        assert ("recording … 1.2 s (Ctrl-C ends)" in text) is shown
        assert ("recording … 1.2 s of 5.0 s" in text) is shown
        assert text.endswith("\r\x1b[K") is shown
