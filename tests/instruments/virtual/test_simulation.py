"""A simulated capture: its shape, its truth, and the same again for the same seed."""

import numpy as np
import pytest

from instruments.source import AddressError, Role
from instruments.virtual import VirtualParams, simulate


def test_a_capture_has_the_rate_and_length_that_were_asked_for():
    samples_v, truth = simulate(VirtualParams(rate=96e3), seconds=0.5)
    assert samples_v.shape == (48000, 3)
    assert samples_v.dtype == np.float32
    assert truth.offset_um == pytest.approx(25.0)
    other, _ = simulate(VirtualParams(), (Role.DIFFERENTIAL,), rate_hz=2e6, seconds=0.25)
    assert other.shape == (500000, 1)


def test_the_seed_decides():
    captures = [simulate(VirtualParams(seed=seed), seconds=0.05)[0] for seed in (1, 1, 2)]
    assert np.array_equal(captures[0], captures[1])
    assert not np.array_equal(captures[0], captures[2])


def test_truth_tells_the_snr_at_the_taller_lobe():
    _, truth = simulate(VirtualParams(snr_db=20.0), seconds=0.05)
    assert truth.snr_db == pytest.approx(20.0 + 20 * np.log10(truth.first_v / 0.4))


def test_roles_that_do_not_fit_are_refused():
    with pytest.raises(AddressError):
        simulate(VirtualParams(), (Role.INDEX,), seconds=0.05)
