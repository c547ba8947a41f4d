"""The report as data, its drawings and its page."""

import math
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest

from app.analysis import messages
from app.analysis.budget import Part
from app.analysis.results import Verdict
from app.job.model import APART, ROOM, UNSEEN, CheckName, Entry, Limit, Stage, Summary, Value
from app.job.plan import Plan, left_out
from app.profiles import load_profile
from app.report.blocks import MAX_TEXT, Figures, Lines, Table, amount, clean, limit_words, within
from app.report.content import report_of
from app.report.figures import draw_needle, draw_trace, mark
from app.report.html import page_of
from tests.app.book.museum import (
    BACKLASH,
    HISTORY,
    HOSTILE,
    RPM,
    SET,
    arrival,
    hostile,
    made_virtual,
    outcome,
    past,
    record,
)

SVG = "{http://www.w3.org/2000/svg}"
OWN = """html head meta title style body div span p header h1 h2 section table colgroup col thead
tbody tr th td bdi ul li figure figcaption svg path line polyline circle rect text"""
ELEMENTS = set(OWN.split())
ATTRIBUTES_OF_OTHERS = ("href", "src", "style", "srcset", "action", "data")


def section(report, title):
    (found,) = (each for each in report.sections if each.title == title)
    return found.blocks


def table(report, title):
    return next(block for block in section(report, title) if isinstance(block, Table))


def lines(report, title):
    return [
        line for block in section(report, title) if isinstance(block, Lines) for line in block.items
    ]


def figures(report, title):
    return [
        one for block in section(report, title) if isinstance(block, Figures) for one in block.items
    ]


def row(report, check, stage):
    (found,) = (r for r in table(report, "Checks").rows if r[:2] == (check, stage))
    return found


class Page(HTMLParser):
    """Elements, attributes and text, as the standard library's parser reads them."""

    def __init__(self, text):
        super().__init__()
        self.elements, self.attributes, self.text = [], [], ""
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.elements.append(tag)
        self.attributes += attrs

    def handle_data(self, data):
        self.text += data


def test_each_check_has_value_expanded_uncertainty_limit_verdict_and_source():
    """U = k·u with k = 2, written to two digits: JCGM 100, 7.2.3 and 7.2.6."""
    report = report_of(record(), HISTORY)
    assert row(report, "Radial offset, side 0", Stage.AS_FOUND)[2:] == (
        "−33.7 ± 4.0 µm",
        "within ±26.5 µm",
        Verdict.FAIL,
        "common practice",
    )
    assert row(report, "Spindle speed", Stage.AS_LEFT)[2:5] == (
        "300.030 ± 0.080 rpm",
        "295.5 to 304.5 rpm",
        Verdict.PASS,
    )
    skipped = row(report, "Output: 2F over 1F, inner", Stage.WORK)
    assert skipped[4:] == (Verdict.SKIPPED, "no scratch disk at the bench")
    undecided = [line for line in lines(report, "Reservations") if "undecided" in line]
    assert "nearer to its limit" in undecided[0]


@pytest.mark.parametrize(
    ("language", "words"),
    [
        ("en", ", uncalibrated, detector unproved"),
        ("de", ", unkalibriert, Detektor ungeprüft"),
    ],
)
def test_what_a_number_hangs_on_stands_at_it(language, words):
    job = record()
    notes = tuple(map(str, (messages.UNCALIBRATED, messages.DETECTOR_UNPROVED)))
    entries = tuple(
        replace(each, notes=notes) if each.check is CheckName.RADIAL else each
        for each in job.entries
    )
    told = report_of(replace(job, entries=entries), language=language)
    checks = next(block for block in told.sections[3].blocks if isinstance(block, Table))
    hanging = [found for _, _, found, *_ in checks.rows if found.endswith(words)]
    assert len(hanging) == sum(each.check is CheckName.RADIAL for each in job.outcomes)
    assert "−33.7 ± 4.0 µm" + words in hanging
    compared = next(block for block in told.sections[1].blocks if isinstance(block, Table))
    assert [cell.endswith(words) for cell in compared.rows[0][1:3]] == [True, True]
    # A speed hangs on no scale; no word without a note of a reading.
    assert not any(words in cell for cell in compared.rows[2])
    assert "calibrated" not in "".join(table(report_of(job), "As found against as left").rows[0])


