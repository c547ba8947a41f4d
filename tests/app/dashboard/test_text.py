"""What the window says: figures, directions, verdicts, and that a parked needle says no number."""

import re

import pytest

from app.analysis import messages
from app.analysis.messages import fill
from app.analysis.results import Message, Quantity, Side, Sign, Verdict
from app.dashboard.text import (
    NO_FIGURE,
    Unit,
    current_reading,
    face_of,
    notes_of,
    pace_of,
    parked_because,
    said,
    verdict_word,
)
from app.live.view import BEHIND, STALE_AFTER_S, Phase, View
from app.profiles import load_profile
from tests.app.dashboard.fakes import parked, reading, view

NOW_S = 1000.0
PROFILE = load_profile("130mm-48tpi")


def face(shown, unit=Unit.UM, now_s=NOW_S):
    return face_of(shown, now_s, PROFILE, unit)


def test_worked_value_of_the_trade():
    # Common practice, from memory: a ratio of 75 % is about 25 µm on a 48 tpi drive; b = 1/7.
    shown = face(view(1 / 7, NOW_S))
    assert shown.ratio.text == "0.750"
    assert shown.difference.text == "25.0 %"
    assert shown.offset.text == "25.4 µm"
    assert shown.balance == pytest.approx(1 / 7)


def test_mil_is_a_thousandth_of_an_inch():
    # The inch is 25.4 mm exactly (international yard and pound agreement of 1959).
    exact = reading(0.1, offset_um=Quantity(-50.8, 1.27))
    shown = face(view(0.1, NOW_S, reading=exact), Unit.MIL)
    assert shown.offset.text == "2.00 mil"
    assert shown.offset.u_text.startswith("± 0.10 mil, inward")


def test_uncertainty_is_expanded():
    # JCGM 100, 6.2.1: U = k·u; at k = 2 about 95 %.
    shown = face(view(reading=reading(0.1, ratio=Quantity(0.82, 0.004)), now_s=NOW_S))
    assert shown.ratio.u_text == "± 0.008"
    assert shown.expanded_u == pytest.approx(0.004)


@pytest.mark.parametrize(
    ("balance", "u", "words"),
    [
        (0.2, 0.002, "Head is outward: move it inward"),
        (-0.2, 0.002, "Head is inward: move it outward"),
        (0.05, 0.002, "Nearly even, head a little outward"),
        (-0.05, 0.002, "Nearly even, head a little inward"),
        (0.003, 0.002, "Lobes are even, as far as can be told"),
    ],
)
def test_direction(balance, u, words):
    assert face(view(reading=reading(balance, u), now_s=NOW_S)).headline == words


@pytest.mark.parametrize("balance", [0.2, -0.2])
def test_unknown_side_is_never_invented(balance):
    shown = face(view(reading=reading(balance, sign=Sign.UNKNOWN, side=None), now_s=NOW_S))
    assert shown.mirrored
    assert shown.balance == pytest.approx(0.2)
    text = f"{shown.headline} {shown.offset.text} {shown.offset.u_text}"
    assert "side not known" in text
    assert not re.search(r"inward|outward|[-−+]\d", text)


def test_uncalibrated_until_calibrated():
    assert face(view(0.1, NOW_S)).offset.proviso == "uncalibrated"
    sure = view(reading=reading(0.1, calibrated=True), now_s=NOW_S)
    assert face(sure).offset.proviso == ""


def test_a_detector_that_is_taken_as_linear_is_told_at_each_figure():
    unproved = reading(0.1, notes=(messages.DETECTOR_UNPROVED,))
    shown = face(view(reading=unproved, now_s=NOW_S))
    assert {shown.ratio.proviso, shown.difference.proviso} == {"detector unproved"}
    assert shown.offset.proviso == "uncalibrated, unproved"
    sure = face(view(0.1, NOW_S))
    assert not sure.ratio.proviso + sure.difference.proviso


