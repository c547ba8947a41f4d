"""Every model over its messages: understood, silent where it is to be, the lobes the drive's."""

import numpy as np
import pytest

from instruments.virtual.scope import FAMILIES, MODELS, states_of
from instruments.virtual.scope.model import ModelError, model
from instruments.virtual.scope.panel import new_front_panel
from instruments.virtual.scope.scope import ALIASES
from instruments.virtual.scope.speech import SPEECHES
from tests.instruments.virtual.scope.bench import (
    BASE_S,
    ERRORS,
    SETUPS,
    SINGLE,
    asker,
    block,
    fact,
    has_index,
    has_peak_detect,
    make_scope,
    ratio,
    read,
    set_up,
    single,
    span_s,
    take,
)

WITH_INDEX = [name for name in MODELS if has_index(name)]
WITH_CHANNEL_3 = [name for name in MODELS if fact(name).channels > 2]
WORDS = ("second hand:", "from memory", "guide", "manual", "data sheet", "/", "PyPI")


@pytest.fixture(params=MODELS)
def name(request):
    return request.param


def ready(name, **settings):
    """Return a scope that has taken one sweep, and the way to ask it."""
    scope = make_scope(name, **settings)
    ask = asker(scope)
    set_up(ask, name)
    take(ask, name)
    return scope, ask


def errors(ask, name):
    if fact(name).speech in ("rigol-older", "owon"):
        return 0
    return int(ask(ERRORS.get(fact(name).speech, ":SYST:ERR?")).decode().split(",")[0])


def test_there_are_enough_models_and_one_for_each_family():
    assert len(MODELS) >= 20
    assert set(ALIASES.values()) <= set(MODELS)
    assert {fact(name).speech for name in MODELS} == set(SPEECHES) == set(SETUPS) == set(SINGLE)
    assert FAMILIES == ("A1", "A2", "A2-older", "B", "C1", "C2", "C3", "D")


def test_the_screens_that_there_are():
    """10 and 12 divisions, and 14 to 18; scopes of two channels; peak detect or none."""
    assert {fact(name).traits.divisions for name in MODELS} == {10, 12, 14, 15, 15.2, 18}
    assert {fact(name).channels for name in MODELS} == {2, 4}
    assert {fact(name).traits.bits for name in MODELS} == {8, 10, 12}
    assert [name for name in MODELS if not has_peak_detect(name)]
    depths = [fact(name).traits.memory for name in MODELS]
    assert min(depths) <= 2500
    assert max(depths) >= 100e6


def test_each_fact_has_a_source(name):
    found = model(name)
    assert found.sources
    for key, source in found.sources.items():
        assert any(word in source for word in WORDS), f"{key}: {source}"


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ('speech = "rigol"', "speech is missing"),
        ('"port" = ', "sources is"),
        ("divisions = 12", "sources is"),
        ("channels = 4", "channels is missing"),
    ],
)
def test_a_file_without_a_fact_or_a_source_is_refused(change, said, tmp_path, monkeypatch):
    text = (files_of("ds1054z")).read_text()
    lines = [line for line in text.splitlines() if not line.startswith(change)]
    assert len(lines) < len(text.splitlines())
    (tmp_path / "models").mkdir()
    (tmp_path / "models" / "odd.toml").write_text("\n".join(lines))
    monkeypatch.setattr("instruments.virtual.scope.model.files", lambda _: tmp_path)
    with pytest.raises(ModelError, match=said):
        model.__wrapped__("odd")


def test_of_what_is_told_without_a_key_the_first_is_named(tmp_path, monkeypatch):
    keys = [f"odd_{letter}" for letter in "gdbface"]
    told = "".join(f'{key} = "from memory"\n' for key in keys)
    (tmp_path / "models").mkdir()
    text = files_of("ds1054z").read_text().replace("[sources]\n", f"[sources]\n{told}")
    (tmp_path / "models" / "odd.toml").write_text(text)
    monkeypatch.setattr("instruments.virtual.scope.model.files", lambda _: tmp_path)
    with pytest.raises(ModelError, match="each key of the file, as odd_a is not"):
        model.__wrapped__("odd")


def files_of(name):
    from importlib.resources import files

    return files("instruments.virtual.scope").joinpath("models", f"{name}.toml")


