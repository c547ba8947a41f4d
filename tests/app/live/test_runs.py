"""Every measurement, on the virtual drive."""

from dataclasses import replace

import pytest

from app.analysis import messages
from app.analysis.results import Measurand
from app.live.measurement import EnvelopeOptions, MeasurementRequest, MeasurementRun
from app.profiles import load_profile
from instruments.source import Role
from instruments.virtual.params import VirtualParams
from instruments.virtual.source import VirtualSource

PROFILE = load_profile("130mm-48tpi")


def measured(measurand, hands, *, track, side=0, roles=None, profile=PROFILE, **params):
    params = {"rate": 500e3} | params
    source = VirtualSource(VirtualParams(**params), roles, paced=False)
    source.open()
    hands(source.controls)
    request = MeasurementRequest(measurand, 10, track, side)
    run = MeasurementRun(request, profile, EnvelopeOptions())
    while not run.ended:
        run.push(source.read(1.0), source)
    found = run.progress.measurement
    return found, source.drive, source.drive.truth(0.0, found.seconds)


def to(track, side=0):
    def hands(controls):
        controls.select(side)
        controls.seek(track)

    return hands


def write(track, pattern):
    def hands(controls):
        controls.insert("scratch")
        controls.seek(track)
        controls.write(pattern)

    return hands


@pytest.mark.parametrize("side", [0, 1])
@pytest.mark.parametrize(
    "roles", [None, (Role.DIFFERENTIAL, Role.INDEX), (Role.ENVELOPE, Role.INDEX)]
)
@pytest.mark.few(2)
def test_azimuth_is_the_drive_s(side, roles):
    found, _, truth = measured(Measurand.AZIMUTH, to(34, side), track=34, side=side, roles=roles)
    assert found.problem is None
    assert found.azimuth.angle_arcmin.value == pytest.approx(truth.azimuth_arcmin, abs=0.5)
    assert len(found.azimuth.bursts) == 4
    assert len(found.trace.tops_turns) == 4


@pytest.mark.parametrize("track", [1, 34])
@pytest.mark.parametrize("side", [0, 1])
@pytest.mark.few(2)
def test_index_timing_is_the_drive_s(track, side):
    where = {"track": track, "side": side}
    found, _, truth = measured(Measurand.INDEX, to(**where), **where, snr_db=20.0)
    assert found.index.delay_us.value == pytest.approx(truth.index_delay_us, abs=1.0)
    assert found.index.turns >= 10


@pytest.mark.parametrize(("pattern", "cycles"), [("1F", 12_500), ("2F", 25_000)])
@pytest.mark.few(1)
def test_output_is_the_track_s(pattern, cycles):
    params = {"rate": 1e6, "modulation_percent": 8.0, "asymmetry_ns": 60.0, "third_harmonic": 0.0}
    # Asymmetry needs four samples a cycle.
    found, drive, truth = measured(Measurand.OUTPUT, write(39, pattern), track=39, **params)
    output = found.output
    assert found.problem is None
    assert output.amplitude_v.value == pytest.approx(0.4 * drive.track.gain, rel=5e-3)
    frequency_hz = cycles * truth.speed_rpm / 60.0
    assert output.frequency_hz.value == pytest.approx(frequency_hz, rel=2e-4)
    assert output.modulation_percent.value == pytest.approx(8.0, abs=0.2)
    assert output.asymmetry_ns.value == pytest.approx(60.0, abs=5.0)


@pytest.mark.parametrize(
    ("measurand", "hands", "track", "said"),
    [
        (Measurand.INDEX, to(16), 1, "is the head on track 1 of the alignment disk?"),
        (Measurand.INDEX, to(20), 1, "is the head on track 1 of the alignment disk?"),
        (Measurand.AZIMUTH, to(1), 34, "1 bursts where the disk has 4"),
        (Measurand.OUTPUT, to(16), 16, "nothing is written here"),
        (
            Measurand.OUTPUT,
            lambda controls: controls.insert("scratch"),
            16,
            "nothing is written here",
        ),
        (Measurand.OUTPUT, to(34), 34, "nothing is written here"),
    ],
)
@pytest.mark.few(2)
def test_the_wrong_track_is_a_sentence(measurand, hands, track, said):
    found, *_ = measured(measurand, hands, track=track)
    assert said in str(found.problem)
    assert (found.azimuth, found.index, found.output) == (None, None, None)


def test_without_an_index_bursts_say_what_to_wire():
    found, *_ = measured(Measurand.INDEX, to(1), track=1, roles=(Role.PLUS, Role.MINUS))
    assert found.problem == messages.NEEDS_INDEX


def test_a_disk_without_known_angles_has_no_azimuth():
    bare = replace(PROFILE, azimuth_arcmin=None)
    found, *_ = measured(Measurand.AZIMUTH, to(34), track=34, profile=bare)
    assert found.problem == messages.NO_ANGLES