def test_days_of_a_job_that_was_gone_on_with_are_told():
    job = record()
    facts = [
        line for block in section(report_of(job), "The drive and the job") for line in block.rows
    ]
    assert not any(line[0] == "Measured on" for line in facts)
    first, *rest = job.entries
    on = (replace(first, taken_at="2031-04-15T08:00:00+02:00"), *rest)
    facts = [
        line
        for block in section(report_of(replace(job, entries=on)), "The drive and the job")
        for line in block.rows
    ]
    assert ("Measured on", "2031-04-12, 2031-04-15") in facts


def test_undecided_for_no_other_reason_is_by_its_limit_and_two_limits_are_told():
    job = record()
    radial = [each for each in job.outcomes if each.check is CheckName.RADIAL]
    near = replace(radial[0], verdict=Verdict.UNDECIDED, reason="")
    others = [each for each in job.outcomes if each is not radial[0]]
    said = lines(report_of(replace(job, outcomes=(near, *others))), "Reservations")
    assert any(line.endswith("undecided: the limit lies within the uncertainty") for line in said)
    assert not any("no reason was given" in line for line in said)
    assert sum("limit for checking" in line for line in said) == 1


def test_change_has_the_uncertainty_of_both():
    """The root of the sum of squares: JCGM 100, 5.1.2; less what both have alike: 5.2.2."""
    rows = table(report_of(record()), "As found against as left").rows
    assert rows[2][3] == f"−1.21 ± {2 * (0.04**2 + 0.04**2) ** 0.5:.2f} rpm"
    # Read were 2.1 µm more than what is corrected, of which the scale is a part.
    alike = (1.1 / 31.6) ** 2 * -31.3 * 3.7 + 1.4**2
    assert rows[0][3] == f"35.0 ± {2 * (2.0**2 + 1.9**2 - 2 * alike) ** 0.5:.1f} µm"


def test_what_was_not_measured_is_said():
    bare = replace(record(), entries=(), outcomes=(), closed_at="")
    report = report_of(bare)
    assert report.verdict is Verdict.UNDECIDED
    assert report.lead == "The job is not finished. No check has been done to its end yet."
    assert table(report, "As found against as left").rows[0][1] == "not measured"
    assert lines(report, "Hysteresis") == ["No arrivals were measured."]
    assert lines(report, "One turn of the lobes") == ["No trace of the lobes was kept."]
    page_of(report)


@pytest.mark.parametrize(
    ("stage", "shown", "which"),
    [
        (Stage.AS_FOUND, "301.240 ± 0.080 rpm", "first with a value"),
        (Stage.AS_LEFT, "300.40 ± 0.20 rpm", "last"),
    ],
)
def test_of_repeated_checks_the_first_is_as_found_and_the_last_as_left(stage, shown, which):
    again = outcome(CheckName.SPEED, stage, Verdict.PASS, value=300.4, u=0.1, unit="rpm")
    job = record()
    report = report_of(replace(job, outcomes=(*job.outcomes, again)))
    found = row(report, "Spindle speed", stage)
    assert found[2] == shown
    assert f"done 2 times, the {which} counts" in found[5]


def test_open_failures_stand_first_and_with_their_reason():
    job = record()
    failed = outcome(CheckName.SPEED, Stage.AS_LEFT, Verdict.FAIL, value=310.0, u=0.1, unit="rpm")
    report = report_of(
        replace(job, outcomes=(*job.outcomes, failed), closing_reason="belt is on order")
    )
    assert report.verdict is Verdict.FAIL
    assert report.lead == (
        "The job is closed. Outside the limit: the speed at which the disk turns (as left)."
    )
    assert any("Spindle speed, as left, to do: " in r for r in lines(report, "Reservations"))
    rows = [r for block in section(report, "The drive and the job") for r in block.rows]
    assert ("Reason given at closing", "belt is on order") in rows


def test_the_lead_is_told_to_a_reader_who_knows_no_word_of_the_trade():
    job = record()
    lock = outcome(CheckName.LOCK, Stage.WORK, Verdict.UNDECIDED, reason="the signal was lost")
    state, rest = report_of(replace(job, outcomes=(*job.outcomes, lock), closed_at="")).lead.split(
        ". ", 1
    )
    assert state == "The job is not finished"
    assert rest == "Looked at, but without a result: the head's place after tightening."
    kept = [each for each in job.outcomes if each.verdict in (Verdict.PASS, Verdict.NOTED)]
    passed = report_of(replace(job, outcomes=tuple(kept)))
    assert passed.verdict is Verdict.PASS
    within = "The job is closed. All that was compared with a limit is within it as it is now."
    assert passed.lead == within
    near = outcome(
        CheckName.AZIMUTH, Stage.AS_LEFT, Verdict.UNDECIDED, value=18.0, u=4.0, unit="arcmin"
    )
    undecided = report_of(replace(job, outcomes=(*kept, near))).lead
    assert undecided.endswith("as it is now. Too near to their limits to tell: 1.")


