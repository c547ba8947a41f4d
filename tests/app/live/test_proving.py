"""From a check to a reading: the drive's envelope through a circuit, read with what was found."""

import math
from dataclasses import fields, replace
from time import sleep
from types import SimpleNamespace

import numpy as np
import pytest

from app.analysis.frontend.clock import ClockFound
from app.analysis.frontend.detector import DetectorLaw
from app.analysis.frontend.quiet import QuietChannel
from app.analysis.uncertainty import CLOCK_PART
from app.cli.record import record
from app.live.loop_check import NOT_QUIET, LoopFault, LoopFound
from app.live.measurement import EnvelopeOptions, measure, setup_for
from app.live.proving import keep, proof_of, resolution_of, what_moved
from app.live.session import Proved, Rechecked, Session
from app.live.source_check import QuietCheck, listen, quiet_check_of
from app.live.view import Phase
from app.profiles import load_profile
from instruments.file.source import FileSource
from instruments.kept import proof_path, read_proof
from instruments.options import Toleranced
from instruments.proof import DetectorProof, InputIdentity, InputProof
from instruments.source import Role, SourceUnavailable
from tests.app.bench import until
from tests.virtualprobe.behind import Played, proof_by, reading_behind, source_behind
from tests.virtualprobe.card import VirtualCard
from tests.virtualprobe.circuit import Parts
from tests.virtualprobe.draws import card_of, drawn


@pytest.mark.parametrize(("seed", "offset_um"), [(0, 14.0), (1, -25.0), (2, 40.0)])
@pytest.mark.few(1)
def test_a_reading_behind_a_proved_probe_is_right(seed, offset_um):
    parts, rate_hz, _ = drawn(seed)
    proof = proof_by(card_of(seed), quick=True)
    reading, true_ratio = reading_behind(parts, rate_hz, proof, offset_um)
    assert reading.valid, reading.reasons
    assert reading.ratio.value == pytest.approx(true_ratio, abs=0.003)
    assert abs(reading.ratio.value - true_ratio) <= 2 * reading.ratio.u
    notes = " ".join(map(str, reading.notes))
    assert "unproved" not in notes
    # The drive's carrier is above what a card can play: that far nothing is proved.
    assert "at 125 kHz it is taken as the same" in notes


@pytest.mark.slow
def test_a_recording_is_read_as_its_input_was(tmp_path):
    parts, rate_hz, _ = drawn(0)
    proof = proof_by(card_of(0), quick=True)
    profile = load_profile("130mm-48tpi")
    live = source_behind(parts, rate_hz, proof, 14.0)[0]
    now = measure(live, profile, EnvelopeOptions(), None).reading
    path = tmp_path / "kept.wav"
    record(live, path, None, overwrite=False, progress=lambda *_: None)
    later = measure(FileSource(str(path)), profile, EnvelopeOptions(), None).reading
    assert later.ratio.value == pytest.approx(now.ratio.value, rel=1e-6)
    assert later.ratio.u == pytest.approx(now.ratio.u, rel=1e-4)
    assert [str(note) for note in later.notes] == [str(note) for note in now.notes]


def test_the_same_probe_unproved_is_not_read():
    parts, rate_hz, _ = drawn(0)
    # Without a corner an AC-coupled envelope is not read at all.
    bare, _ = reading_behind(parts, rate_hz, None, 14.0)
    assert not bare.valid
    assert any("low corner" in str(reason) for reason in bare.reasons)


def test_what_is_kept_is_its_maker_s_alone_and_read_again(monkeypatch, tmp_path):
    monkeypatch.setattr("instruments.kept.user_data_path", lambda *_, **__: tmp_path)
    proof = proof_by(VirtualCard(Parts(gains=(0.6,)), 16_000), quick=True)
    path = keep(proof)
    assert path.stat().st_mode & 0o077 == 0
    again = read_proof(path)
    assert again.detector.corner_hz == pytest.approx(proof.detector.corner_hz)
    assert again.detector.out == pytest.approx(proof.detector.out)
    assert what_moved(proof, again) == ""


