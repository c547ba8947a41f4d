"""Families: what the program ships, what a user adds, and what a wrong file is told."""

import os
import re
import tomllib
from dataclasses import replace
from importlib import resources

import pytest

from instruments.scope.family import FamilyError, read_family
from instruments.scope.lineage import UNTOLD
from instruments.scope.shelf import FamilyShelf, load_families, user_family_folder
from instruments.source import SourceUnavailable
from tests.instruments.scope.faultcase import MODELS

SHIPPED = resources.files("instruments.scope") / "families"
MATCH = 'match = ["RIGOL TECHNOLOGIES,DS1???Z*", "RIGOL TECHNOLOGIES,MSO1???Z*"]'
A2 = (SHIPPED / "A2.toml").read_text(encoding="utf-8")
FAMILIES = load_families()


def test_the_families_of_the_table_are_shipped():
    assert set(MODELS) == set(FAMILIES)


@pytest.mark.parametrize("name", sorted(FAMILIES))
def test_a_file_holds_no_brace_but_blanks(name):
    """Nothing in a file is evaluated: a blank is a bare name out of a closed set."""
    family = FAMILIES[name]
    text = (SHIPPED / f"{name}.toml").read_text(encoding="utf-8")
    assert tomllib.loads(text)["title"] == family.title
    assert UNTOLD not in family.sources.values()
    known = {"n", "s", "value", "points", "first", "last", "first0", "count"}
    assert set(re.findall(r"\{(\w+)\}", text)) <= known


@pytest.mark.parametrize(
    ("identity", "name"),
    [
        ("KEYSIGHT TECHNOLOGIES,MSO-X 3024A,MY1,1.0", "A1"),
        ("AGILENT TECHNOLOGIES,DSO-X 2024A,MY1,2.4", "A1"),
        ("AGILENT TECHNOLOGIES,DSO7014B,MY1,6.1", "A1"),
        ("KEYSIGHT TECHNOLOGIES,EDUX1002A,CN1,1.1", "A1"),
        ("RIGOL TECHNOLOGIES,DHO804,DHO8,00.01", "A2-10"),
        ("RIGOL TECHNOLOGIES,MSO5074,MS5A,00.01", "A2-10"),
        ("RIGOL TECHNOLOGIES,DS2072A,DS2D,00.03", "A2-14"),
        ("Rigol Technologies,DS1052E,DS1E,00.04", "A2-older"),
        ("TEKTRONIX,TDS 2012C,C1,CF:91.1CT", "B-2500"),
        ("TEKTRONIX,TBS 1052B-EDU,C1,CF:91.1CT", "B-2500"),
        ("TEKTRONIX,TBS2074,C1,CF:91.1CT", "B-15"),
        ("TEKTRONIX,MSO44,C1,CF:91.1CT", "B-45"),
        ("TEKTRONIX,MSO4054B,C1,CF:91.1CT", "B"),
        ("TEKTRONIX,DPO2024,C1,CF:91.1CT", "B-2000"),
        ("LECROY,T3DSO1204,T3D,8.2", "C2-probe"),
        ("SIGLENT,SDS1102CML+,SDS1,5.01", "C2-older"),
        ("Siglent Technologies,SDS2204X,SDS2,1.2", "C2"),
        ("Siglent Technologies,SHS1102X,SHS1,1.1", "C3-12"),
        ("HAMEG,HMO1202,1,05.8", "D-older"),
        ("Rohde&Schwarz,RTC1002,1,06.3", "D-older"),
        ("GW,GDS-1054B,G1,V1.27", "E"),
        ("RIGOL TECHNOLOGIES,DS1104Z,DS1,00.04", "A2"),
        ("TEKTRONIX,MDO3014,C1,CF:91.1CT", "B"),
        ("LECROY,WS3054,L1,7.1", "C1"),
        ("LECROY,LT344,L1,8.2.2", "C1-older"),
        ("Siglent Technologies,SDS1202X-E,SDS1,7.6", "C2"),
        ("Siglent Technologies,SDS2104X Plus,SDS2,1.3", "C3"),
        ("Siglent Technologies,SDS814X HD,SDS8,1.1", "C3"),
        ("Rohde&Schwarz,RTB2004,1,02.1", "D"),
    ],
)
def test_current_makers_are_recognised(identity, name):
    assert FAMILIES.choose(identity, None).name == name


@pytest.mark.parametrize(
    "identity",
    [
        # Large scopes with signed codes or another tree, and generators of the same makers.
        "KEYSIGHT TECHNOLOGIES,DSOX91604A,MY1,6.2",
        "KEYSIGHT TECHNOLOGIES,DSOS104A,MY1,6.2",
        "Rohde&Schwarz,RTO,1,4.7",
        "Rohde&Schwarz,MXO44,1,1.2",
        "RIGOL TECHNOLOGIES,DG1022Z,DG1,00.03",
        "TEKTRONIX,AFG3022C,C1,SCPI:99.0",
        "LECROY,WJ354A,1,1",
    ],
)
def test_what_no_family_was_written_for_is_not_taken(identity):
    with pytest.raises(SourceUnavailable, match="no family of commands fits it"):
        FAMILIES.choose(identity, None)