def test_heads_that_cannot_both_be_brought_in_are_told_to_owner_and_auditor():
    beside = (Value(APART, -41.2, 0.1, "µm"), Value(ROOM, -16.8, 0.1, "µm"))
    second = outcome(
        CheckName.RADIAL,
        Stage.AS_LEFT,
        Verdict.FAIL,
        side=1,
        value=-40.6,
        u=1.9,
        unit="µm",
        limit=SET,
        details=beside,
    )
    report = report_of(record(outcomes=(*record().outcomes, second)))
    now = dict(table(report, "In plain words").rows)["How it is now"]
    assert "The two heads stand 41.20 ± 0.20 µm apart: no setting of the drive brings both" in now
    (told,) = (r for r in lines(report, "Reservations") if "side 1, as left, to do: " in r)
    assert "have the mount of one seen to" in told
    assert "set the middle between them" not in told


def test_an_adjusting_that_is_undecided_says_why_beside_what_it_learned():
    adjusted = outcome(
        CheckName.ADJUST,
        Stage.WORK,
        Verdict.UNDECIDED,
        value=11.0,
        u=3.0,
        unit="µm",
        limit=SET,
        reason="on this drive clockwise is outward",
    )
    (said,) = (
        line
        for line in lines(report_of(record(outcomes=(adjusted,))), "Reservations")
        if line.startswith("Middle when adjusted")
    )
    assert said.endswith(
        "the limit lies within the uncertainty; on this drive clockwise is outward"
    )


def test_nought_has_no_sign():
    assert amount(Value("", -0.001, 0.5, "µm")) == "0.0 ± 1.0 µm"
    assert amount(Value("", -0.1, 0.5, "µm")) == "−0.1 ± 1.0 µm"


def test_parts_that_make_no_digit_of_u_are_told_together():
    parts = (Part("reading", 1.0, unit="µm"), Part("seating", 0.0099, unit="µm"))
    of_one = outcome(
        CheckName.RADIAL, Stage.AS_FOUND, Verdict.PASS, value=1.0, u=1.0, unit="µm", budget=parts
    )
    blocks = section(report_of(record(outcomes=(of_one,))), "Uncertainty")
    assert blocks[-1].rows[0][2] == "reading 1.0, others below 0.010"


def test_what_was_seen_in_two_stages_is_told_with_each():
    def seen(stage, said):
        label = "track-zero sensor on track 0"
        at = "2031-04-12T10:40:00+02:00"
        return Entry(CheckName.TRACK_ZERO, stage, label, at, notes=(said,))

    both = (seen(Stage.AS_FOUND, "no"), seen(Stage.AS_LEFT, "yes"))
    report = report_of(record(entries=both))
    blocks = section(report, "Conditions and equipment")
    cells = [cell for block in blocks for row in block.rows for cell in row]
    for name, said in (("as found", "no"), ("as left", "yes")):
        place = cells.index(f"Track-zero sensor on track 0, {name}")
        assert cells[place + 1] == said


def test_arrivals_that_were_not_seen_are_to_be_done_again():
    unseen = outcome(
        CheckName.HYSTERESIS,
        Stage.AS_LEFT,
        Verdict.UNDECIDED,
        value=0.1,
        u=0.3,
        unit="µm",
        limit=BACKLASH,
        reason="nothing was seen to move at 6 of 6 arrivals",
        details=(Value(UNSEEN, 6.0),),
    )
    report = report_of(record(outcomes=(*record().outcomes, unseen)))
    (told,) = (r for r in lines(report, "Reservations") if "Hysteresis, as left, to do: " in r)
    assert "step off the track and back" in told