@pytest.mark.parametrize(
    ("clock", "kept"),
    [
        (ClockFound(8e-5, 2e-6, 180.0), (8e-5, math.hypot(2e-6, 5.8e-6))),
        # Of three seconds less is told than is known of any clock.
        (ClockFound(-1.4e-3, 3e-3, 3.0), (0.0, 0.0)),
        # No clock is so fast: this computer saw the samples late, all at once.
        (ClockFound(1.6, 2e-6, 3.0), (0.0, 0.0)),
        (None, (0.0, 0.0)),
    ],
    ids=["told", "hardly told", "too busy to tell", "not told"],
)
def test_a_clock_is_kept_where_more_is_told_of_it_than_is_known_of_any(clock, kept):
    card = VirtualCard(Parts(gains=(0.6,)), 16_000)
    quiet = quiet_check_of(card.info, listen(card, 1.0))
    found = proof_of(
        InputIdentity("Bench", 16_000, "envelope", 0.0),
        replace(quiet, clock=clock, system_u_part=5.8e-6),
        None,
        "",
        "2031-05-04",
    )
    assert (found.fast_part, found.clock_u_part) == pytest.approx(kept)


def test_what_cannot_be_written_is_said(monkeypatch, tmp_path):
    (tmp_path / "inputs").write_text("a file where the folder would be")
    monkeypatch.setattr("instruments.kept.user_data_path", lambda *_, **__: tmp_path)
    proof = proof_by(VirtualCard(Parts(gains=(0.6,)), 16_000), quick=True)
    with pytest.raises(LoopFault, match=r"cannot be written.*nothing is kept"):
        keep(proof)


@pytest.mark.slow
def test_a_part_that_was_changed_is_told():
    before, corner, gain = (
        proof_by(VirtualCard(Parts(gains=(0.6,), **parts), 16_000), quick=True)
        for parts in ({}, {"input_corner_hz": 8.0}, {"n_vt_v": 0.045})
    )
    assert "low corner was 7" in what_moved(before, corner)
    assert "threshold was" in what_moved(before, gain)


@pytest.mark.parametrize("change", [{"threshold": 0.04}, {"threshold": 0.06}, {"corner_hz": 6.5}])
def test_a_law_that_moved_either_way_is_told(change):
    now = replace(KEPT, detector=replace(LAW, **change))
    assert what_moved(KEPT, KEPT) == ""
    (what, value) = next(iter(change.items()))
    told = f"{100.0 * value / 0.5:.2g} %" if what == "threshold" else f"{value} Hz"
    assert what_moved(KEPT, now).endswith(f"is {told}")


def test_a_law_moved_where_what_is_known_of_both_does_not_hold_the_change():
    """Two standard uncertainties; one per cent of the top is a bound (GUM 4.3.7: over root 3)."""
    u = math.hypot(2e-4, 2e-4, 0.01 * 0.5 / math.sqrt(3.0))
    u_hz = math.hypot(0.07, 0.07, 0.01 * 7.0)
    for change, most in (("threshold", 2.0 * u), ("corner_hz", 2.0 * u_hz)):
        for part, moved in ((0.98, False), (1.02, True)):
            value = getattr(LAW, change) + part * most
            now = replace(KEPT, detector=replace(LAW, **{change: value}))
            assert bool(what_moved(KEPT, now)) == moved


def test_of_two_channels_the_noisier_and_the_coarser_is_kept():
    one = QuietChannel(0.0, 1e-4, 0.0, 0.0, 3e-5, busy=False)
    other = replace(one, noise_v=3e-4, step_v=1e-5)
    info = Played(np.zeros((1, 2), np.float32), 48_000, None).info
    channels = {Role.ENVELOPE: one, Role.INDEX: other}
    heard = QuietCheck(info, 10.0, channels, 2.0, None, None, 1e-5)
    proof = proof_of(KEPT.identity, heard, None, "", "2031-05-04")
    assert (proof.noise, proof.step) == (1.5e-4, 1.5e-5)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"gain": 1.05}, "brought 105 % of the input's and brings 110 %"),
        ({"match": 0.985}, "minus had 0.9850 of plus's gain and has 0.9900"),
        ({}, ""),
    ],
)
def test_a_gain_or_a_match_that_moved_is_told(change, said):
    straight = replace(KEPT, detector=None, output="Line", level=0.5, gain=1.1, match=0.99)
    assert said in what_moved(replace(straight, **change), straight)
    assert bool(said) == bool(what_moved(replace(straight, **change), straight))


