"""Windows that the profile states: their places, their sides, and what is no window."""

from types import SimpleNamespace

import numpy as np
import pytest

from app.analysis import messages
from app.analysis.envelope.series import Bins, EnvelopeSeries
from app.analysis.envelope.setup import StatedWindow
from app.analysis.lobes.turns import LobeTime, PatternTurns
from app.analysis.lobes.window_turns import WindowTurns
from app.analysis.lobes.windows import Place, Windows
from app.analysis.results import Geometry, Side, Sign
from tests.app.analysis.running import BARE, BRISK, RAW, analyse, live
from tests.synthesis import Signal, make

RATE_HZ = BRISK["rate_hz"]
UNEQUAL = ((20, 110, True), (200, 50, False))
ALIKE = ((20, 80, True), (200, 80, False))
MANY = ((10, 30, True), (50, 15, True), (80, 40, False), (150, 20, True), (200, 90, False))
AROUND = ((30, 60, True), (120, 60, False), (330, 25, True))
NARROW = ((40, 5, True), (130, 4, False), (220, 6, True), (310, 5, False))
LAYOUTS = {"unequal": UNEQUAL, "many": MANY, "around the index": AROUND, "narrow": NARROW}


def stated(windows):
    return tuple(StatedWindow(start / 360, length / 360, side) for start, length, side in windows)


def recorded(windows, balance, *, names=RAW, turns=8.3, rpm=300.0, snr_db=30.0, late_deg=0.0, **of):
    """Return columns: bursts with half-degree edges, 1 + b high outward and 1 − b inward."""
    rng = np.random.default_rng(5)
    time_s = np.arange(round(turns * 60 / rpm * RATE_HZ)) / RATE_HZ
    turn = rpm / 60 * time_s + 0.4
    place = (turn * 360 - late_deg) % 360
    envelope = np.zeros(len(place))
    for start, length, outward in windows:
        since = (place - start) % 360
        ramp = np.clip(np.minimum(since, length - since) / 0.5, 0, 1)
        envelope += ramp * (1 + balance if outward else 1 - balance)
    envelope *= of.get("gain", np.ones(1))
    wave = 0.4 * envelope * np.sin(2 * np.pi * BRISK["carrier_hz"] * time_s)
    noise = 0.4 * np.sqrt(0.5 / 10 ** (snr_db / 10) / 2) * rng.standard_normal((2, len(time_s)))
    columns = {
        "plus": wave / 2 + noise[0],
        "minus": -wave / 2 + noise[1],
        "index": 5.0 * (turn % 1.0 < 0.02),
    }
    return np.stack([columns[name] for name in names], axis=1)


def read(windows, balance, *, names=RAW, of=None, **more):
    of = windows if of is None else of
    samples = recorded(of, balance, names=names, **more)
    return analyse(
        samples,
        RATE_HZ,
        names,
        geometry="windows",
        windows=stated(windows),
        first_lobe_outward=windows[0][2],
    )


@pytest.mark.parametrize("balance", [0.0, 0.15, -0.4])
@pytest.mark.parametrize("windows", LAYOUTS.values(), ids=LAYOUTS)
@pytest.mark.few(4)
def test_the_heights_are_those_of_the_windows(windows, balance):
    reading = read(windows, balance)
    assert reading.valid, reading.reasons
    assert reading.geometry is Geometry.WINDOWS
    assert reading.sign is Sign.KNOWN
    assert abs(reading.balance.value - balance) < max(4 * reading.balance.u, 2e-4)
    assert reading.balance.u < 0.002
    assert reading.speed_rpm.value == pytest.approx(300.0, abs=0.05)


@pytest.mark.parametrize("rpm", [288.0, 300.0, 360.0])
@pytest.mark.parametrize("windows", LAYOUTS.values(), ids=LAYOUTS)
@pytest.mark.few(4)
def test_without_an_index_they_show_turn_and_side(windows, rpm):
    for balance in (0.15, -0.4):
        reading = read(windows, balance, names=BARE, rpm=rpm)
        assert reading.valid, reading.reasons
        error = abs(reading.balance.value) - abs(balance)
        assert abs(error) < max(4 * reading.balance.u, 5e-4)
        assert abs(reading.speed_rpm.value - rpm) < 4 * reading.speed_rpm.u
        if windows is not NARROW:
            assert reading.sign is Sign.KNOWN
            assert reading.side is (Side.OUTWARD if balance > 0 else Side.INWARD)