def test_history_ends_with_this_job_and_keeps_kinds_apart():
    later = past(20, "2033-01-01", -60.0, 0.0)
    other = past(21, "2030-01-01", -60.0, 0.0, virtual=True)
    report = report_of(record(), (*HISTORY, later, other))
    assert figures(report, "History")[0].caption.startswith("Offset over 4 jobs")
    said = lines(report, "History")
    assert "Left out: 1 of its jobs, done on the virtual drive." in said
    # From as left 0.5 in job 9 to as found −33.4.
    assert any(line.startswith("Offset since job 9") and "−33.9" in line for line in said)
    rate = next(line for line in said if line.startswith("Drift of the offset"))
    # By hand: −20.5, −23.5 and −33.9 µm in 2.946 years.
    slope = float(re.search(r"(−?[\d.]+) ±", rate)[1].replace("−", "-"))
    days = [0.0, 353.0, 770.0, 1075.0]
    walked = [-12.0, -12.0 - 20.5, -12.0 - 20.5 - 23.5, -12.0 - 20.5 - 23.5 - 33.9]
    assert slope == pytest.approx(np.polyfit(days, walked, 1)[0] * 365.25, abs=0.6)


def test_a_rate_is_not_stretched_from_some_days():
    near = (past(10, "2031-04-01", -4.0, 1.0), past(11, "2031-04-06", -9.0, 1.0))
    said = lines(report_of(record(), near), "History")
    assert said[0] == "Drift of the offset: 10 days from first to last are too few to tell."


@pytest.mark.parametrize(
    ("limit", "words"),
    [
        (SET, "within ±12.2 µm"),
        (BACKLASH, "size ≤ 25 µm"),
        (RPM, "295.5 to 304.5 rpm"),
        (None, "none"),
        (Limit(-8.353, 22.461, "µm", ""), "−8.4 to 22.5 µm"),
        (Limit(-15.4, math.inf, "µm", ""), "−15.4 to not known µm"),
    ],
)
def test_limits_in_words(limit, words):
    assert limit_words(limit) == words


def test_a_virtual_source_anywhere_marks_the_report():
    job = record()
    first, *rest = job.entries
    assert not report_of(job).virtual
    assert report_of(replace(job, entries=(replace(first, virtual=True), *rest))).virtual
    report = report_of(made_virtual(job))
    page = Page(page_of(report))
    assert page.text.count("VIRTUAL DRIVE") == 2
    assert "VIRTUAL" not in Page(page_of(report_of(job))).text
    assert any("no drive was measured" in line for line in lines(report, "Reservations"))


@pytest.mark.parametrize("text", [HOSTILE, "x" * 10_240, "<b>" * 4_000, "\x00", "\u202e", ""])
def test_no_text_becomes_markup_or_disturbs_its_neighbours(text):
    report = report_of(hostile(record(), text), HISTORY)
    markup = page_of(report)
    page = Page(markup)
    assert set(page.elements) <= ELEMENTS
    assert page.elements.count("style") == page.elements.count("title") == 1
    assert not [a for a, _ in page.attributes if a in ATTRIBUTES_OF_OTHERS or a.startswith("on")]
    assert not set(markup) & set("\x00\x07\x1b\u202e\u202c\ud800")
    markup.encode("utf-8")
    assert len(markup) < 400_000
    if text == HOSTILE:
        assert "<script>document.title='owned'</script>" in page.text


@pytest.mark.parametrize("value", [0.0, -1e-30, 1e30, np.nan, np.inf])
@pytest.mark.parametrize("u", [None, 0.0, 1e30, np.nan, np.inf])
def test_no_number_breaks_a_drawing(value, u):
    def put(found):
        return replace(found, value=value, u=u)

    job = record()
    odd = Summary(*(put(Value("", 0.0, None, unit)) for unit in ("µm", "µm", "rpm")))
    entries = tuple(
        replace(
            each,
            values=tuple(map(put, each.values)),
            envelope_v=None if each.envelope_v is None else np.full(1000, value, np.float32),
        )
        for each in job.entries
    )
    outcomes = tuple(
        replace(each, value=value, u=u, details=tuple(map(put, each.details)), limit=limit)
        for each in job.outcomes
        for limit in [Limit(-value, value, "µm", "")]
    )
    days = ("0001-01-01", "no day", "2031-04-11", "2031-04-12T09:40:00+02:00")
    past_jobs = [
        replace(each, opened_at=day, as_found=odd, as_left=odd)
        for each, day in zip(HISTORY, days, strict=True)
    ]
    report = report_of(replace(job, entries=entries, outcomes=outcomes), past_jobs)
    markup = page_of(report)
    assert not re.search(r"\b(nan|inf)\b", markup)
    for svg in re.findall(r"<svg.*?</svg>", markup):
        for number in re.findall(r' (?:x|y|x1|y1|x2|y2)="([^"]*)"', svg):
            assert abs(float(number)) < 1e4