def test_identity_says_virtual_beside_the_model(name):
    scope = make_scope(name)
    found = fact(name)
    answer = b"".join(scope.reply(b"*IDN?\n")).decode().strip().removeprefix("*IDN ")
    assert answer == f"{found.maker},{found.product},VIRTUAL-{name},{found.firmware}"
    scope.close()


def test_unknown_headers_meet_silence(name):
    scope = make_scope(name)
    ask = asker(scope)
    for text in (":NONE:SUCH?", ":NONE:SUCH 1", "*NON?", "NONE"):
        assert ask(text) == b""
    assert len(scope.errors) == 4
    assert scope.errors.pop()[0] == -113
    scope.close()


def test_channels_that_are_not_there_meet_silence():
    for name in MODELS:
        if fact(name).channels > 2:
            continue
        scope = make_scope(name)
        ask = asker(scope)
        for text in (":CHAN3:DISP?", ":CHAN3:SCAL?", "C3:VDIV?", "CH3:SCA?", "CHAN3:STAT?"):
            assert ask(text) == b""
        assert 3 not in scope.panel.channels
        scope.close()


def test_the_set_up_is_understood(name):
    scope = make_scope(name)
    ask = asker(scope)
    set_up(ask, name)
    assert errors(ask, name) == 0
    assert len(scope.errors) == 0
    panel = scope.panel
    assert panel.seconds_per_div == BASE_S
    assert panel.acquisition == ("peak" if has_peak_detect(name) else "normal")
    assert panel.channels[1].volts_per_div == pytest.approx(0.06)
    if has_index(name):
        assert panel.trigger.edge.source == (3 if fact(name).channels > 2 else -1)
        assert panel.trigger.edge.level_v == pytest.approx(2.5)
        assert panel.trigger.edge.slope == "fall"
    scope.close()


@pytest.mark.parametrize("name", WITH_INDEX)
@pytest.mark.few(12)
def test_the_lobes_are_the_drives(name):
    scope, ask = ready(name)
    # 600 points, 300 pairs, and codes of 2.4 mV, are the coarsest.
    assert ratio(ask, name) == pytest.approx(scope.truth().ratio, abs=0.01)
    got = read(ask, name, 1)
    if got.increment_s is not None and has_peak_detect(name):
        assert got.volts.size * got.increment_s == pytest.approx(span_s(name), rel=2e-3)
    scope.close()


@pytest.mark.parametrize("name", WITH_CHANNEL_3)
def test_volts_and_times_are_right_whatever_the_range(name):
    """The index stands at 5 V, falls to 0 V in its pulse of 4 ms, and comes each 0.2 s."""
    scope, ask = ready(name)
    index = read(ask, name, 3).volts
    # A code, and half of one where the origin is told as a whole number of them.
    assert index.max() == pytest.approx(5.0, abs=1.5 / 25)
    assert index.min() == pytest.approx(0.0, abs=1.5 / 25)
    pulse = round(index.shape[0] * 0.004 / span_s(name))
    assert index[1 : pulse - 1].max() < 0.5
    assert index[pulse + 1 : 4 * pulse, 0].min() > 4.4
    falls = np.flatnonzero((index[1:, 0] < 2.5) & (index[:-1, 0] >= 2.5)) + 1
    assert falls[0] == pytest.approx(index.shape[0] * 0.2 / span_s(name), rel=0.01)
    scope.close()


@pytest.mark.parametrize("name", sorted(set(ALIASES.values())))
def test_what_exceeds_the_range_is_held_at_the_rails(name):
    scope, ask = ready(name, params={"amplitude_v": 4.0})
    volts, traits = read(ask, name, 2).volts, fact(name).traits
    low, high = (rail / traits.codes_per_div * 0.06 for rail in traits.rails)
    # Half a division up on the models that were set so.
    up = 0.03 if fact(name).speech == "tektronix" else 0.0
    assert volts.max() == pytest.approx(high - up, abs=1e-3)
    assert volts.min() == pytest.approx(low - up, abs=1e-3)
    scope.close()


def test_every_state_that_somebody_may_leave_is_there_and_a_reset_undoes_it(name):
    scope = make_scope(name)
    fresh = new_front_panel(fact(name).traits.memory, fact(name).channels)
    assert len(states_of(name)) >= 8
    for state in states_of(name):
        scope._leave(state)
        scope.reply(b"*RST\n")
        assert scope.panel == fresh, state
    scope.close()
    with pytest.raises(ValueError, match="state “upside down” is not known; use "):
        make_scope(name, left=["upside down"])


