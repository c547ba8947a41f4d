"""check-scope: every command of the match is walked through, shown, and judged."""

import pytest

from instruments.scope.check import check_scope
from instruments.scope.shelf import FamilyShelf, load_families
from instruments.source import AddressError, SourceUnavailable
from instruments.virtual.scope import ScopeServer
from tests.instruments.scope.faultcase import MODELS, new_scope
from tests.instruments.scope.record_transcripts import LONG


def walk(scope, options=""):
    lines = []
    with ScopeServer(scope, "socket", port=0) as server:
        fits = check_scope(f"visa:{server.address}{options}", lines.append)
    scope.close()
    return fits, lines


TWO = ("ds2072a", "hmo1202", "sds1102cml", "shs1102x")
QUICK = [name for family, name in MODELS.items() if family not in LONG]


@pytest.mark.parametrize("family", QUICK)
@pytest.mark.few(3)
def test_every_command_is_walked_through_and_fits(family):
    fits, lines = walk(new_scope(family))
    assert fits, "\n".join(lines)
    assert lines[-1] == "Everything fits."
    assert "  > *IDN?" in lines
    known = load_families()[next(name for name, alias in MODELS.items() if alias == family)]
    for setting in known.settings.values():
        at = lines.index(f"Setting {setting.name}:")
        assert lines[at + 1] == f"  source: {known.sources[f'settings.{setting.name}.ask']}"
    for n in (1, 2) if family in TWO else (1, 2, 3):
        assert f"  > {known.waveform.data.format(n=n)}" in lines
        at = lines.index(f"Record of channel {n}:")
        end = next(line for line in lines[at:] if line.startswith("  fits:"))
        assert ("pairs of" in end) is ("detect" in known.settings)
    assert any("settings as they were found" in line for line in lines)


def test_a_refused_setting_is_told_and_the_panel_put_back():
    scope = new_scope("A2")
    scope.inject("refuse", count=1)
    fits, lines = walk(scope)
    assert not fits
    assert any("does not fit" in line and "does not take :TIM:SCAL" in line for line in lines)
    assert lines[-1].endswith("do not fit.")
    assert scope.panel.seconds_per_div == 1e-3


def test_of_a_scope_that_has_no_family_none_is_tried():
    lines = []
    scope = new_scope("owon-sds1104")
    sentence = pytest.raises(SourceUnavailable, match="has no commands for OWON scopes; save a")
    with ScopeServer(scope, "socket", port=0) as server, sentence:
        check_scope(f"visa:{server.address}", lines.append)
    scope.close()
    assert [line for line in lines if line.startswith("  >")] == ["  > *IDN?"]


def test_a_family_that_does_not_fit_says_which_queries_are_not_answered(monkeypatch):
    # Nearly all of its queries are waited for in vain.
    monkeypatch.setattr("instruments.scope.check._ANSWER_S", 0.3)
    fits, lines = walk(new_scope("A2"), "?family=D")
    assert not fits
    at = lines.index("Setting display:")
    assert "no answer to CHAN1:STAT?" in "\n".join(lines[at : at + 5])


def test_an_unmatched_scope_is_offered_the_nearest_and_left_alone(monkeypatch):
    scope = new_scope("A2")
    families = {
        name: family
        for name, family in load_families().items()
        if not family.fit("RIGOL TECHNOLOGIES,DS1054Z,0,1")
    }
    near = load_families()["A2-older"]
    shelf = FamilyShelf(
        {**families, "A2-older": near}, {"mine": "scope family “mine.toml”: faulty"}
    )
    monkeypatch.setattr("instruments.scope.check.load_families", lambda: shelf)
    fits, lines = walk(scope)
    assert not fits
    assert "  scope family “mine.toml”: faulty; until then it is passed over." in lines
    assert "family=A2-older" in lines[-1]
    assert "No family matches" in lines[-1]
    sent = [line for line in lines if line.startswith("  > ")]
    assert all(line.endswith("?") for line in sent)


def test_what_is_no_address_or_nobody():
    with pytest.raises(AddressError, match="is not where a scope can be"):
        check_scope("visa:nowhere", print)
    with pytest.raises(SourceUnavailable, match="nothing answers"):
        check_scope("visa:TCPIP::127.0.0.1::9::SOCKET", print)