@pytest.mark.parametrize(
    ("identity", "scopes"),
    [
        # As public programs quote the answers; some of one maker's name none.
        ("OWON,XDS3204AE,1942097,V1.8.0->", "OWON"),
        ("Hantek,DSO2D15,CN21034,V1.2.3", "Hantek"),
        ("undefined,DSO2D15,CN2352029065656,3.0.0(230831.00)", "Hantek"),
        ("UNI-T Technologies,UPO6102N,APXA326100149,1. 01. 0027", "UNI-T"),
        ("UNI-T,UPO1102CS,123,1.0", "UNI-T"),
        ("Micsig,ETO5004,ETO-SERIAL-1,1.2.3", "Micsig"),
        ("YOKOGAWA,710130,91T828550,F5.10", "Yokogawa"),
        ("Agilent Technologies,DSO1024A,CN56301388,00.04.06 SP06", "Agilent DSO1000"),
    ],
)
def test_a_scope_that_is_known_and_has_no_family_is_sent_to_its_captures(identity, scopes):
    with pytest.raises(SourceUnavailable) as caught:
        FAMILIES.choose(identity, None)
    said = f"evenlobe has no commands for {scopes} scopes; save a capture as CSV and open that, or "
    assert str(caught.value) == (
        f"scope “{identity}”: {said}add a TOML file to “{user_family_folder()}”"
    )
    assert FAMILIES.choose(identity, "A2").name == "A2"


def test_an_unmatched_instrument_is_offered_the_nearest_and_never_taken():
    identity = "RIGOL,DS9999,1,1"
    with pytest.raises(SourceUnavailable) as caught:
        FAMILIES.choose(identity, None)
    assert "the nearest is A2" in str(caught.value)
    assert "family=A2" in str(caught.value)
    assert FAMILIES.choose(identity, "a2").name == "A2"
    with pytest.raises(SourceUnavailable, match="“Z9” is not known; use one of A1"):
        FAMILIES.choose(identity, "Z9")


def test_a_tie_names_both():
    family = FAMILIES["A2"]
    with pytest.raises(SourceUnavailable, match="the families one and two fit alike"):
        FamilyShelf({"one": family, "two": family}).choose("RIGOL TECHNOLOGIES,DS1054Z,1,1", None)


def test_a_user_adds_a_scope_and_overrides_one(tmp_path):
    own = A2.replace("RIGOL TECHNOLOGIES,DS1???Z*", "BENCH INSTRUMENTS,MODEL 7*")
    (tmp_path / "bench7.toml").write_text(own, encoding="utf-8")
    (tmp_path / "A1.toml").write_text(A2.replace("in codes", "mine"), encoding="utf-8")
    families = load_families(tmp_path)
    assert families.choose("Bench Instruments,Model 7B,1,1", None).name == "bench7"
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
        (MATCH, "match = []", "match is .*a list of words in quotes"),
        ('place = "centre"', 'place = "top"', 'place is .top.; it must be "centre" or'),
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
    assert "“odd.toml” is not UTF-8 at byte 0" in load_families(tmp_path).faults["odd"]


def test_a_file_that_cannot_be_used_is_passed_over_unless_it_is_asked_for(tmp_path):
    (tmp_path / "A2.toml").write_text(A2.replace("across = 12", "across = 200"), encoding="utf-8")
    (tmp_path / "mine.toml").write_text(LIKE.replace('"A2"', '"A9"'), encoding="utf-8")
    families = load_families(tmp_path)
    # Ours of the same name stands in.
    assert families.choose("RIGOL TECHNOLOGIES,DS1054Z,1,1", None) == FAMILIES["A2"]
    assert set(families) == set(FAMILIES)
    assert [note.partition("; ")[0] for note in families.notes] == [
        "scope family “A2.toml”: screen.across is 200",
        "scope family “mine.toml”: like is 'A9'",
    ]
    for named, said in (("a2", "screen.across is 200"), ("MINE", "like is 'A9'")):
        with pytest.raises(FamilyError, match=said):
            families.choose("RIGOL TECHNOLOGIES,DS1054Z,1,1", named)
    # It may be the one that would have fitted.
    with pytest.raises(SourceUnavailable, match=r"nearest is .*like is 'A9'; it must be"):
        families.choose("BENCH,1,1,1", None)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (f"{'a.' * 240}a = 1\n" * 200, "larger than 32 KiB"),
        (f"{'a.' * 40_000}a = 1\n", "larger than 32 KiB"),
        (f"{'a.' * 300}a = 1\n", "a line of more than 500 characters"),
        ("x = [\n" + 3000 * "[\n", "is nested too deeply"),
        (f"[{'a.' * 240}a]\n{'b.' * 200}b = {'{c=' * 4}1{'}' * 4}\n", "screen is missing"),
        (f"points = {'9' * 490}\n", "screen is missing"),
        (f"points = [\n{'9' * 490},\n]\n", "screen is missing"),
        ("", "screen is missing"),
    ],
)
def test_a_file_beyond_all_bounds_is_one_sentence(tmp_path, text, said):
    (tmp_path / "mine.toml").write_text(text, encoding="utf-8")
    (note,) = load_families(tmp_path).notes
    assert said in note
    assert len(note) < 300


