"""A scope with the drive's motor off: what is kept of it, and what its readings are given."""

import re

import pytest

from app.cli import main
from app.live.measurement import EnvelopeOptions, setup_for
from app.profiles import load_profile
from instruments.address import open_address
from instruments.kept import read_proof
from instruments.source import SourceUnavailable
from instruments.virtual.drive import VirtualDrive
from instruments.virtual.params import VirtualParams
from instruments.virtual.scope import ScopeServer, VirtualScope

STILL = VirtualParams(amplitude_v=1e-4, snr_db=-40, hum_v=0, carrier_hz=30e3)


@pytest.fixture(scope="module")
def address():
    scope = VirtualScope(VirtualDrive(STILL), "A2")
    with ScopeServer(scope, "socket", port=0) as server:
        yield f"visa:{server.address}"
    scope.close()


@pytest.fixture(autouse=True)
def own_folder(monkeypatch, tmp_path):
    monkeypatch.setattr("instruments.kept.user_data_path", lambda *_, **__: tmp_path)


def opened(address, **options):
    rest = "&".join(f"{key}={value}" for key, value in options.items())
    source = open_address(f"{address}?roles=plus,minus&trigger=free&{rest}")
    source.open()
    return source


def test_what_was_heard_is_kept_by_the_scope_and_its_settings(address, capsys, tmp_path):
    words = [f"{address}?scale=0.1&trigger=free", "--roles", "plus,minus", "--seconds", "1"]
    assert main.run(["check-source", *words]) == 0
    told = capsys.readouterr().out
    assert re.search(r"pairs +lie [\d.]+ mV apart", told)
    (path,) = (tmp_path / "inputs").iterdir()
    kept = read_proof(path)
    assert kept.identity.settings == "0.1 V/div, AC, ×10, peak detect"
    assert kept.identity.columns == "differential of 2"
    assert 0.0 < kept.floor_low < kept.floor
    source = opened(address, scale=0.1)
    assert source.info.proof == kept
    setup = setup_for(source.info, load_profile("130mm-48tpi"), EnvelopeOptions())
    assert setup.quiet_floor_v == (kept.floor, kept.floor_low)
    source.close()
    source = opened(address, scale=0.2)
    assert source.info.proof is None
    assert any("was set to 0.1 V/div" in note and "is to 0.2" in note for note in source.info.notes)
    source.close()


def test_a_range_that_is_held_and_too_small_is_said():
    scope = VirtualScope(VirtualDrive(VirtualParams(carrier_hz=30e3)), "A2")
    refused = pytest.raises(SourceUnavailable, match=r"raise scale=0\.01, or leave it out")
    with ScopeServer(scope, "socket", port=0) as server, refused:
        opened(f"visa:{server.address}", scale=0.01)
    scope.close()