def test_verdicts_in_words():
    words = face(view(0.12, NOW_S)).detail
    assert words == "Set limit 15 %: exceeded   ·   Check limit 30 %: kept"
    assert "straddles" in verdict_word(Verdict.UNDECIDED)
    assert verdict_word(None) == "not judged"


PARKED = {
    "closed": View(),
    "opening": view(0.12, NOW_S, phase=Phase.OPENING),
    "lost": view(0.12, NOW_S, phase=Phase.LOST, message="sound:x: unplugged; plug it in."),
    "failed": view(0.12, NOW_S, phase=Phase.FAILED, message="x.wav: not there; check the path."),
    "no reading yet": view(0.12, NOW_S, reading=None),
    "stale": view(0.12, NOW_S - STALE_AFTER_S - 0.1),
    "invalid": view(reading=parked(), now_s=NOW_S),
    "invalid with numbers left over": view(
        reading=reading(0.12, valid=False, reasons=(Message("One lobe only."),)), now_s=NOW_S
    ),
    "valid with a balance that is no number": view(
        reading=reading(0.12, balance=Quantity(float("nan"), 0.1)), now_s=NOW_S
    ),
    "valid without a balance": view(reading=reading(0.12, balance=None), now_s=NOW_S),
}


@pytest.mark.parametrize("name", PARKED)
def test_parked_shows_no_number(name):
    shown = face(PARKED[name])
    assert shown.balance is None
    assert {shown.ratio.text, shown.difference.text, shown.offset.text} == {NO_FIGURE}
    assert not shown.ratio.u_text + shown.difference.u_text + shown.offset.u_text
    assert shown.detail


def test_reasons_are_told():
    assert face(PARKED["stale"]).detail == "Stale: the last reading is 1 s old."
    assert face(PARKED["invalid"]).detail == "The signal clips: turn the input's level down."
    assert "unplugged" in face(PARKED["lost"]).detail
    assert face(PARKED["failed"]).detail == "x.wav: not there; check the path."


def test_one_lobe_tells_the_side_all_the_same():
    alone = parked("One lobe only.", side=Side.OUTWARD)
    assert face(view(reading=alone, now_s=NOW_S)).headline == "Head is far outward: move it inward"
    late = view(reading=alone, now_s=NOW_S - 5)
    assert face(late).headline == "No reading"


def test_last_reading_of_a_capture_stands():
    assert face(view(0.12, NOW_S - 3600, phase=Phase.ENDED)).balance == pytest.approx(0.12)


def test_message_is_filled_in():
    assert said(Message("carrier {0} is beyond {1}", ("250 kHz", "90 kHz"))) == (
        "carrier 250 kHz is beyond 90 kHz"
    )


def test_a_slow_scope_looks_slow_and_not_wrong():
    """A reading that is older than a sound card's may be stands while the scope is on time."""
    slow = view(0.12, NOW_S - 2.4, records_a_second=0.4, stale_after_s=6.0)
    face = face_of(slow, NOW_S, PROFILE, Unit.UM)
    assert face.balance == 0.12
    assert face.pace == "0.40 records a second, reading 2.4 s old"
    late = face_of(slow, NOW_S + 4.0, PROFILE, Unit.UM)
    assert late.balance is None
    assert "Stale" in late.detail
    assert "6.4 s old" in late.pace
    assert face_of(view(0.12, NOW_S), NOW_S, PROFILE, Unit.UM).pace == ""


def test_a_face_is_spoken_in_one_sentence():
    shown = face(view(1 / 7, NOW_S))
    assert shown.spoken == f"Head is outward: move it inward. 25.0 %, 25.4 µm. {shown.detail}"
    assert face(PARKED["stale"]).spoken == "No reading. Stale: the last reading is 1 s old."


