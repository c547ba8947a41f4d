"""What the window says: figures, directions, verdicts, and that a parked needle says no number."""

import re

import pytest

from app.analysis.results import Message, Quantity, Side, Sign, Verdict
from app.dashboard.text import NO_FIGURE, Unit, face_of, said, verdict_word
from app.live.view import STALE_AFTER_S, Phase, View
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
    assert "uncalibrated" in face(view(0.1, NOW_S)).offset.u_text
    sure = view(reading=reading(0.1, calibrated=True), now_s=NOW_S)
    assert "uncalibrated" not in face(sure).offset.u_text


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