def test_long_texts_are_cut_and_tell_so():
    assert clean("x" * 10_240).endswith("… (shortened: 10240 characters)")
    assert len(clean("x" * 10_240)) < MAX_TEXT + 50
    assert clean("a\r\nb\tc\x1b") == "a  b c\ufffd"
    # Unicode UAX #9: an isolate keeps its direction to itself.
    hebrew = "\u05e9\u05dc\u05d5\u05dd"
    assert within(hebrew) == f"\u2068{hebrew}\u2069"


def test_the_policy_allows_the_page_its_own_style_and_nothing_else():
    markup = page_of(report_of(record()))
    policies = [said for name, said in Page(markup).attributes if name == "content"]
    assert policies[0].startswith("default-src 'none'; style-src 'sha256-")
    assert "http" not in markup.replace("http://www.w3.org/2000/svg", "").replace("http-equiv", "")


def drawn(figure):
    return ET.fromstring(figure.svg)


def needle_line(figure):
    (line,) = (each for each in drawn(figure).iter(f"{SVG}line") if each.get("stroke-width") == "2")
    return [float(line.get(name)) for name in ("x1", "y1", "x2", "y2")]


def test_the_needle_stands_where_the_offset_is():
    upright = needle_line(draw_needle(Value("", 0.0, 0.5, "µm"), 10.0, 40.0, ""))
    assert upright[0] == upright[2]
    out = needle_line(draw_needle(Value("", 20.0, 0.5, "µm"), 10.0, 40.0, ""))
    inward = needle_line(draw_needle(Value("", -20.0, 0.5, "µm"), 10.0, 40.0, ""))
    assert out[2] > upright[2] > inward[2]
    assert out[2] - upright[2] == pytest.approx(upright[2] - inward[2], abs=0.11)
    far = needle_line(draw_needle(Value("", 1e6, 0.5, "µm"), 10.0, 40.0, ""))
    assert far[2] < 240.0
    none = draw_needle(None, None, 40.0, "")
    assert "not measured" in "".join(drawn(none).itertext())


def test_a_trace_keeps_its_gaps_and_its_height():
    turns = np.linspace(0.0, 1.0, 100, dtype=np.float32)
    envelope = np.full(100, 0.1, np.float32)
    envelope[40:50] = np.nan
    figure = draw_trace(turns, envelope, 0.2, "")
    runs = [each.get("points").split() for each in drawn(figure).iter(f"{SVG}polyline")]
    assert [len(run) for run in runs] == [40, 50]
    heights = {point.split(",")[1] for run in runs for point in run}
    grid = [float(line.get("y1")) for line in drawn(figure).iter(f"{SVG}line")]
    assert heights == {f"{(min(grid) + max(y for y in grid if y < 77)) / 2:.1f}"}


def test_arrivals_of_both_stages_are_drawn():
    (figure,) = figures(report_of(record()), "Hysteresis")
    fills = [each.get("fill") for each in drawn(figure).iter(f"{SVG}path") if "Z" in each.get("d")]
    assert (fills.count("#000000"), fills.count("#ffffff")) == (6, 6)
    one = arrival(Stage.AS_LEFT, "from inside 1", 4.0)
    (figure,) = figures(report_of(replace(record(), entries=(one,))), "Hysteresis")
    assert len(list(drawn(figure).iter(f"{SVG}path"))) == 1


def test_every_drawing_is_whole_black_and_white_and_told_in_words():
    report = report_of(record(), HISTORY)
    every = [
        one
        for each in report.sections
        for block in each.blocks
        if isinstance(block, Figures)
        for one in block.items
    ]
    assert len(every) == 9
    for svg in [*(one.svg for one in every), *map(mark, Verdict)]:
        tree = ET.fromstring(svg)
        assert tree.get("aria-label")
        for colour in re.findall(r"#([0-9a-f]{6})", svg):
            assert colour[:2] == colour[2:4] == colour[4:]
    assert len({mark(verdict) for verdict in Verdict}) == len(Verdict)


def test_a_clock_that_went_back_is_told():
    job = record()
    in_order = tuple(sorted(job.entries, key=lambda entry: entry.taken_at))
    late = replace(in_order[0], taken_at="2031-05-01T00:00:00+00:00")
    for entries, told in ((in_order, False), ((late, *in_order), True)):
        page = page_of(report_of(replace(job, entries=entries), HISTORY))
        assert ("clock went back" in page) is told


