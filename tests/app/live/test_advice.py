import numpy as np
import pytest

from app.live import view
from app.live.view import advice_on
from app.stream.acquisition import LevelMeter
from instruments.source import Block, Role, SourceInfo


def info(**changes):
    plain = {
        "name": "sound:card",
        "roles": (Role.DIFFERENTIAL, Role.INDEX),
        "roles_from": "given",
        "sample_rate_hz": 48e3,
        "bandwidth_hz": 24e3,
        "live": True,
    }
    return SourceInfo(**(plain | changes))


def levels_of(about, *peaks_v):
    """The levels that a meter tells of a block with these peaks."""
    meter, peaks = LevelMeter(about), np.array(peaks_v, np.float32)
    meter.add(Block(peaks[None], about.sample_rate_hz, 0, 0.0), peaks)
    return meter.levels()


def advised(*peaks_v, **changes):
    about = info(**changes)
    return advice_on(levels_of(about, *peaks_v), about)


def test_a_silent_card_is_muted_or_unplugged():
    assert advised(0.0, 0.0) == (view.NO_LEVEL,)


# A ×10 probe is 9 MΩ in series (common practice): into a line input of 10 to 50 kΩ it leaves
# a thousandth or so.
@pytest.mark.parametrize("changes", [{}, {"full_scale_v": 2.0}])
def test_a_weak_signal_names_probe_input_and_mute(changes):
    (message,) = advised(0.4 / 900, 1.0, **changes)
    assert message == view.LOW_LEVEL
    for cause in ("×10 probe into a line input", "wrong input", "muted"):
        assert cause in str(message)


def test_a_strong_index_does_not_hide_a_weak_signal():
    assert advised(0.0, 5.0) == (view.NO_LEVEL,)


@pytest.mark.parametrize("peak_v", [0.02, 0.4, 3.0])
def test_a_signal_that_can_be_seen_needs_no_advice(peak_v):
    assert advised(peak_v, 0.0) == ()


def test_level_is_judged_by_the_full_scale_where_that_is_known():
    assert advised(0.05, 0.0, full_scale_v=10.0) == (view.LOW_LEVEL,)
    assert advised(0.005, 0.0, full_scale_v=0.1) == ()


def test_one_phase_is_enough():
    assert advised(0.0, 0.2, roles=(Role.PLUS, Role.MINUS)) == ()


@pytest.mark.parametrize(
    ("peaks_v", "told"),
    [
        ((5.0, 0.2), ("plus", "25", "minus")),
        ((0.02, 0.4), ("minus", "20", "plus")),
        # Two probes, of ×1 and ×10, differ by less: the levels of neither are that exact.
        ((0.4, 0.05), None),
        ((0.4, 0.4), None),
    ],
)
def test_phases_of_one_signal_are_alike(peaks_v, told):
    said = advised(*peaks_v, roles=(Role.PLUS, Role.MINUS))
    assert [(each.text, each.values) for each in said] == (
        [(view.PHASES_UNLIKE.text, told)] if told else []
    )


def test_a_capture_is_to_be_recorded_again():
    assert advised(0.0, 0.0, live=False, length_frames=10) == (view.NO_LEVEL_KEPT,)
    assert advised(1e-4, 0.0, live=False, length_frames=10) == (view.LOW_LEVEL_KEPT,)


def test_the_virtual_drive_has_no_probe():
    assert advised(1e-4, 0.0, virtual=True) == (view.LOW_LEVEL_VIRTUAL,)


def test_nothing_is_said_before_the_first_samples():
    assert LevelMeter(info()).levels() == ()
    assert advice_on((), info()) == ()


def test_levels_tell_their_role_and_part_of_full_scale():
    about = info(full_scale_v=2.0)
    first, second = levels_of(about, 0.5, 2.0)
    assert (first.role, first.peak_v, first.of_full_scale, first.clipped) == (
        "differential",
        0.5,
        0.25,
        False,
    )
    assert (second.role, second.of_full_scale, second.clipped) == ("index", 1.0, True)
