"""The same truth by every path: family by family, transport by transport, ratio by ratio."""

import itertools
import math
import time
from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest

from instruments.address import open_address
from instruments.source import Role, SourceInfo
from instruments.virtual.drive import VirtualDrive
from instruments.virtual.params import VirtualParams
from instruments.virtual.scope import FAMILIES, ScopeServer, VirtualScope
from tests.instruments.scope.faultcase import lobes_ratio, new_scope, next_block, served

TRANSPORTS = ("socket", "vxi11", "hislip", "usb", "serial")
# r = 0.70, 0.85 are b = 0.1765, 0.0811; x = S·b with S = 178 µm.
OFFSETS_UM = {0.70: 31.41, 0.85: 14.43, 1.00: 0.0}
RECORDS = 4


def until_s():
    return time.monotonic() + 30


def mean_ratio(scope, transport, options=""):
    """Mean over a few records of the ratio of the lobes, and the records' blocks."""
    with served(scope, transport) as (address, _):
        serial = "?baud=115200" if transport == "serial" else ""
        source = open_address(f"visa:{address}{serial}{options}")
        source.open()
        try:
            blocks = [next_block(source, until_s()) for _ in range(RECORDS)]
            info = source.info
        finally:
            source.close()
    return float(np.mean([lobes_ratio(block) for block in blocks])), blocks, info


@dataclass(frozen=True)
class Taken:
    """What a few records of a family show, and the panel before and after."""

    truth: float
    found: float
    blocks: list
    info: SourceInfo
    panels: tuple[object, object]
    delay_s: float


def panel_of(scope):
    panel, trigger = scope.panel, scope.panel.trigger
    return (
        repr(panel.channels),
        panel.seconds_per_div,
        panel.acquisition,
        (trigger.source, trigger.slope, trigger.automatic),
    )


@cache
def taken(family, ratio):
    """Return what is taken of a family once, for all that is asked of it."""
    scope = new_scope(family, offset=OFFSETS_UM[ratio])
    truth, before = scope.truth().ratio, panel_of(scope)
    found, blocks, info = mean_ratio(scope, "socket")
    panels = before, panel_of(scope)
    scope.close()
    return Taken(truth, found, blocks, info, panels, scope.panel.delay_s)


# Of the others one has plain samples, and one two channels and a pause after each command.
PAIRED = [name for name in FAMILIES if name not in ("A2-older", "C1")]


@pytest.mark.few(6)
@pytest.mark.parametrize("family", PAIRED)
@pytest.mark.parametrize("ratio", OFFSETS_UM)
def test_every_family_gives_the_truth(family, ratio):
    seen = taken(family, ratio)
    assert seen.truth == pytest.approx(ratio, abs=2e-3)
    assert seen.found == pytest.approx(seen.truth, abs=0.01)
    assert seen.info.roles == (Role.DIFFERENTIAL, Role.INDEX)
    assert seen.info.virtual
    assert not seen.info.continuous
    assert all(block.min_max and block.gap_before for block in seen.blocks)
    # C2 has its trigger in the middle of the screen.
    assert [block.at_index for block in seen.blocks] == [family != "C2"] * RECORDS
    assert not any(block.clipped for block in seen.blocks)


@pytest.mark.parametrize("transport", TRANSPORTS[1:])
def test_every_transport_gives_the_same(transport):
    scope = new_scope("A2", offset=OFFSETS_UM[0.85])
    found = mean_ratio(scope, transport)[0]
    truth = scope.truth().ratio
    scope.close()
    assert found == pytest.approx(truth, abs=0.01)
    assert found == pytest.approx(taken("A2", 0.85).found, abs=0.005)