def test_the_report_tells_the_plan_and_what_it_left_out_and_why():
    made = record()
    head = replace(made.head, plan="check", left_out=(("adjust", "no"), ("lock", "no")))
    report = report_of(replace(made, head=head))
    told = dict(section(report, "The drive and the job")[1].rows)
    assert told["Plan"] == "check only: everything as found, and nothing moved"
    assert told["Left out"] == "Middle when adjusted, Moved by locking: no"
    (sure,) = (row[1] for row in table(report, "In plain words").rows if "sure" in row[0])
    assert "the head's place after tightening" in sure.partition("Not looked at in this job")[2]
    # A job of an older book has no plan to tell.
    assert "Plan" not in dict(section(report_of(made), "The drive and the job")[1].rows)


def test_a_choice_of_checks_is_not_told_as_the_plan():
    made = record()
    chosen = left_out(load_profile("130mm-48tpi"), [CheckName.SPEED], plan=Plan.FULL)
    report = report_of(replace(made, head=replace(made.head, plan="full", left_out=chosen)))
    told = dict(section(report, "The drive and the job")[1].rows)
    assert told["Plan"].startswith("a choice of checks, in the order of “full")
    assert told["Left out"].endswith("Track zero: it was not asked for")


def test_a_job_in_which_nothing_was_judged_has_not_passed():
    made = record()
    skipped = tuple(
        replace(each, verdict=Verdict.SKIPPED, value=None, limit=None, reason="no time")
        for each in made.outcomes
    )
    job = replace(made, closed_at=made.head.opened_at, outcomes=skipped, entries=(), nudges=0)
    report = report_of(job)
    assert report.verdict is Verdict.SKIPPED
    assert report.lead == (
        f"The job is closed. Nothing was compared with a limit. Not looked at: {len(skipped)}."
    )
    assert what_was_done(job) == "Nothing was measured, and nothing was adjusted."
    noted = (replace(skipped[0], verdict=Verdict.NOTED), *skipped[1:])
    assert report_of(replace(job, outcomes=noted)).verdict is Verdict.NOTED
    passed = (replace(skipped[0], verdict=Verdict.PASS), *skipped[1:])
    assert report_of(replace(job, outcomes=passed)).verdict is Verdict.PASS


def what_was_done(job):
    report = report_of(job)
    return dict(row[:2] for row in table(report, "In plain words").rows)["What was done"]


def test_what_was_seen_is_no_measurement_that_is_counted():
    job = record()
    told = table(report_of(job), "The drive and the job").rows
    facts = dict(pair for row in told for pair in (row[:2], row[2:]))
    assert facts["Measurements kept"] == str(len(table(report_of(job), "Every measurement").rows))


def test_what_was_done_to_a_drive_is_told_also_where_nothing_was_nudged():
    untouched = (CheckName.RADIAL, CheckName.SPEED)
    job = record(nudges=0)
    assert what_was_done(job).startswith("The screws of the head were tightened")
    measured = replace(job, outcomes=tuple(e for e in job.outcomes if e.check in untouched))
    assert what_was_done(measured).startswith("Nothing was adjusted")
    trimmed = replace(job.entries[0], check=CheckName.SPEED, label="trimmed 1", track=16)
    job = replace(measured, entries=(*job.entries, trimmed))
    assert what_was_done(job) == "The speed was set."
    slow = outcome(CheckName.SPEED, Stage.WORK, Verdict.FAIL, value=290.0, u=0.1, unit="rpm")
    job = replace(job, outcomes=(*job.outcomes[:1], slow))
    assert what_was_done(job) == "The speed was trimmed."


def test_heads_that_came_to_different_verdicts_are_told_apart():
    job = record()
    sure = [each for each in job.outcomes if (each.check, each.side) != (CheckName.RADIAL, 1)]
    unsure = outcome(CheckName.RADIAL, Stage.AS_LEFT, Verdict.UNDECIDED, side=1, value=14.0, u=5.0)
    report = report_of(replace(job, outcomes=(*sure, unsure)))
    told = dict(row[:2] for row in table(report, "In plain words").rows)
    place = "the head's place over the track"
    assert f"{place} on side 0" in told["How it is now"]
    assert f"{place} on side 1" in told["How sure that is"].partition("Undecided")[2]
    assert place in dict(row[:2] for row in table(report_of(job), "In plain words").rows)[
        "How it is now"
    ].replace(f"{place} on side", "")