@pytest.mark.parametrize("start", [40.0, 40.2, 40.4])
def test_bins_fit_into_narrow_windows(start):
    windows = ((start, 2.4, True), (start + 160, 2.4, False))
    reading = read(windows, 0.15)
    assert reading.valid, reading.reasons
    assert abs(reading.balance.value - 0.15) < max(4 * reading.balance.u, 2e-4)


@pytest.mark.parametrize("length", [4.0, 3.2, 2.4, 1.4])
def test_windows_of_a_bin_or_two_are_followed_live(length):
    """What lies beside a window is no hole in it, and bins may come to lie beside all of it."""
    windows = ((40.0, length, True), (200.0, length, False))
    samples = recorded(windows, 0.15, turns=6.0)
    stated_here = {"geometry": "windows", "windows": stated(windows)}
    found = [each for time_s, each in live(samples, RATE_HZ, from_s=0.5, **stated_here)]
    shown = [each.balance for each in found[-60:] if each.valid]
    assert len(shown) > (30 if length < 2.0 else 55)
    assert all(abs(each.value - 0.15) < 5.0 * each.u for each in shown)


def test_windows_that_look_alike_with_swapped_sides_do_not_tell_the_side():
    reading = read(ALIKE, 0.15, names=BARE)
    assert reading.valid
    assert reading.sign is Sign.UNKNOWN
    assert reading.side is None
    assert reading.balance.value == pytest.approx(0.15, abs=0.002)
    assert {messages.WINDOWS_ALIKE, messages.SIGN_UNKNOWN} <= set(reading.notes)
    # The index tells it again.
    assert read(ALIKE, -0.15).side is Side.INWARD


@pytest.mark.parametrize(
    ("windows", "swaps"),
    [
        (UNEQUAL, 0),
        (ALIKE, 2),
        (((0, 20, True), (90, 20, False), (180, 20, True), (270, 20, False)), 4),
        # Turned by half a turn the sides of these swap, turned by a quarter they do not.
        (((0, 20, True), (90, 20, True), (180, 20, False), (270, 20, False)), 2),
        (((0, 20, True), (120, 20, True), (240, 20, False)), 0),
        # No gap at all: the longer one is known by its length.
        (((0, 200, True), (200, 160, False)), 0),
    ],
)
def test_how_often_the_sides_swap_in_a_turn(windows, swaps):
    assert Windows.of(stated(windows)).swaps_a_turn == swaps


def test_noise_is_taken_out_of_the_heights():
    reading = read(MANY, 0.3, snr_db=0.0, turns=12.3)
    assert reading.valid
    assert abs(reading.balance.value - 0.3) < 4 * reading.balance.u
    # Left in, the power of the noise would raise the lower lobe by 5 % here.
    assert reading.balance.u < 0.01


def test_a_gain_that_drifts_is_no_balance():
    frames = round(8.3 * 0.2 * RATE_HZ)
    reading = read(UNEQUAL, 0.1, gain=np.linspace(1.0, 0.7, frames))
    assert abs(reading.balance.value - 0.1) < max(4 * reading.balance.u, 1e-3)


def test_a_mean_of_two_turns_does():
    reading = read(UNEQUAL, 0.1, turns=2.1)
    assert reading.valid
    assert abs(reading.balance.value - 0.1) < 4 * reading.balance.u


@pytest.mark.parametrize(
    "found", [PatternTurns(RATE_HZ, 300.0, None), WindowTurns(RATE_HZ, Windows.of(stated(MANY)))]
)
@pytest.mark.parametrize(("frame", "left"), [(0.0, 5), (2000.0, 3), (2000.5, 2), (9e9, 0)])
def test_places_of_turns_that_are_older_are_dropped(found, frame, left):
    found.times[:] = [LobeTime(number, 1000.0 * number) for number in range(5)]
    found.forget_before(frame)
    assert [time.count for time in found.times] == list(range(5))[5 - left :]