@pytest.mark.parametrize(
    ("phase", "age_s", "current"),
    [
        (Phase.RUNNING, 1.0, True),
        (Phase.RUNNING, 1.001, False),
        (Phase.ENDED, 1e6, True),
        (Phase.OPENING, 0.0, False),
        (Phase.LOST, 0.0, False),
        (Phase.FAILED, 0.0, False),
        (Phase.CLOSED, 0.0, False),
    ],
)
def test_a_reading_is_current_up_to_its_last_moment(phase, age_s, current):
    shown = view(0.1, NOW_S - age_s, phase=phase, stale_after_s=1.0)
    assert (current_reading(shown, NOW_S) is shown.reading) == current
    assert (current_reading(shown, NOW_S) is None) != current
    assert (face(shown).balance is not None) == current
    assert (parked_because(shown, NOW_S) == "") == current


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"phase": Phase.CLOSED}, "No source is open. Choose one with F2."),
        ({"phase": Phase.OPENING, "source": "sound:a"}, "Opening sound:a …"),
        (
            {"phase": Phase.LOST, "message": "Plug it in."},
            "The source is gone; trying to open it again. Plug it in.",
        ),
        ({"phase": Phase.LOST}, "The source is gone; trying to open it again."),
        ({"phase": Phase.FAILED, "message": "x.wav: not there."}, "x.wav: not there."),
        ({"phase": Phase.FAILED}, "The source cannot be read."),
        ({"reading": None}, "Waiting for the first whole turn."),
        ({"reading": reading(0.1, valid=False)}, "The signal gives no reading."),
        (
            {"reading": reading(0.1, valid=False, reasons=(Message("One."), Message("Two.")))},
            "One. Two.",
        ),
        ({"reading": reading(0.1, balance=None)}, "The signal gives no balance."),
        (
            {"reading": reading(0.1, balance=Quantity(float("inf"), 0.1))},
            "The signal gives no balance.",
        ),
    ],
)
def test_why_the_needle_rests(changes, words):
    assert parked_because(view(0.1, NOW_S, **changes), NOW_S) == words


def test_a_parked_face_still_tells_of_the_drive_and_the_pace():
    shown = face(view(0.1, NOW_S - 9, virtual=True, records_a_second=2.0))
    assert shown.virtual
    assert shown.pace == "2.0 records a second, reading 9.0 s old"
    assert not face(view(0.1, NOW_S - 9, virtual=False)).virtual
    assert face(view(0.1, NOW_S, virtual=False)).virtual is False
    assert face(view(0.1, NOW_S)).virtual


def test_a_head_that_is_away_rests_unless_the_source_says_why():
    resting = face_of(view(0.1, NOW_S), NOW_S, PROFILE, Unit.UM, away="It is on track 34.")
    assert (resting.headline, resting.detail) == ("The needle rests", "It is on track 34.")
    assert resting.balance is None
    assert resting.virtual
    lost = view(0.1, NOW_S, phase=Phase.LOST)
    said_first = face_of(lost, NOW_S, PROFILE, Unit.UM, away="It is on track 34.")
    assert said_first.headline == "No reading"


@pytest.mark.parametrize(
    ("side", "words"),
    [
        (Side.OUTWARD, "Head is far outward: move it inward"),
        (Side.INWARD, "Head is far inward: move it outward"),
        (None, "No reading"),
    ],
)
def test_a_lobe_alone_tells_which_way_is_far(side, words):
    assert face(view(reading=parked(side=side), now_s=NOW_S)).headline == words


@pytest.mark.parametrize(
    ("balance", "words"),
    [
        # At 2u itself it cannot be told yet.
        (0.25, "Lobes are even, as far as can be told"),
        (-0.25, "Lobes are even, as far as can be told"),
        (0.2501, "Head is outward: move it inward"),
        (-0.2501, "Head is inward: move it outward"),
    ],
)
def test_even_is_what_cannot_be_told_from_it(balance, words):
    assert face(view(reading=reading(balance, 0.125), now_s=NOW_S)).headline == words


