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
    assert len({str(drive) for _, drive in drives}) == 12
    again = afflicted(VirtualParams(practice=kind, seed=5))
    assert again == drives[5]


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
