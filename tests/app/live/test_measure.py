from dataclasses import fields, replace

import numpy as np
import pytest

from app.analysis import messages
from app.live.measurement import LIVE_SECONDS, EnvelopeOptions, measure, setup_for
from app.profiles import load_profile
from app.profiles.windows import AlignmentWindow
from instruments.address import open_address
from instruments.source import (
    AddressError,
    Block,
    Role,
    Source,
    SourceEnd,
    SourceInfo,
    SourceRequest,
    SourceTimeout,
    parse_roles,
)
from tests.app.bench import RATE_HZ, SIM, Sweeps, write_capture

PROFILE = load_profile("130mm-48tpi")
NOTHING = EnvelopeOptions()


def measured(address, roles=None, seconds=None, options=NOTHING, **more):
    wanted = parse_roles(roles) if roles else None
    source = open_address(str(address), SourceRequest(roles=wanted, paced=False))
    return measure(source, PROFILE, options, seconds, **more)


# Of six pairs a turn the first top stands half a spacing, 1/24 of a turn, after the index.
@pytest.mark.parametrize(
    ("geometry", "centre"), [("two-band", 0.25), ("boundary", 0.25), ("alternating", 1 / 24)]
)
@pytest.mark.parametrize("first_taller", [True, False])
def test_a_capture_s_ratio_is_that_of_its_lobes(tmp_path, geometry, centre, first_taller):
    path = tmp_path / "capture.wav"
    shape = {"geometry": geometry, "centre": centre, "first_taller": first_taller}
    truth = write_capture(path, "plus", "minus", "index", ratio=0.75, **shape)
    done = measured(path, "plus,minus,index")
    assert done.reading.valid
    assert done.reading.ratio.value == pytest.approx(truth.ratio, abs=0.004)
    assert np.sign(done.reading.balance.value) == (1 if first_taller else -1)
    assert done.reading.revolutions in (5, 6)
    assert done.duration_s == pytest.approx(len(truth.plus_v) / RATE_HZ)
    assert done.info.roles_from == "given"


def test_columns_are_taken_by_the_roles_given(tmp_path):
    path = tmp_path / "capture.wav"
    truth = write_capture(path, "envelope", "index", "differential", "envelope")
    done = measured(path, "-,index,differential")
    assert done.info.roles == (Role.INDEX, Role.DIFFERENTIAL)
    assert done.reading.valid
    assert done.reading.ratio.value == pytest.approx(truth.ratio, abs=0.004)


def test_a_lone_column_is_the_differential_unless_said(tmp_path):
    path = tmp_path / "capture.wav"
    write_capture(path, "differential")
    done = measured(path)
    assert done.info.roles == (Role.DIFFERENTIAL,)
    assert done.info.roles_from == "default"
    assert done.reading.valid
    write_capture(path, "envelope", rate_hz=48_000, carrier_hz=15e3)
    done = measured(path, "envelope", options=EnvelopeOptions(0.0, 0.0))
    assert done.info.roles == (Role.ENVELOPE,)
    assert done.reading.valid
    assert done.reading.carrier_hz is None


def test_the_seconds_asked_for_are_measured_and_no_more(tmp_path):
    path = tmp_path / "capture.wav"
    write_capture(path, "plus", "minus", "index", turns=8.0)
    told = []
    done = measured(path, "plus,minus,index", 0.7, progress=lambda *both: told.append(both))
    assert done.duration_s == pytest.approx(0.7)
    assert done.reading.revolutions in (2, 3)
    assert told[-1] == pytest.approx((0.7, 0.7))
    beyond = measured(path, "plus,minus,index", 1e6)
    assert beyond.duration_s == pytest.approx(1.6)
    assert beyond.reading == measured(path, "plus,minus,index").reading


def test_the_virtual_drive_is_measured_for_three_seconds():
    done = measured(SIM)
    assert done.duration_s == LIVE_SECONDS
    assert done.info.virtual
    assert done.reading.valid


@pytest.mark.parametrize("clipped", [False, True])
def test_what_a_scope_says_of_clipping_is_a_reason(clipped):
    source = Sweeps(SIM, SourceRequest(paced=False), clipped=clipped)
    reading = measure(source, PROFILE, NOTHING, 1.5).reading
    assert (messages.CLIPPED in reading.reasons) == clipped
    assert reading.valid != clipped


def test_a_stretch_without_a_whole_turn_gives_no_number():
    done = measured(SIM, seconds=0.1)
    assert not done.reading.valid
    assert done.reading.reasons
    assert done.reading.ratio is None


@pytest.mark.parametrize(
    ("options", "named"),
    [
        (EnvelopeOptions(low_corner_hz=7.0), ["--low-corner"]),
        (EnvelopeOptions(detector_threshold_v=0.0), ["--detector-threshold"]),
        (EnvelopeOptions(0.0, 0.1), ["--low-corner", "--detector-threshold"]),
    ],
)
def test_what_belongs_to_an_envelope_is_refused_elsewhere(options, named):
    with pytest.raises(AddressError) as caught:
        measured(SIM, options=options)
    for word in (*named, SIM, "envelope", "plus,minus,index"):
        assert word in str(caught.value)