@pytest.mark.parametrize(
    ("carrier_hz", "speed_rpm"),
    [
        (62.5e3, 300),
        (125e3, 360),
        *(
            pytest.param(*each, marks=pytest.mark.slow)
            for each in ((62.5e3, 360), (125e3, 300), (250e3, 300), (250e3, 360))
        ),
    ],
)
def test_carriers_and_speeds_of_the_trade(carrier_hz, speed_rpm):
    scope = new_scope("A2", carrier_hz=carrier_hz, speed_rpm=speed_rpm)
    _, blocks, info = mean_ratio(scope, "socket", f"?speed={speed_rpm}")
    turn = round(60 / speed_rpm * info.sample_rate_hz / 2)
    span_turns = len(blocks[0].samples_v) / 2 / turn
    assert 2.2 <= span_turns <= 4
    swing = np.ptp(blocks[0].samples_v[:, 0].reshape(-1, 2), axis=1)[:turn]
    tops = sorted((swing[: turn // 2].max(), swing[turn // 2 :].max()))
    assert tops[0] / tops[1] == pytest.approx(scope.truth().ratio, abs=0.01)
    scope.close()


@pytest.mark.few(2)
@pytest.mark.parametrize(
    ("family", "quirks"),
    [
        ("A1", {"xinc": "pair"}),
        ("A2", {"xinc": "pair"}),
        ("A2", {"order": "max-min"}),
        ("B", {"order": "max-min"}),
        ("C3", {"descriptor": 346}),
        ("C3", {"descriptor": 369}),
    ],
)
def test_quirks_change_nothing(family, quirks):
    scope = new_scope(family, quirks=quirks)
    found, blocks, _ = mean_ratio(scope, "socket")
    reference = taken(family, 0.85).blocks
    assert found == pytest.approx(scope.truth().ratio, abs=0.01)
    assert blocks[0].sample_rate_hz == pytest.approx(reference[0].sample_rate_hz, rel=1e-6)
    assert blocks[0].samples_v.shape == reference[0].samples_v.shape


def test_heights_are_the_drive_s_volts():
    scope = new_scope("A2")
    _, blocks, _ = mean_ratio(scope, "socket")
    truth = scope.truth()
    swing = np.ptp(blocks[0].samples_v[:, 0].reshape(-1, 2), axis=1) / 2
    # Two channels of 200 codes a screen, filled to 60 % or more: about one code each.
    assert swing.max() == pytest.approx(max(truth.first_v, truth.second_v), rel=0.02)


@pytest.mark.parametrize("family", PAIRED)
def test_a_record_that_the_index_triggered_has_the_index_at_its_trigger(family):
    """Common practice: the index pulse is low for a few milliseconds at 300 rpm."""
    for block in taken(family, 0.85).blocks:
        index = block.samples_v[:, 1]
        middle = (index.max() + index.min()) / 2
        low = index[::2] < middle
        if family == "C2":
            low = low[len(low) // 2 :]
        cell_s = 2 / block.sample_rate_hz
        first_s = float(np.argmin(low)) * cell_s
        assert low[1]  # the pulse has begun
        assert first_s == pytest.approx(4e-3, abs=2.5e-3)


@pytest.mark.parametrize("amplitude_v", [0.05, 0.4, 3.0])
@pytest.mark.parametrize("family", ["A1", "A2", "B", "C1", "C2", "C3", "D"])
@pytest.mark.few(3)
def test_the_range_is_found_so_that_the_signal_fills_the_screen(family, amplitude_v):
    scope = new_scope(family, amplitude_v=amplitude_v)
    with ScopeServer(scope, "socket", port=0) as server:
        source = open_address(f"visa:{server.address}")
        source.open()
        try:
            block = next_block(source, until_s())
            scales = [scope.panel.channels[n].volts_per_div for n in (1, 2)]
        finally:
            source.close()
    assert scales[0] == scales[1]
    # One phase is half of the differential.
    fill = np.abs(block.samples_v[:, 0]).max() / 2 / (scales[0] * 4)
    assert 0.55 <= fill <= 0.92
    assert not block.clipped


def test_a_signal_that_grows_is_told_as_clipped_and_then_followed():
    params = VirtualParams(amplitude_v=0.1, snr_db=math.inf, hum_v=0)
    drive = VirtualDrive(params)
    scope = VirtualScope(drive, "A2")
    with ScopeServer(scope, "socket", port=0) as server:
        source = open_address(f"visa:{server.address}")
        source.open()
        try:
            assert not next_block(source, until_s()).clipped
            drive.amplifier = type(drive.amplifier)(
                amplitude_v=0.6,
                noise_v=0.0,
                hum_v=0.0,
                hum_hz=50.0,
                hum_phase_rad=0.0,
                mismatch=0.0,
                dc_v=0.0,
                third_harmonic=0.0,
            )
            clipped = [next_block(source, until_s()).clipped for _ in range(8)]
        finally:
            source.close()
    assert any(clipped)
    assert not any(clipped[-3:])


@pytest.mark.parametrize("family", PAIRED)
def test_the_front_panel_is_as_it_was(family):
    seen = taken(family, 0.85)
    before, after = seen.panels
    assert after == before
    assert seen.delay_s == 0


@pytest.mark.parametrize(
    "options",
    [
        "?roles=plus,minus",
        "?roles=plus,minus,index&trigger=free",
        "?roles=plus,minus&trigger=external",
    ],
)
def test_other_triggers(options):
    # Of A2 no model here has an input for an external trigger.
    scope = new_scope("A1" if "external" in options else "A2")
    with ScopeServer(scope, "socket", port=0) as server:
        source = open_address(f"visa:{server.address}{options}")
        source.open()
        try:
            block = next_block(source, until_s())
            roles = source.info.roles
        finally:
            source.close()
    assert block.at_index == ("external" in options)
    assert (Role.INDEX in roles) == ("index" in options)
    assert block.samples_v.shape[1] == len(roles)


@pytest.mark.few(2)
@pytest.mark.parametrize("family", ["A1", "A2", "B", "C1", "C2", "C3", "D"])
def test_the_deep_memory_is_read_at_its_full_rate(family):
    scope = new_scope(family, carrier_hz=20e3)
    with ScopeServer(scope, "socket", port=0) as server:
        source = open_address(f"visa:{server.address}")
        source.open()
        try:
            deep = source.fetch_deep()
            after = next_block(source, until_s())
        finally:
            source.close()
    assert not deep.min_max
    assert after.min_max == (family != "C1")  # which has no peak detect
    assert deep.sample_rate_hz > 150e3
    assert deep.samples_v.shape[1] == 2
    # One turn holds speed/60 of the carrier: count it by its crossings of zero at a lobe's top.
    signal = deep.samples_v[:, 0]
    top = int(np.argmax(np.abs(signal)))
    part = signal[max(0, top - 4000) : top + 4000]
    crossings = np.count_nonzero(np.diff(np.signbit(part)))
    assert crossings / 2 / (len(part) / deep.sample_rate_hz) == pytest.approx(20e3, rel=0.02)


def test_first_indices_go_on_without_a_hole():
    scope = new_scope("A2")
    _, blocks, _ = mean_ratio(scope, "socket")
    for one, two in itertools.pairwise(blocks):
        assert two.first_index == one.first_index + len(one.samples_v)
        assert two.t0_s > one.t0_s