@pytest.mark.parametrize(
    ("balance", "verdict", "words"),
    [
        (0.05, Verdict.PASS, "Nearly even, side not known"),
        (0.3, Verdict.FAIL, "Off the line, side not known"),
    ],
)
def test_how_far_is_told_without_a_side(balance, verdict, words):
    unknown = reading(balance, sign=Sign.UNKNOWN, side=None, set_limit=verdict)
    assert face(view(reading=unknown, now_s=NOW_S)).headline == words


@pytest.mark.parametrize(
    ("offset_um", "calibrated", "words"),
    [
        (3.0, True, "± 0.4 µm, outward"),
        (-3.0, True, "± 0.4 µm, inward"),
        (0.0, True, "± 0.4 µm"),
        (3.0, False, "± 0.4 µm, outward"),
    ],
)
def test_an_offset_says_its_side_and_whether_it_is_calibrated(offset_um, calibrated, words):
    shown = reading(0.1, offset_um=Quantity(offset_um, 0.2), calibrated=calibrated)
    text = face(view(reading=shown, now_s=NOW_S)).offset
    assert (text.text, text.u_text) == (f"{abs(offset_um):.1f} µm", words)


def test_what_a_reading_lacks_is_a_dash():
    bare = reading(0.1, ratio=None, difference=None, offset_um=None)
    shown = face(view(reading=bare, now_s=NOW_S))
    assert {shown.ratio.text, shown.difference.text, shown.offset.text} == {NO_FIGURE}
    assert {shown.ratio.u_text, shown.difference.u_text, shown.offset.u_text} == {""}
    assert shown.balance == pytest.approx(0.1)


def test_difference_and_ratio_have_their_uncertainty():
    exact = reading(0.1, ratio=Quantity(0.8184, 0.0021), difference=Quantity(-0.1816, 0.0021))
    shown = face(view(reading=exact, now_s=NOW_S))
    assert (shown.ratio.text, shown.ratio.u_text) == ("0.818", "± 0.004")
    assert (shown.difference.text, shown.difference.u_text) == ("18.2 %", "± 0.4 %")


def zeroed(balance, zero_um, unit=Unit.UM, u=0.002, **changes):
    shown = view(reading=reading(balance, u, **changes), now_s=NOW_S)
    return face_of(shown, NOW_S, PROFILE, unit, zero_um)


def test_the_middle_as_zero_takes_its_offset_out_of_everything():
    shown = zeroed(0.12, 3.0)
    assert shown.zeroed
    assert shown.balance == pytest.approx(0.12 - 3.0 / PROFILE.scale_um)
    assert shown.offset.text == f"{178 * 0.12 - 3.0:.1f} µm"
    assert shown.offset.u_text == "± 0.7 µm, outward, of middle"
    assert shown.headline == "Head is outward of the aim: move it inward"
    assert shown.detail == (
        "Zero is the aim, for the middle of the hysteresis: even lobes at −3.0 µm."
    )
    # The ratio is of the lobes, whatever the zero is.
    assert shown.ratio.text == face(view(0.12, NOW_S)).ratio.text
    assert shown.expanded_u == pytest.approx(0.004)
    assert shown.virtual


def test_the_middle_as_zero_is_told_in_mil_and_on_either_side():
    shown = zeroed(-0.12, -25.4, Unit.MIL)
    assert shown.balance == pytest.approx(-0.12 + 25.4 / PROFILE.scale_um)
    assert shown.headline == "Head is outward of the aim: move it inward"
    assert shown.detail.endswith("even lobes at +1.00 mil.")
    assert zeroed(-0.3, 0.0).headline == "Head is inward of the aim: move it outward"
    assert zeroed(0.25, 0.0, u=0.125).headline == "On the aim, as far as can be told"
    assert zeroed(-0.25, 0.0, u=0.125).headline == "On the aim, as far as can be told"
    assert zeroed(0.2501, 0.0, u=0.125).headline.startswith("Head is outward of the aim")
    assert zeroed(0.25, 0.0).zeroed