@pytest.mark.parametrize("step_db", [0.25, -0.25])
def test_the_smallest_step_of_a_mixer_is_told(step_db):
    """Published: High Definition Audio Specification 1.0a, 7.3.4.10: steps of 0.25 dB and more."""
    straight = replace(KEPT, detector=None, output="Line", level=0.5, gain=1.1, match=0.99)
    moved = replace(straight, gain=1.1 * 10.0 ** (step_db / 20.0))
    assert "a mixer's level has moved" in what_moved(straight, moved)


def test_a_detector_that_came_or_went_is_told():
    straight = replace(KEPT, detector=None)
    assert what_moved(KEPT, straight) == what_moved(straight, KEPT) != ""


def test_a_detector_on_its_head_is_not_kept():
    with pytest.raises(LoopFault, match=r"stands on its head.*nothing is kept"):
        proof_by(VirtualCard(Parts(gains=(0.6,), polarity=-1), 16_000), quick=True)


LAW = DetectorProof(
    proved_hz=17_280.0,
    threshold=0.05,
    threshold_u=2e-4,
    knee=0.02,
    law_u=2e-4,
    corner_hz=7.0,
    corner_u_hz=0.07,
    out=(1e-3, 0.1, 0.5),
    into=(0.03, 0.15, 0.55),
)
KEPT = InputProof(
    identity=InputIdentity("Bench", 48_000, "envelope,index", 0.0),
    made_on="2031-05-04",
    conditions="tones",
    noise=2e-5,
    step=3e-5,
    fast_part=8e-5,
    clock_u_part=5e-6,
    detector=LAW,
)
PROFILE = load_profile("130mm-48tpi")


def info_with(proof, **given):
    info = Played(np.zeros((1, 2), np.float32), 48_000, proof).info
    return replace(info, **given)


def test_a_reading_is_told_law_corner_and_clock_in_the_source_s_volts():
    setup = setup_for(info_with(KEPT, full_scale_v=2.0), PROFILE, EnvelopeOptions())
    assert setup.law.out_v == pytest.approx((2e-3, 0.2, 1.0))
    assert setup.law.u_v == pytest.approx(4e-4)
    assert setup.low_corner_hz == 7.0
    assert setup.sample_rate_hz == pytest.approx(48_000 * (1 + 8e-5))
    assert setup.clock_u_part == 5e-6
    assert setup.carrier_is_beyond_proof
    # On the line, in the knee, and beyond what was measured.
    assert setup.undetected_v(np.array([0.6, 2e-3, 3.0])) == pytest.approx([0.7, 0.06, 3.1])


def in_other_volts(found, factor):
    """What is in volts, by its name, times a factor."""
    changed = {}
    for each in fields(found):
        value = getattr(found, each.name)
        if each.name.endswith("_v") and value is not None:
            changed[each.name] = factor * np.asarray(value)
            if np.ndim(value) == 0:
                changed[each.name] = factor * value
    return replace(found, **changed)


@pytest.mark.parametrize("stated_part", [None, 0.05])
@pytest.mark.parametrize("meter", [None, Toleranced(0.9, 0.01)])
def test_what_is_kept_is_of_full_scale_whatever_a_source_calls_a_volt(stated_part, meter):
    channel = QuietChannel(1e-3, 2e-5, 4e-5, 50.0, 3e-5, busy=False)
    info = info_with(None)
    quiet = QuietCheck(info, 1.0, {Role.ENVELOPE: channel}, 1.0, None, None, 1e-6, (3e-5, 1e-5))
    out_v, in_v = np.array(LAW.out), np.array(LAW.into)
    law = DetectorLaw(out_v, in_v, 0.05, 2e-4, 0.02, 3e-4, 1, 7.0, 0.07, 1e-3)
    found = LoopFound(quiet, 0.8, 17_280.0, 0.9, 0.7, law, None, stated_part)
    proofs = []
    for factor in (1.0, 4.0):
        heard = in_other_volts(quiet, factor)
        heard = replace(heard, channels={Role.ENVELOPE: in_other_volts(channel, factor)})
        loop = replace(in_other_volts(found, factor), detector=in_other_volts(law, factor))
        proofs.append(proof_of(KEPT.identity, heard, loop, "Bench", "2031-05-04", meter))
    one, other = proofs
    assert one.detector == other.detector == replace(LAW, law_u=3e-4)
    assert (one.noise, one.step, one.floor, one.floor_low) == (2e-5, 3e-5, 3e-5, 1e-5)
    assert one.limit == 0.9
    assert one == other