@pytest.mark.parametrize("names", [RAW, BARE], ids=["index", "no index"])
@pytest.mark.few(1)
def test_a_step_of_the_head_is_followed_live(names):
    samples = recorded(MANY, 0.1, names=names, turns=14.0)
    after = recorded(MANY, -0.2, names=names, turns=14.0)
    half = len(samples) // 2
    samples[half:] = after[half:]
    stated_here = {"geometry": "windows", "windows": stated(MANY)}
    found = list(live(samples, RATE_HZ, names, from_s=1.0, **stated_here))
    before = [reading for time_s, reading in found if 1.1 < time_s < 1.4]
    later = [reading for time_s, reading in found if time_s > 2.0]
    for chosen, balance in ((before, 0.1), (later, -0.2)):
        assert all(reading.valid for reading in chosen), {each.reasons for each in chosen}
        assert all(reading.sign is Sign.KNOWN for reading in chosen)
        values = np.array([reading.balance.value for reading in chosen])
        assert values == pytest.approx(balance, abs=0.01)


@pytest.mark.parametrize("names", [RAW, BARE], ids=["index", "no index"])
@pytest.mark.parametrize("geometry", ["two-band", "boundary", "alternating"])
@pytest.mark.few(3)
def test_another_recording_is_not_read_through_windows(geometry, names):
    signal = Signal(**BRISK, geometry=geometry, snr_db=35, turns=6.4, ratio=0.7)
    samples = make(signal).columns(*names)
    for windows in (UNEQUAL, ALIKE, MANY):
        reading = analyse(samples, RATE_HZ, names, geometry="windows", windows=stated(windows))
        assert not reading.valid
        assert messages.WINDOWS_MISSING in reading.reasons


@pytest.mark.parametrize("geometry", ["two-band", "boundary", "alternating"])
def test_windows_are_not_read_as_another_recording(geometry):
    samples = recorded(MANY, 0.2)
    pairs = 6 if geometry == "alternating" else None
    reading = analyse(samples, RATE_HZ, RAW, geometry=geometry, pairs=pairs)
    assert not reading.valid


def test_windows_elsewhere_are_told_by_how_much():
    reading = read(UNEQUAL, 0.1, late_deg=60.0)
    assert not reading.valid
    assert messages.fill(messages.WINDOWS_TURNED, "60") in reading.reasons
    # Sensors differ by a degree or so.
    reading = read(UNEQUAL, 0.1, late_deg=2.0)
    assert reading.valid
    assert reading.balance.value == pytest.approx(0.1, abs=0.002)


def test_a_burst_that_is_not_stated_parks():
    reading = read(UNEQUAL, 0.1, of=(*UNEQUAL, (300, 25, True)))
    assert messages.WINDOWS_MISSING in reading.reasons


def test_a_turn_with_a_gap_does_not_tell_where_it_began():
    place = (np.arange(12 * 720) / 720) % 1.0
    inside = [(place >= w.start) & (place < w.start + w.length) for w in stated(UNEQUAL)]
    power_v2, ok = 0.2 * np.any(inside, axis=0), np.ones(len(place), dtype=bool)
    ok[9 * 720 + 300 : 9 * 720 + 310] = False
    series = EnvelopeSeries(1)
    series.append(Bins(0, power_v2, np.full(len(place), 0.01), np.zeros(len(place)), ok))
    turns = WindowTurns(720 * 5.0, Windows.of(stated(UNEQUAL)))
    found = turns.push(series)
    told = {each.count for each in turns.times}
    (untold,) = {*range(len(found))} - told
    start = found[untold].start_frame
    assert start <= 9 * 720 + 300 < start + 720


@pytest.mark.parametrize(("turned", "start", "times"), [(0.75, 975.0, 0), (0.002, 1000.0, 3)])
def test_places_noted_by_another_beginning_of_the_turn_count_no_more(turned, start, times):
    seen = SimpleNamespace(place=lambda power_v2: Place(turned, 1.0, tells_side=True))
    noted = [LobeTime(count, 100.0 * count) for count in range(3)]
    turns = SimpleNamespace(_windows=seen, turn_start=1000.0, _period=100.0, times=noted, locks=1)
    WindowTurns._look_again(turns, np.ones(720))
    assert (turns.turn_start, len(turns.times), turns.tells_side) == (start, times, True)
