"""Families: what the program ships, what a user adds, and what a wrong file is told."""

import tomllib
from dataclasses import replace
from importlib import resources

import pytest

from instruments.scope.family import FamilyError, choose, load_families, read_family
from instruments.source import SourceUnavailable

SHIPPED = resources.files("instruments.scope") / "families"
A2 = (SHIPPED / "A2.toml").read_text(encoding="utf-8")


def test_the_families_of_the_table_are_shipped():
    assert {"A1", "A2", "B", "C1", "C2", "C3", "D"} <= set(load_families())


@pytest.mark.parametrize("name", sorted(load_families()))
def test_a_file_holds_no_brace_but_blanks(name):
    """Nothing in a file is evaluated: a blank is a bare name out of a closed set."""
    family = load_families()[name]
    text = (SHIPPED / f"{name}.toml").read_text(encoding="utf-8")
    assert tomllib.loads(text)["title"] == family.title
    known = {"n", "s", "value", "points", "first", "last", "first0", "count"}
    assert set(__import__("re").findall(r"\{(\w+)\}", text)) <= known


@pytest.mark.parametrize(
    ("identity", "name"),
    [
        ("KEYSIGHT TECHNOLOGIES,MSO-X 3024A,MY1,1.0", "A1"),
        ("RIGOL TECHNOLOGIES,DS1104Z,DS1,00.04", "A2"),
        ("TEKTRONIX,MDO3014,C1,CF:91.1CT", "B"),
        ("LECROY,WS3054,L1,7.1", "C1"),
        ("Siglent Technologies,SDS1202X-E,SDS1,7.6", "C2"),
        ("Siglent Technologies,SDS2104X Plus,SDS2,1.3", "C3"),
        ("Siglent Technologies,SDS814X HD,SDS8,1.1", "C3"),
        ("Rohde&Schwarz,RTB2004,1,02.1", "D"),
    ],
)
def test_current_makers_are_recognised(identity, name):
    assert choose(load_families(), identity, None).name == name


def test_an_unmatched_instrument_is_offered_the_nearest_and_never_taken():
    identity = "RIGOL,DS9999,1,1"
    with pytest.raises(SourceUnavailable) as caught:
        choose(load_families(), identity, None)
    assert "the nearest is A2" in str(caught.value)
    assert "family=A2" in str(caught.value)
    assert choose(load_families(), identity, "a2").name == "A2"
    with pytest.raises(SourceUnavailable, match="“Z9” is not known; use one of A1"):
        choose(load_families(), identity, "Z9")


def test_a_tie_names_both():
    family = load_families()["A2"]
    with pytest.raises(SourceUnavailable, match="the families one and two fit alike"):
        choose({"one": family, "two": family}, "RIGOL TECHNOLOGIES,X,1,1", None)


def test_a_user_adds_a_scope_and_overrides_one(tmp_path):
    own = A2.replace("RIGOL TECHNOLOGIES,*", "BENCH INSTRUMENTS,MODEL 7*")
    (tmp_path / "bench7.toml").write_text(own, encoding="utf-8")
    (tmp_path / "A1.toml").write_text(A2.replace("in codes", "mine"), encoding="utf-8")
    families = load_families(tmp_path)
    assert choose(families, "Bench Instruments,Model 7B,1,1", None).name == "bench7"
    assert families["A1"].title.endswith("mine")
    assert families["A2"].title.endswith("in codes")


def test_the_user_s_folder_is_below_the_configuration(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    folder = tmp_path / "evenlobe" / "scopes"
    folder.mkdir(parents=True)
    (folder / "own.toml").write_text(A2, encoding="utf-8")
    assert "own" in load_families()


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("across = 12", "across = 200", "screen.across is 200; it must be a number from 4 to 20"),
        ("across = 12", "", "screen.across is missing; add it"),
        (
            "across = 12",
            "across = 12\nwide = 1",
            "screen.wide is not a key; mend it or take it out",
        ),
        ('codes = "uint8"', 'codes = "uint9"', 'waveform.codes is .uint9.; it must be "uint8" or'),
        ('parser = "ten-fields"', 'parser = "eval"', "waveform.parser is 'eval'; it must be"),
        ('"reference-and-origin"', '"gain"', 'waveform.scale is .gain.; it must be "reference" or'),
        ("ask = { preamble =", "ask = { pre =", "waveform.ask is 'pre'; it must be a table of pre"),
        (
            ":WAV:SOUR CHAN{n}",
            ":WAV:SOUR CHAN{n.__class__}",
            r"waveform.select is \[':WAV:SOUR CHAN",
        ),
        (":WAV:SOUR CHAN{n}", ":WAV:SOUR CHAN{n!r}", "a command in ASCII with no blanks but"),
        (":WAV:SOUR CHAN{n}", ":WAV:SOUR CHAN{", "a command in ASCII with no blanks but"),
        (":WAV:DATA?", ":WAV:DATA?\\n*RST", "waveform.data is ':WAV:DATA"),
        ('ac = "AC"', 'ac = ""', "settings.coupling.words.ac is ''"),
        ('ac = "AC", ', "", "settings.coupling.words.ac is missing"),
        ('match = ["RIGOL TECHNOLOGIES,*"]', "match = []", "match is .*a list of words in quotes"),
        ('place = "centre"', 'place = "left"', 'place is .left.; it must be "centre" or'),
        ("[settings]", "[settings", "cannot be read"),
        ('until = ["STOP"] }\nrun', "until = 1 }\nrun", "acquire.done.until is 1"),
        ("most_points = 250_000", "most_points = true", "waveform.most_points is true"),
    ],
)
def test_a_wrong_file_is_told_file_key_value_and_what_is_allowed(old, new, words):
    assert old in A2
    with pytest.raises(FamilyError, match=words) as caught:
        read_family("mine", A2.replace(old, new))
    assert "scope family “mine.toml”" in str(caught.value)


