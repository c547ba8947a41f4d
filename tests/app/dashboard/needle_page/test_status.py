"""The source's state in words, and the panel of it, each line graded by shape as well as colour."""

from dataclasses import replace

import pytest

from app.analysis.messages import NO_CARRIER
from app.analysis.results import Geometry, Message, Quantity
from app.dashboard.needle_page.status import (
    Grade,
    StatusLine,
    StatusView,
    source_parts,
    status_lines,
)
from app.dashboard.style import LIGHT, Sizes
from app.dashboard.text import notes_of, settings_of
from app.handbook.terms import Term
from app.live.view import Level, Phase, View
from tests.app.dashboard.fakes import parked, reading, view
from tests.app.dashboard.pictures import different, pixels

NOW_S = 1000.0


@pytest.fixture
def panel(qtbot):
    made = StatusView()
    qtbot.addWidget(made)
    made.resize(400, 300)
    made.apply_theme(LIGHT, Sizes.of(1920, 1080))
    return made


def test_marks_differ_in_shape(panel):
    shapes = set()
    line = StatusLine("source", "running")
    for grade in Grade:
        panel.show_lines((replace(line, grade=grade),), ())
        mark = pixels(panel.grab().toImage())[15:45, 14:34]
        shapes.add((abs(mark - mark[0, 0]).max(axis=2) > 60).tobytes())
    assert len(shapes) == len(Grade)


def test_all_lines_and_notes_fit_a_small_panel(panel):
    panel.resize(300, 140)
    panel.apply_theme(LIGHT, Sizes.of(1024, 640))
    empty = panel.grab().toImage()
    panel.show_lines(status_lines(view(0.1, NOW_S), NOW_S, 300.0), ("A note of some words. " * 6,))
    changed = different(empty, panel.grab().toImage())
    assert changed.top() > 2
    assert changed.bottom() < panel.height() - 2
    assert "A note" in panel.accessibleDescription()


def test_the_end_of_a_long_line_is_seen_for_it_says_what_is_wrong(panel):
    panel.resize(300, 220)
    panel.apply_theme(LIGHT, Sizes.of(1088, 680))
    pictures = []
    for end in ("not valid", "not cal"):
        words = f"12.6 s old; turns used: 0: {end}"
        panel.show_lines((StatusLine("signal to noise", words, Grade.FAULT),), ())
        pictures.append(panel.grab().toImage())
    assert different(*pictures).width() > 10


def test_a_line_that_is_not_painted_yet_has_no_meaning_to_touch(panel):
    line = StatusLine("source", "running", term=Term.SOURCE)
    panel.show_lines((line,), ())
    panel.grab()
    panel.show_lines((line, line), ())
    assert [term for term, _ in panel.terms()] == [line.term]


def test_a_scope_s_settings_are_told(panel):
    settings = (("record", "600 ms"), ("range", "0.08 V/div"))
    shown = view(now_s=NOW_S, settings=settings)
    panel.show_lines(status_lines(shown, NOW_S, 300.0), (), settings_of(shown))
    assert "record 600 ms   ·   range 0.08 V/div" in panel.accessibleDescription()


def lines(shown, now_s=NOW_S):
    return {line.name: line for line in status_lines(shown, now_s, 300.0)}


def test_all_is_told_when_all_is_well():
    told = lines(view(0.1, NOW_S - 0.2))
    assert told["source"].words == "running"
    assert told["level plus"].words == "0.41 V, 41 % of full scale"
    assert told["signal to noise"].words == "31 dB"
    assert told["carrier"].words == "125.01 kHz"
    assert told["speed"].words == "300.10 rpm (+0.03 %)"
    assert told["turn"].words == "locked, two-band pattern"
    assert told["reading"].words == "0.2 s old; turns used: 3"
    assert told["lost frames"].words == "none"
    assert not {line.grade for line in told.values()} & {Grade.CAUTION, Grade.FAULT}