def test_a_pipe_among_the_files_is_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "mine.toml")
    assert "“mine.toml” is no file" in load_families(tmp_path).faults["mine"]


SELECT = A2[A2.index("select = [\n") : A2.index("ask = { preamble")]


def test_what_a_file_need_not_say():
    text = A2.replace('errors = ":SYST:ERR?"\nprobe = ":CHAN{n}:PROB?"\n', "")
    for line in (
        'force = [":TFOR"]',
        'running = { ask = ":TRIG:STAT?", until = ["STOP"] }',
        'ready = [":RUN"]',
        SELECT,
    ):
        assert line in text
        text = text.replace(line, "")
    family = read_family("mine", text.partition("[deep]")[0])
    assert (family.name, family.terminator, family.init_commands) == ("mine", "\n", ())
    assert (family.errors, family.probe, family.points, family.deep) == ("", "", 0, None)
    assert family.heads == {"channel": "", "external": ""}
    assert (family.acquire.force, family.acquire.running, family.acquire.wait) == ((), None, "")
    assert (family.acquire.ready, family.farewell, family.pause_s) == ((), (), 0)
    marks = (family.unproved, family.decimals, family.probe_is_gain, family.level_before_probe)
    assert marks == (False,) * 4
    assert (family.waveform.rails, family.waveform.hole) == ((), None)
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


LIKE = """
title = "Like another"
like = "A2"
match = ["BENCH*"]
without = ["settings.memory", "deep"]

[screen]
across = 8

[settings.light]
set = "LIGHT {value}"
ask = "LIGHT?"
value = "OFF"

[sources]
"*" = "the guide, p. 1"
"screen.across" = "the guide, p. 2"
"""


def test_a_file_says_only_what_differs_and_its_keys_keep_their_sources(tmp_path):
    (tmp_path / "near.toml").write_text(LIKE, encoding="utf-8")
    families = load_families(tmp_path)
    near, base = families["near"], families["A2"]
    assert (near.title, near.match) == ("Like another", ("BENCH*",))
    assert (near.horizontal_divisions, near.vertical_divisions) == (8, 8)
    assert near.deep is None
    assert set(near.settings) == set(base.settings) - {"memory"} | {"light"}
    assert near.settings["light"].words == {"held": ("OFF",)}
    assert base.deep is not None
    assert "memory" in base.settings
    told = near.sources
    assert (told["screen.across"], told["settings.light.ask"]) == (
        "the guide, p. 2",
        "the guide, p. 1",
    )
    assert told["screen.up"] == base.sources["screen.up"]
    assert not any(path.startswith(("deep", "settings.memory")) for path in told)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('like = "A2"', 'like = "A9"', "like is 'A9'; it must be .*A1"),
        ('like = "A2"', 'like = "B-45"', "like is 'B-45'"),
        ('"deep"]', '"depth"]', "without is 'depth'; it must be keys of A2"),
        ('value = "OFF"', "", r"settings\.light\.value is missing"),
        ('"the guide, p. 1"', "1", r"sources\.\* is 1; it must be text on one line"),
    ],
)
def test_a_wrong_likeness_is_told(tmp_path, old, new, words):
    assert old in LIKE
    (tmp_path / "near.toml").write_text(LIKE.replace(old, new), encoding="utf-8")
    assert re.search(words, load_families(tmp_path).faults["near"])


def test_a_list_of_words_and_bits_that_must_be_clear():
    text = A2.replace(
        'done = { ask = ":TRIG:STAT?", until = ["STOP"] }', "done = { ask = 'S?', clear = 8 }"
    )
    family = read_family("mine", text)
    assert family.acquire.done is not None
    assert (family.acquire.done.clear, family.acquire.done.until) == (8, ())
    assert family.settings["memory"].words["live"] == ("120000", "60000", "30000")
    for wrong in ("[]", '["a", 1]', "1"):
        with pytest.raises(FamilyError, match=r"settings\.memory\.words\.live"):
            read_family("mine", A2.replace('["120000", "60000", "30000"]', wrong))


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
    assert FamilyShelf({"broad": broad, "narrow": narrow}).choose("MAKER,M12,1,1", None) is narrow
    assert broad.fit("MAKER,M12,1,1") == len("MAKER,")
    assert narrow.fit("maker,m12,1,1") == len("MAKER,M1,")
    assert narrow.fit("MAKER,M2,1,1") == 0
    bracketed = replace(broad, match=("M[AB]*",))
    assert (bracketed.fit("M[AB]1"), bracketed.fit("MA1")) == (5, 0)


FAMILIES_OF_TWO = tuple(
    replace(FAMILIES["A2"], match=(match,)) for match in ("MAKER,*", "MAKER,M1?,*")
)
