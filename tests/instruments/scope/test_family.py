"""Families: what the program ships, what a user adds, and what a wrong file is told."""

import tomllib
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