@pytest.mark.parametrize(("floor", "floor_v"), [(0.0, None), (1e-4, (2e-4, 1e-4))])
def test_a_reading_of_pairs_is_told_a_floor_that_was_heard_in_volts(floor, floor_v):
    heard = replace(KEPT, floor=floor, floor_low=0.5 * floor)
    setup = setup_for(info_with(heard, full_scale_v=2.0), PROFILE, EnvelopeOptions())
    assert setup.quiet_floor_v == floor_v


def test_what_is_stated_goes_before_what_was_found():
    stated = EnvelopeOptions(low_corner_hz=9.0, detector_threshold_v=0.2)
    setup = setup_for(info_with(KEPT), PROFILE, stated)
    assert setup.law is None
    assert setup.detector_threshold_v == 0.2
    assert setup.low_corner_hz == 9.0


def test_without_a_clock_s_check_the_usual_tolerance_holds():
    setup = setup_for(info_with(replace(KEPT, clock_u_part=0.0)), PROFILE, EnvelopeOptions())
    assert setup.sample_rate_hz == 48_000
    assert setup.clock_u_part == CLOCK_PART


def test_what_it_resolves_is_told_with_the_part_that_limits():
    assert resolution_of(info_with(None), PROFILE) is None
    assert resolution_of(info_with(None, live=True, virtual=True), PROFILE) is None
    unchecked = str(resolution_of(info_with(None, live=True), PROFILE))
    assert unchecked.endswith("no check of it is kept; check-source tells")
    words = str(resolution_of(info_with(KEPT), PROFILE))
    # 125 kHz is beyond what was played: 1.5 % of the top, alike in both heights, at a difference of
    # 15 %: 178 µm · 0.081 · 0.015/0.925, twice for k = 2; the corner's 1 % adds less.
    value = float(words.split("± ")[1].split()[0])
    assert value == pytest.approx(2 * np.hypot(178 * 0.0811 * 0.015 / 0.925, 0.1), rel=0.2)
    assert "its detector's law limits" in words
    bare = str(resolution_of(info_with(replace(KEPT, detector=None)), PROFILE))
    assert bare.startswith("what this input resolves is not known before its detector is proved")
    near = replace(KEPT, detector=replace(LAW, proved_hz=125e3))
    assert "its low corner limits" in str(resolution_of(info_with(near), PROFILE))


def test_window_and_terminal_say_what_the_input_resolves():
    source = Played(np.zeros((48_000, 2), np.float32), 48_000, KEPT)
    session = Session(PROFILE, opener=lambda *_: source)
    session.open("played")
    try:
        view = until(lambda: session.view() if session.view().notes else None, "a note")
    finally:
        session.close()
    assert any("this input resolves ±" in note for note in view.notes)


class Idle(Played):
    """An input that gives nothing for now; no capture, which would be read again at its end."""

    @property
    def info(self):
        return replace(super().info, length_frames=None)

    def read(self, timeout_s):
        if self._left:
            return super().read(timeout_s)
        sleep(timeout_s)
        return None


class Sources:
    """Gives the sources of a test, one at each opening."""

    def __init__(self, *made):
        self._made = list(made)

    def __call__(self, *_):
        return self._made.pop(0)


@pytest.fixture
def proved_card(monkeypatch, tmp_path):
    """A card, and what a check has kept of it."""
    monkeypatch.setattr("instruments.kept.user_data_path", lambda *_, **__: tmp_path)
    card = VirtualCard(Parts(gains=(0.6,)), 16_000)
    proof = proof_by(card, quick=True)
    card._info = replace(card.info, proof=proof)
    card.path = keep(proof)
    return card


