import numpy as np
import pytest

from app.blackbox.pairs import Folding
from tests.app.blackbox.boxes import block


def test_a_bin_is_a_millisecond_and_keeps_its_lowest_and_highest():
    samples_v = np.sin(np.arange(40) * 0.7)
    (piece,) = Folding().fold([block(samples_v)])
    bins = samples_v.reshape(4, 10)
    assert piece.bin_s == 1e-3
    assert piece.pairs_v.dtype == np.float32
    assert piece.pairs_v[::2, 0] == pytest.approx(bins.min(axis=1))
    assert piece.pairs_v[1::2, 0] == pytest.approx(bins.max(axis=1))


def test_what_does_not_fill_a_bin_waits_for_what_follows():
    folding, samples_v = Folding(), np.arange(35.0)
    (first,) = folding.fold([block(samples_v[:14]), block(samples_v[14:17], 14)])
    (then,) = folding.fold([block(samples_v[17:], 17)])
    assert (first.first_index, then.first_index) == (0, 10)
    joined = np.concatenate([first.pairs_v, then.pairs_v])[:, 0]
    assert joined.tolist() == [0, 9, 10, 19, 20, 29]
    assert then.at_s == pytest.approx(first.at_s + 1e-3, abs=1e-3)


def test_a_gap_begins_anew_and_is_told():
    pieces = Folding().fold([block(np.zeros(15)), block(np.ones(20), 40, gap_before=True)])
    assert [(each.first_index, each.gap_before, len(each.pairs_v)) for each in pieces] == [
        (0, False, 2),
        (40, True, 4),
    ]


def test_what_is_no_number_stays_none():
    samples_v = np.ones(20)
    samples_v[13] = np.nan
    (piece,) = Folding().fold([block(samples_v)])
    assert piece.pairs_v[:2, 0].tolist() == [1, 1]
    assert np.isnan(piece.pairs_v[2:, 0]).all()


def test_pairs_of_a_scope_are_folded_as_pairs():
    rows = np.array([-1, 1, -2, 3, -5, 4, 0, 2, -1, 1] * 2, np.float32)
    (piece,) = Folding().fold([block(rows, min_max=True, at_index=True)])
    assert piece.at_index
    assert piece.pairs_v[:, 0].tolist() == [-5, 4, -5, 4]


def test_what_comes_slower_than_bins_is_kept_as_it_is():
    from dataclasses import replace

    slow = replace(block([1.0, 2.0, 3.0]), sample_rate_hz=100.0)
    (piece,) = Folding().fold([slow])
    assert piece.bin_s == 0.01
    assert piece.pairs_v[:, 0].tolist() == [1, 1, 2, 2, 3, 3]
