"""The practice bench: what is drawn, that it comes again, and that only the hands tell it."""

from dataclasses import asdict

import numpy as np
import pytest

from instruments.address import open_address
from instruments.source import AddressError, SourceRequest
from instruments.virtual.params import DRAWN, PRACTICES, VirtualParams
from instruments.virtual.practice import FAULTS, afflicted
from instruments.virtual.source import VirtualSource

# What each fault is told by, and how far at least it stands out of a sound drive's.
TELLS = {
    "misaligned": lambda drive: abs(drive.offset_um) >= 55.0,
    "loose-clamp": lambda drive: drive.clamp_um >= 35.0,
    "sticky-positioner": lambda drive: drive.backlash_um >= 28.0,
    "wrong-wiring": lambda drive: drive.index_v == 0.0,
    "worn-disk": lambda drive: drive.snr_db <= 16.0 and drive.drop_outs >= 4,
    "wrong-disk": lambda drive: drive.recording == "track",
    "two-heads": lambda drive: abs(drive.side_um) >= 55.0,
}


def test_without_practice_a_drive_is_as_its_options_say():
    params = VirtualParams(offset_um=12.0, seed=3)
    assert afflicted(params) == ("", params)


@pytest.mark.parametrize("kind", PRACTICES)
def test_a_kind_of_fault_is_there_alone_and_of_another_size_with_another_seed(kind):
    drives = [afflicted(VirtualParams(practice=kind, seed=seed)) for seed in range(12)]
    for fault, drive in drives:
        assert fault == kind
        assert [each for each, tells in TELLS.items() if tells(drive)] == [kind]
    again = afflicted(VirtualParams(practice=kind, seed=5))
    assert again == drives[5]


@pytest.mark.parametrize("kind", PRACTICES)
def test_a_fault_is_of_many_sizes_but_none_that_another_could_be_told_from(kind):
    sound, sizes = asdict(VirtualParams()), {}
    for seed in range(40):
        drive = FAULTS[kind](VirtualParams(), np.random.default_rng(seed))
        for name, value in asdict(drive).items():
            if value != sound[name]:
                sizes.setdefault(name, []).append(value)
    drawn = {name: np.abs(of) for name, of in sizes.items() if isinstance(of[0], (int, float))}
    ranges = {name: (of.min(), of.max()) for name, of in drawn.items() if name != "index_v"}
    assert ranges
    for name, (least, most) in ranges.items():
        assert 1.3 * least < most < 3.0 * least, name
    for name in sizes.keys() & {"offset_um", "side_um", "mismatch_percent"}:
        assert min(sizes[name]) < 0.0 < max(sizes[name]), name


def test_what_else_a_practice_drive_has_is_of_a_sound_drives_size():
    drives = [afflicted(VirtualParams(practice="wrong-disk", seed=seed))[1] for seed in range(40)]
    most = {"offset_um": 30.0, "side_um": 8.0, "creep_um": 8.0, "speed_rpm": 1.2}
    for name, bound in most.items():
        values = np.array([getattr(drive, name) for drive in drives])
        away = values - (300.0 if name == "speed_rpm" else 0.0)
        assert 0.8 * bound < np.abs(away).max() <= bound, name
        assert min(away) < 0.0 < max(away), name
    for name, (least, bound) in {"backlash_um": (3.0, 9.0), "clamp_um": (4.0, 10.0)}.items():
        values = np.array([getattr(drive, name) for drive in drives])
        assert least <= values.min() < 1.2 * least, name
        assert 0.8 * bound < values.max() <= bound, name
    assert min(abs(drive.offset_um) for drive in drives) >= 8.0


def test_any_kind_may_be_drawn():
    kinds = {afflicted(VirtualParams(practice=DRAWN, seed=seed))[0] for seed in range(100)}
    assert kinds == set(PRACTICES) == set(FAULTS) == set(TELLS)


def test_the_truth_is_with_the_hands_and_nowhere_else():
    source = open_address("sim:practice=misaligned&seed=7", SourceRequest())
    assert isinstance(source, VirtualSource)
    hidden = source.controls.hidden
    _, drive = afflicted(VirtualParams(practice="misaligned", seed=7))
    assert hidden.fault == "misaligned"
    # The head came from outside: it rests half the backlash outward of the middle.
    assert hidden.found_um == pytest.approx(drive.offset_um - drive.backlash_um / 2)
    told = f"{source.info} {source.settings}"
    for name, value in asdict(drive).items():
        if value != asdict(VirtualParams())[name] and isinstance(value, float):
            assert f"{value:.3g}" not in told, name
    source.drive.nudge(-20.0)
    moved = source.controls.hidden
    assert moved.found_um == hidden.found_um
    assert moved.left_um == pytest.approx(source.drive.positioner.middle_um)
    assert moved.left_um < hidden.left_um


def test_an_ordinary_virtual_drive_hides_nothing():
    assert open_address("sim:offset_um=40", SourceRequest()).controls.hidden is None


def test_a_fault_that_is_not_known_is_refused_with_those_that_are():
    with pytest.raises(AddressError, match="misaligned"):
        open_address("sim:practice=haunted", SourceRequest())


def test_wrong_wiring_leaves_the_index_without_a_pulse_and_one_phase_far_lower():
    source = VirtualSource(VirtualParams(practice="wrong-wiring", seed=7), paced=False)
    source.open()
    blocks = [source.read(1.0).samples_v for _ in range(25)]  # more than a turn
    source.close()
    plus, minus, index = np.concatenate(blocks).std(axis=0)
    assert index == pytest.approx(0.0, abs=1e-4)
    assert min(plus, minus) < 0.75 * max(plus, minus)