def test_a_middle_counts_only_where_side_and_offset_are_known():
    assert not zeroed(0.12, 3.0, sign=Sign.UNKNOWN).zeroed
    assert zeroed(0.12, 3.0, sign=Sign.UNKNOWN).balance == pytest.approx(0.12)
    assert not zeroed(0.12, 3.0, offset_um=None).zeroed
    assert not zeroed(0.12, None).zeroed


def test_a_face_without_records_has_no_pace_and_one_without_a_reading_no_age():
    assert pace_of(view(0.1, NOW_S), NOW_S) == ""
    first = view(0.1, NOW_S, reading=None, records_a_second=0.5)
    assert pace_of(first, NOW_S) == "0.50 records a second"


def test_a_translation_with_other_braces_falls_back_on_the_message(monkeypatch):
    for broken in ("{0} {7}", "{name}", "{0"):
        monkeypatch.setattr("app.dashboard.text.translate", lambda _, text, b=broken: b)
        assert said(Message("level {0}", ("low",))) == "level low"


def test_a_note_is_told_once():
    noted = view(
        now_s=NOW_S, notes=("One.", "Two."), reading=reading(0.1, notes=(Message("One."),))
    )
    assert notes_of(noted, NOW_S) == ("One.", "Two.")


@pytest.mark.parametrize(
    ("verdict", "word"),
    [
        (Verdict.PASS, "kept"),
        (Verdict.FAIL, "exceeded"),
        (Verdict.UNDECIDED, "undecided, uncertainty straddles it"),
        (None, "not judged"),
        (Verdict.NOTED, "not judged"),
    ],
)
def test_each_verdict_has_its_words(verdict, word):
    assert verdict_word(verdict) == word


def test_a_mil_is_written_with_two_places():
    assert face(view(0.1, NOW_S), Unit.MIL).offset.text == f"{17.8 / 25.4:.2f} mil"


def test_while_the_head_moves_the_needle_is_ahead_of_the_figures():
    resting = face(view(0.1, NOW_S))
    moving = face(view(0.1, NOW_S, moving=Quantity(-0.2, 0.003)))
    assert not resting.moving
    assert moving.moving
    assert moving.balance == -0.2
    assert moving.expanded_u == pytest.approx(0.006)
    assert moving.detail == "Moving: figures and verdicts follow with the next lobe."
    kept = ("ratio", "difference", "offset", "headline", "mirrored")
    assert [getattr(moving, name) for name in kept] == [getattr(resting, name) for name in kept]


def test_from_the_middle_of_the_hysteresis_the_needle_moves_too():
    shown = view(0.1, NOW_S, moving=Quantity(0.3, 0.003))
    moving = face_of(shown, NOW_S, PROFILE, Unit.UM, zero_um=0.1 * PROFILE.scale_um)
    assert moving.balance == pytest.approx(0.2)
    assert moving.zeroed


def test_without_a_side_the_zero_is_where_the_lobes_are_even():
    shown = view(0.1, NOW_S, moving=Quantity(0.3, 0.003), reading=reading(0.1, sign=Sign.UNKNOWN))
    moving = face_of(shown, NOW_S, PROFILE, Unit.UM, zero_um=12.0)
    assert moving.balance == 0.3
    assert moving.mirrored


def test_a_computer_that_is_too_slow_is_not_called_stale():
    slow = fill(BEHIND, "0.8")
    late = view(reading=parked(slow.text.format("0.8")), now_s=NOW_S - STALE_AFTER_S - 1.0)
    assert parked_because(late, NOW_S) == str(slow)


@pytest.mark.parametrize("shown", [None, parked(str(messages.WAITING))])
def test_a_capture_that_is_too_short_waits_for_nothing(shown):
    ended = face(view(reading=shown, phase=Phase.ENDED, now_s=NOW_S))
    assert ended.detail.startswith("The capture ends before a reading was possible")
    running = face(view(reading=shown, now_s=NOW_S))
    assert "aiting for the first" in running.detail
