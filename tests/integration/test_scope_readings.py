"""A scope's whole way: from the virtual drive through its commands to the needle."""

import math
import time

import pytest

from app.analysis.results import Sign
from app.live.measurement import EnvelopeOptions, measure
from app.live.session import Session
from app.live.view import Phase
from app.profiles import load_profile
from instruments.address import open_address
from instruments.source import SourceRequest, SourceUnavailable
from instruments.virtual.scope import FAMILIES, ScopeServer
from tests.app.bench import WAIT_S, until
from tests.instruments.scope.faultcase import MODELS, new_scope, served

PROFILE = load_profile("130mm-48tpi")
# r = 0.70, 0.85 are b = 0.1765, 0.0811; x = S·b with S = 178 µm.
OFFSETS_UM = {0.70: 31.41, 0.85: 14.43, 1.00: 0.0}
QUIET = "clamp_um=0&oval_um=0&hum_v=0&wow_percent=0&snr_db=inf"


def read(address):
    return measure(
        open_address(address, SourceRequest(paced=False)), PROFILE, EnvelopeOptions(), None
    )


@pytest.fixture(scope="module")
def direct():
    """The ratio of the same drive without a scope between."""
    kept = {}

    def one(ratio):
        if ratio not in kept:
            kept[ratio] = read(f"sim:offset_um={OFFSETS_UM[ratio]}&{QUIET}").reading.ratio.value
        return kept[ratio]

    return one


def check(family, transport, ratio, direct, **options):
    scope = new_scope(family, offset=OFFSETS_UM[ratio], **options)
    truth = scope.truth().ratio
    with served(scope, transport) as (address, _):
        measured = read(f"visa:{address}")
    scope.close()
    found = measured.reading.ratio.value
    assert truth == pytest.approx(ratio, abs=2e-3)
    assert found == pytest.approx(truth, abs=0.01)
    assert found == pytest.approx(direct(ratio), abs=0.005)
    assert measured.reading.valid
    assert dict(measured.settings)["acquisition"] == ("sample" if family == "C1" else "peak detect")


# A scope that wants a pause after each command takes half a minute.
QUICKLY = [
    pytest.param(name, marks=pytest.mark.slow) if name == "A2-older" else name for name in FAMILIES
]


@pytest.mark.few(3)
@pytest.mark.parametrize("family", QUICKLY)
def test_every_family_reads_as_the_drive_itself(family, direct):
    check(family, "socket", 0.85, direct)


@pytest.mark.parametrize("ratio", OFFSETS_UM)
def test_every_ratio_reads_as_the_drive_itself(ratio, direct):
    check("A2", "socket", ratio, direct)


@pytest.mark.few(1)
@pytest.mark.parametrize(
    ("family", "noise_codes"),
    [
        ("A2", 4.0),
        ("A1", 1.0),
        *(pytest.param(name, 4.0, marks=pytest.mark.slow) for name in FAMILIES if name != "A2"),
    ],
)
def test_every_family_s_noise_is_taken_out(family, noise_codes, direct):
    # At the trade's carrier: what the noise adds hangs on the samples that an extreme is taken of.
    check(family, "socket", 0.70, direct, noise_codes=noise_codes, carrier_hz=125e3)


@pytest.mark.parametrize("transport", ["vxi11", "hislip"])
def test_every_transport_reads_as_the_drive_itself(transport, direct):
    check("A2", transport, 0.85, direct)


EXTERNAL = {name: MODELS[name] for name in ("A1", "C1", "C1-older", "C3", "D", "D-older")} | {
    "B-2500": "tds2012c",
    "C2": "sds1202x-e",
}
"""Models with an external input."""


def test_a_scope_without_an_external_input_says_so():
    scope = new_scope("A2")
    with (
        served(scope, "socket") as (address, _),
        pytest.raises(SourceUnavailable, match="does not take :TRIG:EDGE:SOUR EXT"),
    ):
        read(f"visa:{address}?roles=plus,minus&trigger=external")
    scope.close()


@pytest.mark.few(4)
@pytest.mark.parametrize("offset_um", [25.0, -25.0])
@pytest.mark.parametrize("family", EXTERNAL)
def test_the_side_by_an_external_trigger_is_right_or_said_unknown(family, offset_um):
    scope = new_scope(EXTERNAL[family], offset=offset_um)
    with served(scope, "socket") as (address, _):
        measured = read(f"visa:{address}?roles=plus,minus&trigger=external")
    scope.close()
    reading = measured.reading
    assert reading.valid
    told = not any("does not tell where a record begins" in note for note in measured.info.notes)
    assert told == (reading.sign is not Sign.UNKNOWN)
    if told:
        assert reading.offset_um.value == pytest.approx(offset_um, abs=3.0)
    else:
        assert reading.offset_um.value == pytest.approx(abs(offset_um), abs=3.0)


def test_a_scope_that_goes_parks_the_needle_and_comes_back_by_itself():
    scope = new_scope("A2")
    truth = scope.truth()
    server = ScopeServer(scope, "socket", port=0)
    session = Session(PROFILE)
    session.open(f"visa:{server.address}")

    def reads():
        view = session.view()
        return view if view.reading is not None and view.reading.valid else None

    def away():
        view = session.view()
        return view if view.phase is Phase.LOST else None

    try:
        view = until(lambda: reads() if session.view().records_a_second else None, "a reading")
        assert view.virtual
        assert view.records_a_second > 0.5
        assert dict(view.settings)["coupling"] == "AC"
        assert view.stale_after_s >= 3.0
        assert view.reading.ratio.value == pytest.approx(truth.ratio, abs=0.01)
        server.close()
        view = until(away, "the loss")
        assert "scope “TCPIP::127.0.0.1" in view.message
        assert view.records_a_second is None
        until(lambda: not session.view().reading.valid, "a parked needle")
        server = ScopeServer(scope, "socket", port=server.port)
        view = until(reads, "a reading again")
        assert view.phase is Phase.RUNNING
        assert view.reading.ratio.value == pytest.approx(truth.ratio, abs=0.01)
        assert math.isclose(view.reading_at_s, time.monotonic(), abs_tol=WAIT_S)
    finally:
        session.close()
        server.close()
        scope.close()