@pytest.mark.parametrize(
    ("change", "name", "word", "grade"),
    [
        ({"levels": (Level("plus", 1.0, 1.0, True),)}, "level plus", "CLIPPING", Grade.FAULT),
        ({"levels": (Level("plus", 0.01, 0.01, False),)}, "level plus", "low", Grade.CAUTION),
        ({"levels": (Level("plus", 0.2, None, False),)}, "level plus", "0.2 V", Grade.GOOD),
        ({"levels": (Level("index", 5.0, 1.0, True),)}, "level index", "5 V", Grade.PLAIN),
        ({"locked": False}, "turn", "no lock", Grade.FAULT),
        ({"lost_frames": 12}, "lost frames", "12 of 12000012", Grade.CAUTION),
        ({"reading_at_s": NOW_S - 3}, "reading", "STALE", Grade.FAULT),
        ({"reading": parked()}, "reading", "not valid", Grade.FAULT),
        ({"reading": reading(0.1, snr_db=4.0)}, "signal to noise", "noisy", Grade.CAUTION),
        ({"phase": Phase.LOST}, "source", "gone, trying again", Grade.FAULT),
        ({"phase": Phase.FAILED}, "source", "failed", Grade.FAULT),
        ({"phase": Phase.ENDED}, "source", "at its end", Grade.PLAIN),
        ({"roles": ("envelope",)}, "carrier", "removed by the detector", Grade.PLAIN),
    ],
)
def test_what_is_wrong_is_said(change, name, word, grade):
    line = lines(replace(view(0.1, NOW_S), **change))[name]
    assert word in line.words
    assert line.grade is grade


@pytest.mark.parametrize("phase", [Phase.OPENING, Phase.LOST, Phase.FAILED])
def test_figures_of_a_source_that_does_not_run_are_not_shown(phase):
    told = lines(replace(view(0.1, NOW_S), phase=phase))
    for name in ("signal to noise", "carrier", "speed"):
        assert told[name].words == "none"
    assert not any(name.startswith("level") for name in told)


def test_stale_figures_are_not_shown():
    told = lines(view(0.1, NOW_S - 3))
    assert told["speed"].words == "none"


def test_where_there_is_no_carrier_none_is_told():
    """Noise has a strongest frequency too, and the needle says that there is no carrier."""
    off = reading(0.1, valid=False, reasons=(NO_CARRIER,))
    told = lines(view(0.1, NOW_S, reading=off))["carrier"]
    assert (told.words, told.grade) == ("none", Grade.PLAIN)


def test_nothing_open():
    assert lines(View())["source"].words == "closed"


def test_notes_of_source_and_reading():
    noted = view(
        now_s=NOW_S,
        reading=reading(0.1, notes=(Message("The detector is unproved."),)),
        notes=("Roles by default.",),
    )
    assert notes_of(noted, NOW_S) == ("Roles by default.", "The detector is unproved.")
    assert notes_of(noted, NOW_S + 5) == ("Roles by default.",)


def test_a_scope_s_records_are_told():
    shown = view(
        now_s=NOW_S,
        reading=reading(0.12, carrier_hz=None, snr_db=None),
        records_a_second=1.23,
    )
    told = lines(shown)
    assert told["records"].words == "1.2 a second"
    # Extremes do not tell of the carrier: nothing is said rather than that there is none.
    assert "carrier" not in told