SHOWN = ("stopped", "armed", "inverted", "position", "ac", "average", "maths")


@pytest.mark.parametrize("state", SHOWN)
@pytest.mark.few(80)
def test_states_show_on_the_panel(name, state):
    if state not in states_of(name):
        assert state in ("inverted", "average", "maths", "position")
        return
    scope = make_scope(name, left=[state])
    panel, fresh = scope.panel, new_front_panel(fact(name).traits.memory, fact(name).channels)
    found = {
        "stopped": lambda: scope._acquisition.stopped,
        "armed": lambda: scope._acquisition.awaited,
        "inverted": lambda: panel.channels[1].inverted,
        "position": lambda: (panel.delay_s, panel.reference) != (fresh.delay_s, fresh.reference),
        "ac": lambda: panel.channels[1].coupling == "ac",
        "average": lambda: panel.acquisition == "average",
        "maths": lambda: panel.channels[0].on,
    }[state]()
    assert found
    scope.close()


def test_an_inverted_channel_turns_its_sign():
    scope, ask = ready("mso44")
    plain = read(ask, "mso44", 3).volts
    ask("CH3:INV ON;:CH3:OFFS -2.5;:TRIG:A:LEV:CH3 -2.5;:TRIG:A:EDGE:SLO RIS")
    take(ask, "mso44")
    turned = read(ask, "mso44", 3).volts
    assert (turned.min(), turned.max()) == pytest.approx((-plain.max(), -plain.min()), abs=1.5 / 25)
    scope.close()


@pytest.mark.parametrize(
    ("name", "first", "both"),
    [
        ("ds1054z", 24_000_000, 12_000_000),
        ("ds2072a", 14_000_000, 7_000_000),
        ("sds1204x-e", 14_000_000, 7_000_000),
        ("dho804", 10_000, 10_000),
        ("mso44", 1_000_000, 1_000_000),
        ("tds2012c", 2500, 2500),
    ],
)
def test_depths_hang_on_the_channels_in_use(name, first, both):
    scope = make_scope(name)
    traits = fact(name).traits
    assert traits.memory_now(scope.panel) == first
    scope.panel.channels[2].on = True
    assert traits.memory_now(scope.panel) == both
    scope.close()


def test_a_deep_memory_is_told_whole_and_read_in_parts():
    """No more than a million codes are made; every part of the memory is there."""
    scope = make_scope("ds1054z")
    ask = asker(scope)
    assert ask(":ACQ:MDEP?") == b"AUTO\n"
    ask(":TIM:SCAL 0.05;:STOP;:WAV:MODE RAW;SOUR CHAN1")
    ask(":WAV:STAR 1;STOP 24000000")
    assert ask(":WAV:PRE?").split(b",")[2] == b"24000000"
    assert block(ask(":WAV:DATA?"))[0] == b""
    ask(":WAV:STAR 23999901;STOP 24000000")
    assert len(block(ask(":WAV:DATA?"))[0]) == 100
    scope.close()


@pytest.mark.parametrize("name", ["ds1054z", "sds1204x-e", "sds2104x-plus"])
def test_a_depth_is_refused_while_the_scope_stands_still(name):
    scope = make_scope(name)
    ask = asker(scope)
    stop, put = {
        "ds1054z": (":STOP", ":ACQ:MDEP 12000"),
        "sds1204x-e": ("STOP", "MSIZ 14K"),
        "sds2104x-plus": (":TRIG:STOP", ":ACQ:MDEP 20k"),
    }[name]
    before = scope.panel.memory
    ask(stop)
    ask(put)
    assert scope.panel.memory == before
    assert scope.errors.pop()[0] == -221
    scope.close()


def test_old_data_until_the_sweep_is_acknowledged():
    for name in ("dsox3024t", "mdo3024", "sds1204x-e", "sds2104x-plus", "waverunner-lt344"):
        scope, ask = ready(name)
        before, count = read(ask, name, 1).volts, scope.records
        scope.nudge(60.0)
        ask(single(name))
        if name != "dsox3024t":  # which shows the screen, of fewer points, while it runs
            assert np.array_equal(read(ask, name, 1).volts, before), name
        assert scope.records == count
        ask("*OPC?")
        assert not np.array_equal(read(ask, name, 1).volts, before), name
        assert scope.records == count + 1
        scope.close()