def looked_at(card, open_player):
    """Have a session look at a card's check; returns what came of it and what was told."""
    idle = Idle(np.zeros((48_000, 2), np.float32), 48_000, card.info.proof)
    session, told = Session(PROFILE, opener=Sources(idle, card)), []
    session.open("sound:bench")
    until(lambda: session.recheck_words, "what is to be done before it plays")
    work = session.recheck(open_player, told.append)
    assert session.view().phase is Phase.CLOSED
    return work(), told


def test_a_session_looks_whether_the_check_of_its_input_holds(proved_card):
    found, told = looked_at(proved_card, lambda name, rate_hz: proved_card)
    assert found == Rechecked()
    assert told[0].startswith("plays 1.56 % of full scale")
    assert proved_card.path.exists()
    assert proved_card.silenced


def test_a_session_tells_what_moved_and_keeps_that_no_more(proved_card):
    proved_card.changes_to(Parts(gains=(0.6,), input_corner_hz=9.0))
    found, _ = looked_at(proved_card, lambda name, rate_hz: proved_card)
    assert found.moved == "the low corner was 7 Hz and is 9 Hz"
    assert not proved_card.path.exists()


def test_a_session_tells_why_it_cannot_look(proved_card):
    def refuses(name, rate_hz):
        raise SourceUnavailable(f"sound output “{name}” is not there")

    found, told = looked_at(proved_card, refuses)
    assert found == Rechecked(fault="sound output “Bench” is not there")
    assert told == []
    assert proved_card.path.exists()


class KnownCard(VirtualCard):
    """A card that is known again, as a sound input is by its name."""

    identity = InputIdentity("Bench", 16_000, "envelope", 0.0)


def proved_by(card, open_player, at_most=0.5):
    """Have a session measure a card, of which nothing is kept; returns what came and was told."""
    idle = Idle(np.zeros((48_000, 2), np.float32), 48_000, None)
    session, told = Session(PROFILE, opener=Sources(idle, card)), []
    session.open("sound:bench")
    until(lambda: session.origin(), "the input")
    work = session.prove(open_player, "Bench", at_most, told.append)
    assert session.view().phase is Phase.CLOSED
    return work(), told


def test_a_session_measures_an_input_and_keeps_what_is_found(monkeypatch, tmp_path):
    monkeypatch.setattr("instruments.kept.user_data_path", lambda *_, **__: tmp_path)
    card = KnownCard(Parts(gains=(0.6,)), 16_000)
    found, told = proved_by(card, lambda name, rate_hz: card)
    assert found.fault == ""
    assert found.proof is not None
    assert found.proof.output == "Bench"
    assert found.proof.level <= 0.5
    # What the card's input is made of: tests/virtualprobe.
    assert found.proof.detector.corner_hz == pytest.approx(7.0, rel=0.02)
    kept = read_proof(proof_path(found.proof.identity.device))
    assert (kept.identity, kept.conditions) == (found.proof.identity, found.proof.conditions)
    assert told[0].startswith("plays ")
    assert card.silenced


def test_a_session_keeps_nothing_of_an_input_that_is_not_quiet(monkeypatch, tmp_path):
    monkeypatch.setattr("instruments.kept.user_data_path", lambda *_, **__: tmp_path)
    monkeypatch.setattr(
        "app.live.proving.quiet_check_of", lambda *_: SimpleNamespace(is_quiet=False)
    )
    card = KnownCard(Parts(gains=(0.6,)), 16_000)
    found, told = proved_by(card, lambda name, rate_hz: card)
    assert found == Proved(fault=NOT_QUIET)
    assert told == []
    assert not list(tmp_path.rglob("*.toml"))


def test_a_session_keeps_nothing_of_an_input_that_is_not_known_again():
    card = VirtualCard(Parts(gains=(0.6,)), 16_000)
    found, _ = proved_by(card, lambda name, rate_hz: card)
    assert found.proof is None
    assert found.fault.startswith("only sound inputs and scopes are known again")