@pytest.mark.parametrize(
    ("change", "name", "words", "grade"),
    [
        ({"levels": (Level("plus", 0.1, 0.03, False),)}, "level plus", None, Grade.GOOD),
        ({"levels": (Level("plus", 0.1, 0.0299, False),)}, "level plus", None, Grade.CAUTION),
        ({"levels": (Level("plus", 0.1, 0.01, True),)}, "level plus", None, Grade.FAULT),
        ({"levels": (Level("index", 0.1, 0.01, True),)}, "level index", None, Grade.PLAIN),
        ({"reading": reading(0.1, snr_db=10.0)}, "signal to noise", "10 dB", Grade.GOOD),
        ({"reading": reading(0.1, snr_db=9.9)}, "signal to noise", "10 dB: noisy", Grade.CAUTION),
        ({"reading": reading(0.1, snr_db=None)}, "signal to noise", "none", Grade.PLAIN),
        ({"reading": reading(0.1, carrier_hz=None)}, "carrier", "none", Grade.PLAIN),
        ({"reading": reading(0.1, speed_rpm=None)}, "speed", "none", Grade.PLAIN),
        ({"reading": reading(0.1, geometry=None)}, "turn", "locked", Grade.GOOD),
        (
            {"reading": reading(0.1, geometry=Geometry.BOUNDARY)},
            "turn",
            "locked, boundary pattern",
            Grade.GOOD,
        ),
        (
            {"reading": reading(0.1, geometry=Geometry.ALTERNATING)},
            "turn",
            "locked, alternating pattern",
            Grade.GOOD,
        ),
        ({"locked": False, "phase": Phase.OPENING}, "turn", "none", Grade.PLAIN),
        ({"locked": False, "reading": None}, "turn", "no lock", Grade.FAULT),
        ({"reading": None}, "reading", "none", Grade.PLAIN),
        ({"phase": Phase.ENDED}, "reading", "the last; turns used: 3", Grade.PLAIN),
        (
            {"reading_at_s": NOW_S - 1.0, "stale_after_s": 1.0},
            "reading",
            "1.0 s old; turns used: 3",
            Grade.GOOD,
        ),
        (
            {"reading_at_s": NOW_S - 1.1, "stale_after_s": 1.0},
            "reading",
            "1.1 s old; turns used: 3: STALE",
            Grade.FAULT,
        ),
        ({"frames": 0}, "lost frames", "none", Grade.PLAIN),
        ({"frames": 0, "lost_frames": 5}, "lost frames", "5 of 5", Grade.CAUTION),
        ({"frames": 10, "lost_frames": 5}, "lost frames", "5 of 15", Grade.CAUTION),
        ({}, "lost frames", "none", Grade.GOOD),
        ({"phase": Phase.CLOSED}, "source", "closed", Grade.PLAIN),
        ({"phase": Phase.OPENING}, "source", "opening", Grade.PLAIN),
        ({}, "source", "running", Grade.GOOD),
    ],
)
def test_each_line_at_its_bounds(change, name, words, grade):
    line = lines(replace(view(0.1, NOW_S), **change))[name]
    assert line.grade is grade
    assert words in (None, line.words)


@pytest.mark.parametrize(
    ("rpm", "words"),
    [
        (297.0, "297.00 rpm (−1.00 %)"),
        (300.0, "300.00 rpm (+0.00 %)"),
        (303.0, "303.00 rpm (+1.00 %)"),
    ],
)
def test_speed_is_told_with_what_it_lacks(rpm, words):
    fast = reading(0.1, speed_rpm=Quantity(rpm, 0.02))
    assert lines(view(0.1, NOW_S, reading=fast))["speed"].words == words


def test_lines_come_in_one_order():
    assert list(lines(view(0.1, NOW_S, records_a_second=2.0))) == [
        "source",
        "level plus",
        "level minus",
        "signal to noise",
        "carrier",
        "speed",
        "turn",
        "records",
        "reading",
        "lost frames",
    ]
    assert "records" not in lines(view(0.1, NOW_S))
    assert "level plus" in lines(view(0.1, NOW_S, phase=Phase.ENDED))
    # A carrier that is known is told of records too.
    assert "carrier" in lines(view(0.1, NOW_S, records_a_second=2.0))


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"virtual": True}, "VIRTUAL DRIVE  ·  sim:  ·  running"),
        ({"virtual": False}, "sim:  ·  running"),
        ({"virtual": False, "paused": True}, "sim:  ·  paused"),
        ({"virtual": False, "source": "", "phase": Phase.CLOSED}, "no source  ·  closed"),
    ],
)
def test_what_is_open_in_one_line(changes, words):
    assert "".join(source_parts(view(0.1, NOW_S, **{"source": "sim:", **changes}))) == words