def test_a_file_that_is_no_text_is_named(tmp_path):
    (tmp_path / "odd.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(FamilyError, match=r"“odd\.toml” is not UTF-8 at byte 0"):
        load_families(tmp_path)


def test_what_a_file_need_not_say():
    text = A2.replace('errors = ":SYST:ERR?"\nprobe = ":CHAN{n}:PROB?"\n', "")
    for line in (
        'force = [":TFOR"]',
        'running = { ask = ":TRIG:STAT?", until = ["STOP"] }',
        'select = [":WAV:SOUR CHAN{n}", ":WAV:MODE NORM", ":WAV:FORM BYTE"]',
    ):
        assert line in text
        text = text.replace(line, "")
    family = read_family("mine", text.partition("[deep]")[0])
    assert (family.name, family.terminator, family.init_commands) == ("mine", "\n", ())
    assert (family.errors, family.probe, family.points, family.deep) == ("", "", 0, None)
    assert family.heads == {"channel": "", "external": ""}
    assert (family.acquire.force, family.acquire.running, family.acquire.wait) == ((), None, "")
    assert family.acquire.acknowledge == ""
    waveform = family.waveform
    assert (waveform.select, waveform.blocks, waveform.pages.send) == ((), (), ())
    assert (waveform.pages.most_a_read, waveform.pages.limit) == (10**9, "")
    whole = read_family("mine", A2)
    assert whole.deep is not None
    assert (whole.deep.pages.most_a_read, len(whole.deep.pages.send)) == (250_000, 2)
    assert (whole.deep.select[0], whole.deep.after[0]) == (":STOP", ":WAV:MODE NORM")
    assert "detect" not in read_family("mine", _without_detect()).settings


def _without_detect():
    head, _, tail = A2.partition("[settings.detect]")
    return head + "[settings.memory]" + tail.partition("[settings.memory]")[2]


@pytest.mark.parametrize(
    ("old", "new", "kept"),
    [("across = 12", f"across = {n}", 4 <= n <= 20) for n in (3.9, 4, 20, 20.1)]
    + [("most_points = 250_000", f"most_points = {n}", n >= 100) for n in (99, 100, 10**9)]
    + [("most_a_read = 250_000", f"most_a_read = {n}", n >= 100) for n in (99, 100, 10**9)]
    + [('place = "centre"', f'place = "centre"\npoints = {n}', n >= 0) for n in (-1, 0, 10**9)]
    + [("most_points = 250_000", "most_points = 1_000_000_001", False)]
    + [("most_a_read = 250_000", "most_a_read = 1_000_000_001", False)]
    + [('place = "centre"', 'place = "centre"\npoints = 1_000_000_001', False)],
)
def test_numbers_of_a_file_have_limits(old, new, kept):
    assert old in A2
    if kept:
        read_family("mine", A2.replace(old, new))
    else:
        with pytest.raises(FamilyError, match=r"it must be a number from .* to"):
            read_family("mine", A2.replace(old, new))


def test_a_record_that_is_waited_for_needs_no_start_and_no_poll():
    done = 'start = [":SING"]'
    waits = A2.replace(done, 'wait = "*OPC?"').replace(
        'done = { ask = ":TRIG:STAT?", until = ["STOP"] }\n', ""
    )
    acquire = read_family("mine", waits).acquire
    assert (acquire.wait, acquire.start, acquire.done) == ("*OPC?", (), None)
    with pytest.raises(FamilyError, match=r"acquire\.start is missing"):
        read_family("mine", A2.replace(done, ""))


def test_data_whose_query_names_no_channel_need_what_was_chosen():
    chosen = 'chosen = ":WAV:SOUR?"\n'
    with pytest.raises(FamilyError, match=r"waveform\.chosen is missing"):
        read_family("mine", A2.replace(chosen, ""))
    with pytest.raises(FamilyError, match=r"waveform\.choice is missing"):
        read_family("mine", A2.replace('choice = "CHAN{n}"\n', ""))
    named = A2.replace(chosen, "").replace('choice = "CHAN{n}"\n', "")
    waveform = read_family("mine", named.replace(":WAV:DATA?", ":WAV:DATA? CHAN{n}")).waveform
    assert (waveform.chosen, waveform.choice) == ("", "")


def test_the_longest_spelt_pattern_wins_and_brackets_are_letters():
    broad, narrow = FAMILIES_OF_TWO
    assert choose({"broad": broad, "narrow": narrow}, "MAKER,M12,1,1", None) is narrow
    assert broad.fit("MAKER,M12,1,1") == len("MAKER,")
    assert narrow.fit("maker,m12,1,1") == len("MAKER,M1,")
    assert narrow.fit("MAKER,M2,1,1") == 0
    bracketed = replace(broad, match=("M[AB]*",))
    assert (bracketed.fit("M[AB]1"), bracketed.fit("MA1")) == (5, 0)


FAMILIES_OF_TWO = tuple(
    replace(load_families()["A2"], match=(match,)) for match in ("MAKER,*", "MAKER,M1?,*")
)