def test_what_profile_and_source_say_reaches_the_analysis():
    """None of it is what counts where nothing is said."""
    profile = replace(
        PROFILE, speed_rpm=360.0, density_ftprad=7000.0, geometry="alternating", pairs=6,
        scale_um=90.0, scale_u_um=2.5, calibrated=True, first_lobe_outward=False,
        set_limit=0.11, check_limit=0.22,
        windows=(
            AlignmentWindow(9.0, 18.0, outward=True), AlignmentWindow(36.0, 27.0, outward=False)
        ),
    )  # fmt: skip
    roles = (Role.INDEX, Role.MINUS, Role.PLUS, Role.DIFFERENTIAL)
    info = SourceInfo(
        "bench:", roles, "given", 2e6, 7e5, live=True, mixed_hz=3e4, low_corner_hz=5.0, inputs=2,
        low_corner_part=0.07,
    )  # fmt: skip
    setup = setup_for(info, profile, NOTHING)
    unsaid = {each.name: each.default for each in fields(setup)}
    shared = unsaid.keys() & {each.name for each in fields(profile)} - {"windows"}
    assert len(shared) >= 9
    for name in shared:
        assert getattr(setup, name) == getattr(profile, name) != unsaid[name], name
    windows = [(each.start, each.length, each.outward) for each in setup.windows]
    assert windows == [(0.025, 0.05, True), (0.1, 0.075, False)]
    shared = unsaid.keys() & {each.name for each in fields(info)}
    assert len(shared) >= 6
    for name in shared:
        assert getattr(setup, name) == getattr(info, name) != unsaid[name], name
    assert setup.carrier_hz == profile.carrier_hz != unsaid["carrier_hz"]
    columns = setup.columns
    assert (columns.plus, columns.minus, columns.index) == (2, 1, 0)
    assert (columns.envelope, columns.differential, setup.channels) == (None, 3, 4)


def test_what_is_stated_of_an_envelope_reaches_the_analysis():
    address = f"{SIM}&detector_threshold_v=0.1"
    right = measured(address, "envelope,index", options=EnvelopeOptions(0.0, 0.1)).reading
    wrong = measured(address, "envelope,index", options=EnvelopeOptions(0.0, 0.0)).reading
    # 25 µm off a scale of 178 µm: r = (1 - b)/(1 + b).
    ratio = (178 - 25) / (178 + 25)
    assert right.ratio.value == pytest.approx(ratio, abs=0.005)
    assert abs(wrong.ratio.value - ratio) > 0.02


class Quiet(Source):
    """A source that is open and gives nothing."""

    info = SourceInfo("quiet:", (Role.DIFFERENTIAL,), "given", 1e6, 5e5, live=True)

    def __init__(self, *blocks):
        self._blocks = list(blocks)
        self.closed = 0

    def open(self):
        pass

    def read(self, timeout_s):
        if not self._blocks:
            raise SourceTimeout("quiet: nothing came; check the cable")
        block = self._blocks.pop(0)
        if isinstance(block, Exception):
            raise block
        return block

    def close(self):
        self.closed += 1


def test_a_source_that_stays_silent_is_given_up_and_closed():
    source = Quiet()
    source.silence_s = 0.01
    with pytest.raises(SourceTimeout, match="check the cable"):
        measure(source, PROFILE, NOTHING, None)
    assert source.closed == 1


def test_a_source_that_ends_at_once_gives_no_reading():
    source = Quiet(SourceEnd("quiet: that was all"))
    done = measure(source, PROFILE, NOTHING, None)
    assert not done.reading.valid
    assert done.duration_s == 0.0
    assert source.closed == 1


def test_a_short_silence_is_waited_out():
    zeros = np.zeros((1000, 1), np.float32)
    blocks = [Block(zeros, 1e6, first, 0.0) for first in (0, 1000)]
    source = Quiet(blocks[0], SourceTimeout("quiet: wait"), blocks[1], SourceEnd("quiet: end"))
    assert measure(source, PROFILE, NOTHING, None).duration_s == pytest.approx(0.002)


@pytest.mark.parametrize("beside", [False, True])
def test_a_text_of_pairs_of_extremes_is_read_as_one_sweep(tmp_path, beside):
    # Eight samples a pair, as a scope's peak detect would have kept them.
    truth = write_capture(tmp_path / "capture.wav", "plus", "minus", "index", ratio=0.75)
    phases = [side[: len(side) // 8 * 8].reshape(-1, 8) for side in (truth.plus_v, truth.minus_v)]
    low, high = (
        np.column_stack([extreme(side, axis=1) for side in phases]) for extreme in (np.min, np.max)
    )
    path = tmp_path / "capture.csv"
    times = (np.arange(len(low)) * 8 / RATE_HZ).tolist()
    rows = zip(times, low.tolist(), high.tolist(), strict=True)
    if beside:
        titles = "A (V),A max (V),B (V),B max (V)"
        lines = [f"{t:.7f},{a:.5f},{c:.5f},{b:.5f},{d:.5f}\n" for t, (a, b), (c, d) in rows]
    else:
        titles = "A (V),B (V)"
        lines = [f"{t:.7f},{a:.5f},{b:.5f}\n" for t, *pair in rows for a, b in pair]
    path.write_text(f"t (s),{titles}\n" + "".join(lines))
    done = measured(path, "plus,minus")
    assert done.reading.valid
    assert done.reading.ratio.value == pytest.approx(truth.ratio, abs=0.01)
    with pytest.raises(AddressError, match="carry no envelope"):
        measured(path, "envelope")
