"""Profiles of the user's own: taking over, replacing, and everything that may be wrong in one."""

import json
import math
import os
import re
import sys
from dataclasses import fields
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import app.profiles
from app.cli.main import run
from app.profiles import (
    SPECS,
    AlignmentWindow,
    Profile,
    ProfileError,
    load_profile,
    profile_as_text,
    profile_names,
    profiles_as_text,
)
from app.profiles.files import user_profile_folder

BASE = 'title = "Mine"\nbase = "130mm-48tpi"\n'
DISK = 'title = "Certified"\nbase = "130mm-48tpi"\n'
CERTIFICATE = """
[pattern]
geometry = { value = "boundary", source = "certificate 7" }
pairs = { value = 1, source = "certificate 7" }
first_lobe = { value = "inward", source = "certificate 7" }
scale_um = { value = 161.5, u = 1.2, calibrated = true, source = "certificate 7" }
[certificate]
date = { value = 1987-05-31, source = "certificate 7" }
temperature_c = { value = 21.5, source = "certificate 7" }
"""


@pytest.fixture
def own(tmp_path, monkeypatch):
    """Writes files of the user's own; returns the folder's path for each."""
    monkeypatch.setattr("app.profiles.files.user_config_path", lambda *_, **__: tmp_path)

    def write(text, name="mine.toml"):
        path = tmp_path / "profiles" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return write


def fault_of(name="mine"):
    with pytest.raises(ProfileError) as caught:
        load_profile(name)
    text = str(caught.value)
    assert text.isprintable()
    assert len(text) < 1000
    return text


# -- what a user may do --------------------------------------------------------------------------


def test_a_profile_of_one_s_own_takes_over_what_it_does_not_state(own):
    own(BASE + '[spindle]\nspeed_rpm = { value = 301, source = "plate" }\n')
    mine, base = load_profile("mine"), load_profile("130mm-48tpi")
    assert "mine" in profile_names()
    assert (mine.name, mine.title, mine.speed_rpm) == ("mine", "Mine", 301.0)
    sources = dict(mine.sources)
    assert sources.pop("spindle.speed_rpm") == "plate"
    assert sources.items() <= dict(base.sources).items()
    differing = {each.name for each in fields(Profile)} - {"name", "title", "speed_rpm", "sources"}
    assert all(getattr(mine, name) == getattr(base, name) for name in differing)
    # Derived, so it follows.
    assert mine.carrier_hz / base.carrier_hz == pytest.approx(301 / 300)


def test_a_disk_of_one_s_own_brings_its_certificate(own):
    own(BASE + 'disk = "certified"\n')
    own(DISK + CERTIFICATE, "disks/certified.toml")
    profile = load_profile("mine")
    assert (profile.disk, profile.disk_title) == ("certified", "Certified")
    assert (profile.scale_um, profile.scale_u_um, profile.calibrated) == (161.5, 1.2, True)
    assert (profile.geometry, profile.pairs, profile.first_lobe_outward) == ("boundary", 1, False)
    assert profile.certificate_date == "1987-05-31"
    assert profile.certificate_temperature_c == 21.5
    assert profile.azimuth_track == load_profile("130mm-48tpi").azimuth_track
    assert dict(profile.sources)["certificate.date"] == "certificate 7"


def test_a_file_of_the_program_s_name_goes_before_it_and_may_build_on_it(own):
    own(BASE + '[limits]\nset = { value = 0.1, source = "house rule" }\n', "130mm-48tpi.toml")
    profile = load_profile("130mm-48tpi")
    assert (profile.title, profile.set_limit, profile.check_limit) == ("Mine", 0.1, 0.3)
    # What builds on that name has the user's, too.
    assert load_profile("130mm-96tpi").set_limit == 0.1
    assert profile_names().count("130mm-48tpi") == 1


def test_a_file_as_an_editor_on_windows_stores_it(own):
    own(b"\xef\xbb\xbf" + BASE.replace("\n", "\r\n").encode())
    assert load_profile("mine").title == "Mine"


def test_what_is_no_profile_is_not_listed(own):
    path = own(BASE)
    (path.parent / "folder.toml").mkdir()
    own(BASE, "notes.txt")
    if sys.platform != "win32":
        own(BASE, "red\x1b[31m.toml")
        os.mkfifo(path.parent / "pipe.toml")
    assert set(profile_names()) - {"mine"} == {
        "130mm-48tpi",
        "130mm-48tpi-35-tracks",
        "130mm-48tpi-five-tracks",
        "130mm-48tpi-leadscrew",
        "130mm-48tpi-one-side",
        "130mm-96tpi",
        "130mm-96tpi-13262",
        "200mm-48tpi",
        "200mm-48tpi-one-side",
        "90mm-135tpi",
        "90mm-135tpi-15916",
    }


WINDOWS = """
[pattern]
geometry = { value = "windows", source = "paper" }
[pattern.windows]
value = [
  { start_deg = 190, length_deg = 45.5, side = "inward" },
  { start_deg = 15, length_deg = 100, side = "outward" },
]
source = "paper"
"""


def test_a_disk_states_its_windows_in_any_order(own):
    own(BASE + 'disk = "certified"\n')
    own(DISK + WINDOWS, "disks/certified.toml")
    profile = load_profile("mine")
    assert profile.geometry == "windows"
    assert profile.windows == (
        AlignmentWindow(15.0, 100.0, outward=True),
        AlignmentWindow(190.0, 45.5, outward=False),
    )
    row = re.sub(" {2,}", " | ", profile_as_text(profile))
    assert "pattern.windows | 15° to 115° outward, 190° to 235.5° inward | – | paper" in row


# -- what is wrong in a file ---------------------------------------------------------------------

SOURCE = ', source = "s" }'
WRONG = [
    (
        "[spindle]\nspeed_rpm = { value = 30" + SOURCE,
        ["spindle.speed_rpm is 30;", "250 to 400 rpm"],
    ),
    ("[spindle]\nspeed_rpm = { value = true" + SOURCE, ["spindle.speed_rpm is true;", "250"]),
    ("[spindle]\nspeed_rpm = { value = nan" + SOURCE, ["spindle.speed_rpm is nan;", "250"]),
    ("[spindle]\nspeed_rpm = { value = inf" + SOURCE, ["spindle.speed_rpm is inf;", "250"]),
    ('[spindle]\nspeed_rpm = { value = "x"' + SOURCE, ["spindle.speed_rpm is 'x';", "250"]),
    ("[spindle]\nspeed_rpm = 300", ["spindle.speed_rpm is 300;", "a table", "source"]),
    ("[spindle]\nspeed_rpm = { value = 300 }", ["spindle.speed_rpm.source is missing"]),
    ('[spindle]\nspeed_rpm = { source = "s" }', ["spindle.speed_rpm is missing"]),
    ('[spindle]\nspeed_rpm = { value = 300, source = " " }', ["spindle.speed_rpm.source is ' '"]),
    ("[spindle]\nspeed_rpm = { value = 300, source = 3 }", ["spindle.speed_rpm.source is 3;"]),
    ('[spindle]\nspeed_rpm = { value = 300, source = "\\u001b[2J" }', ["source is", "one line"]),
    ('[spindle]\nspeed_rpm = { value = 300, source = "a\\nb" }', ["source is", "one line"]),
    ('[spindle]\nspeed_rpm = { value = 300, source = "\\u202ex" }', ["source is", "one line"]),
    ("[spindle]\nspeed_rpm = { value = 300, u = 1" + SOURCE, ["spindle.speed_rpm", "source and"]),
    ("[spindle]\nspeed = { value = 300" + SOURCE, ["'spindle.speed' is not a key"]),
    ("[spindel]\nspeed_rpm = { value = 300" + SOURCE, ["'spindel' is not a key"]),
    ("colour = 3", ["'colour' is not a key"]),
    ('"a\\u001b\\nb" = 3', ["is not a key"]),
    ("[pattern]\npairs = { value = 1" + SOURCE, ["'pattern' is not a key"]),
    ("spindle = 3", ["spindle is 3;", "[spindle]"]),
    ("[track]\nalignment = { value = 16.5" + SOURCE, ["track.alignment is 16.5;", "whole"]),
    ("[track]\nalignment = { value = 40" + SOURCE, ["track.alignment is 40;", "0 to 39"]),
    ("[track]\ncount = { value = 0x" + "f" * 400 + SOURCE, ["track.count is", "1 to 256"]),
    ("[track]\nreference_radius_mm = { value = 57" + SOURCE, ["radius_mm is 57;", "a list of 1"]),
    ("[track]\nreference_radius_mm = { value = []" + SOURCE, ["radius_mm is [];", "a list of 1"]),
    ("[track]\nreference_radius_mm = { value = [57, 5]" + SOURCE, ["[57, 5]", "10 to 120 mm"]),
    ("[track]\nreference_radius_mm = { value = [20]" + SOURCE, ["[20.0]", "track 39", "-0.6"]),
    ("[limits]\nset = { value = 0.31" + SOURCE, ["limits.set is 0.31;", "limits.check, 0.3"]),
    ('disk = "none"', ["alignment disk “none” is not known", "90mm-135tpi"]),
    ('disk = "../130mm-48tpi"', ["alignment disk “../130mm-48tpi” is not known"]),
    ("disk = 3", ["disk is 3;", "text"]),
    ("[spindle", ["cannot be read"]),
    ("[spindle]\nspeed_rpm = 9" + "9" * 450, ["speed_rpm is 99999"]),
    ("# " + "x" * 600, ["a line of more than 500 characters"]),
    ("# x\n" * 10_000, ["larger than 32 KiB"]),
    ("x = " + "[\n" * 9000, ["nested too deeply"]),
    ("x = " + ".\n".join(["1"] * 9), ["cannot be read"]),
]


@pytest.mark.parametrize(("text", "said"), WRONG, ids=lambda part: repr(part)[:50])
def test_a_wrong_file_is_told_by_name_key_value_and_range(own, text, said):
    path = own(BASE + text)
    fault = fault_of()
    assert f"profile “{path}”" in fault
    for words in said:
        assert words in fault


def zeros(tracks, heads):
    lists = f"value = [1, 2], u = [1, 1], tracks = {tracks}, heads = {heads}"
    return "[certificate]\nzero_um = { " + lists + SOURCE


WRONG_DISKS = [
    ("[pattern]\nscale_um = { value = 0, u = 1, calibrated = true" + SOURCE, ["scale_um is 0;"]),
    ("[pattern]\nscale_um = { value = 178, calibrated = true" + SOURCE, ["scale_um.u is missing"]),
    ("[pattern]\nscale_um = { value = 178, u = 1" + SOURCE, ["scale_um.calibrated is missing"]),
    (
        '[pattern]\nscale_um = { value = 178, u = 1, calibrated = "no"' + SOURCE,
        ["pattern.scale_um.calibrated is 'no'; it must be true or false"],
    ),
    ('[pattern]\ngeometry = { value = "beat"' + SOURCE, ["geometry is 'beat';", '"two-band"']),
    ("[pattern]\nfirst_lobe = { value = {}" + SOURCE, ["first_lobe is {};", '"inward"']),
    ("[azimuth]\ntrack = { value = 40" + SOURCE, ["azimuth.track is 40;", "0 to 39"]),
    ("[azimuth]\nangles_arcmin = { value = [12, 999]" + SOURCE, ["[12, 999];", "-120 to 120"]),
    ("[index]\ntracks = { value = [1, 41]" + SOURCE, ["index.tracks is (1, 41);", "0 to 39"]),
    ("[certificate]\ndate = { value = 1987-05-31" + SOURCE, ["temperature_c is missing beside"]),
    ("[certificate]\ntemperature_c = { value = 20" + SOURCE, ["date is missing beside"]),
    ('[certificate]\ndate = { value = "1987"' + SOURCE, ["date is '1987';", "1987-05-31"]),
    ("[certificate]\ndate = { value = 1987-05-31T10:00:00" + SOURCE, ["1987-05-31T10:00:00;"]),
    ("[certificate]\ndate = { value = 1987-13-31" + SOURCE, ["cannot be read"]),
    ("[certificate]\ndisk = { value = 7" + SOURCE, ["disk is 7;", "text on one line"]),
    ("[certificate]\ndue = { value = 2027" + SOURCE, ["due is 2027;", "1987-05-31"]),
    (zeros([16, 40], [0, 0]), ["zero_um is 'for track 40 and head 0';", "0 to 39"]),
    (zeros([16, 16], [1, 1]), ["zero_um is 'for track 16 and head 1';", "one for each track"]),
    ("[spindle]\nspeed_rpm = { value = 300" + SOURCE, ["'spindle' is not a key"]),
    ('disk = "130mm-48tpi"', ["'disk' is not a key"]),
]


def windows(*rows, geometry="windows", first="outward", more=""):
    tables = ", ".join(
        f'{{ start_deg = {start}, length_deg = {length}, side = "{side}" }}'
        for start, length, side in rows
    )
    return (
        f'[pattern]\ngeometry = {{ value = "{geometry}"{SOURCE}\n'
        f'first_lobe = {{ value = "{first}"{SOURCE}\n{more}'
        f"windows = {{ value = [{tables}]{SOURCE}"
    )


OUT, IN = (15, 100, "outward"), (190, 45, "inward")
WRONG_DISKS += [
    (windows(OUT, (114.5, 20, "inward")), ["windows[2].start_deg is 114.5;", "115 or more"]),
    (windows(OUT, (320, 41, "inward")), ["windows[2].length_deg is 41;", "at most 40"]),
    (windows(OUT, (-1, 20, "inward")), ["windows[2].start_deg is -1;", "from 0 to 357"]),
    (windows(OUT, (190, 2, "inward")), ["windows[2].length_deg is 2;", "from 3 to 357"]),
    (windows(OUT, (190, 20, "up")), ["windows[2].side is 'up';", '"outward" or "inward"']),
    (windows(OUT, (190, 20, "outward")), ["pattern.windows is", "of both sides; none is inward"]),
    (windows(OUT), ["pattern.windows is", "a list of 2 to 72 windows"]),
    (windows(OUT, IN, geometry="boundary"), ["geometry is 'boundary';", '"windows" beside']),
    (windows(OUT, IN, first="inward"), ["first_lobe is 'inward';", '"outward", the side of']),
    (windows(OUT, IN, more="pairs = { value = 1" + SOURCE + "\n"), ["pairs is 1;", "left out"]),
    (
        "[pattern]\nwindows = { value = [{ start_deg = 0, length_deg = 9, x = 1, "
        "side = 'outward' }, "
        "{ start_deg = 9, length_deg = 9, side = 'inward' }]" + SOURCE,
        ["pattern.windows[1].x is not a key"],
    ),
    (
        "[pattern]\nwindows = { value = [{ start_deg = 0, length_deg = 9, side = 'outward' }, "
        "{ length_deg = 9, side = 'inward' }]" + SOURCE,
        ["pattern.windows[2].start_deg is missing"],
    ),
    (
        "[pattern]\nwindows = { value = [{ start_deg = 0, length_deg = 9, side = 'outward' }, "
        "{ start_deg = 9, length_deg = 9, side = 'inward' }]" + SOURCE,
        ['pattern.geometry is missing; state "windows" beside pattern.windows'],
    ),
    ('[pattern]\ngeometry = { value = "windows"' + SOURCE, ["pattern.windows is missing"]),
    (
        # A head of 0.33 mm over two bands: by geometry the line is at most half of it away.
        '[pattern]\ngeometry = { value = "boundary"' + SOURCE,
        ["pattern.scale_um is 190.0;", "at most 165 µm, half of head.width_um"],
    ),
]


@pytest.mark.parametrize(("text", "said"), WRONG_DISKS, ids=lambda part: repr(part)[:50])
def test_a_wrong_disk_is_told_by_its_own_file(own, text, said):
    own(BASE + 'disk = "certified"\n')
    path = own(DISK + text, "disks/certified.toml")
    fault = fault_of()
    assert f"profile “{path}”" in fault
    for words in said:
        assert words in fault


def test_bursts_need_a_track_and_their_angles(own):
    own(BASE + 'disk = "certified"\n')
    entry = "[azimuth]\ntrack = { value = 3" + SOURCE
    own('title = "t"\nbase = "90mm-135tpi"\n' + entry, "disks/certified.toml")
    assert "azimuth.angles_arcmin is missing beside azimuth.track" in fault_of()


def test_a_fault_that_is_taken_over_is_told_by_the_file_that_has_it(own):
    path = own(BASE + "[limits]\nset = { value = 7" + SOURCE, "below.toml")
    own('title = "t"\nbase = "below"\n')
    assert f"profile “{path}”: limits.set is 7;" in fault_of()


def test_a_whole_file_must_state_everything(own):
    path = own('title = "t"\n')
    assert fault_of() == f"profile “{path}”: disk is missing; name an alignment disk"
    path = own('title = "t"\ndisk = "130mm-48tpi"\n')
    assert f"profile “{path}”: spindle.speed_rpm is missing; add it" in fault_of()
    path = own('base = "130mm-48tpi"\n')
    assert fault_of() == f"profile “{path}”: title is missing; add it"


def test_bases_that_go_in_a_circle(own):
    own('title = "t"\nbase = "other"\n')
    path = own('title = "t"\nbase = "mine"\n', "other.toml")
    assert fault_of() == f"profile “{path}”: base “mine” leads back to itself; name another"


def test_a_base_that_is_not_there(own):
    path = own('title = "t"\nbase = "lost"\n')
    assert f"profile “{path}”: profile “lost” is not known; choose one of 130mm" in fault_of()


def test_bytes_that_are_no_utf_8(own):
    path = own(BASE.encode() + b"# \xff\xfe")
    assert fault_of() == (
        f"profile “{path}” is not UTF-8 at byte {len(BASE) + 2}; store it as UTF-8"
    )


@pytest.mark.parametrize("name", ["../mine", "a/b", "", "\0", "x" * 5000, "\x1b[31m", "MINE\n"])
def test_a_name_is_no_path(own, name):
    own(BASE)
    assert "is not known; choose one of 130mm-48tpi" in fault_of(name)


# -- whatever it says ----------------------------------------------------------------------------

FOLDER = Path(app.profiles.__file__).parent
SHIPPED = [path.read_text(encoding="utf-8") for path in sorted(FOLDER.rglob("*.toml"))]
KEYS = sorted({spec.key for spec in SPECS.values()})
SCALARS = st.one_of(
    st.none().map(lambda _: "1987-05-31"),
    st.booleans().map(lambda flag: str(flag).lower()),
    st.integers().map(str),
    st.integers(0, 16**300).map(hex),
    st.floats().map(lambda number: re.sub(r"^(-?\d+)(e)", r"\1.0\2", str(number))),
    st.text().map(json.dumps),
)
TOML_VALUES = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=4).map(lambda each: f"[{', '.join(each)}]"),
    max_leaves=8,
)


@st.composite
def edited(draw):
    """A file of the program's with some of its bytes replaced, doubled or taken away."""
    data = draw(st.sampled_from(SHIPPED)).encode()
    for _ in range(draw(st.integers(1, 4))):
        start = draw(st.integers(0, len(data)))
        stop = min(len(data), start + draw(st.integers(0, 40)))
        put = draw(st.one_of(st.binary(max_size=8), st.sampled_from(HOSTILE)))
        data = data[:start] + put + data[stop:]
    return data


HOSTILE = [
    b"[" * 2000,
    b"a." * 200 + b"a = 1\n",
    b'"""',
    b"\x00",
    b"\xed\xa0\x80",
    b"= {",
    b"[[spindle]]\n",
    b"9" * 480,
    b"1e999",
    b"0x" + b"f" * 480,
]


def stands_or_is_refused_in_words(name):
    try:
        profile = load_profile(name)
    except ProfileError:
        fault_of(name)
        return
    for attribute, spec in SPECS.items():
        value = getattr(profile, attribute)
        assert value is not None or spec.optional
        if isinstance(value, float):
            assert math.isfinite(value)
    assert 20e3 < profile.carrier_hz < 1e6
    assert profile_as_text(profile).replace("\n", "").isprintable()


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A folder of the user's own that lasts for many examples."""
    path = tmp_path_factory.mktemp("configuration")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("app.profiles.files.user_config_path", lambda *_, **__: path)
        (path / "profiles" / "disks").mkdir(parents=True)
        path.joinpath("profiles", "linked.toml").write_text(BASE + 'disk = "own"\n')
        yield path / "profiles"


@pytest.mark.slow
@given(data=st.one_of(st.binary(max_size=300), st.text(max_size=300).map(str.encode), edited()))
def test_no_content_of_a_file_is_more_than_a_fault(folder, data):
    for path, name in ((folder / "own.toml", "own"), (folder / "disks" / "own.toml", "linked")):
        path.write_bytes(data)
        stands_or_is_refused_in_words(name)
    assert "own" in profiles_as_text()


@given(key=st.sampled_from(KEYS), value=TOML_VALUES, source=st.text(max_size=20))
def test_no_value_of_an_entry_is_more_than_a_fault(folder, key, value, source):
    table, entry = key.split(".")
    content = (
        f"{{ value = {value}, u = {value}, calibrated = false, source = {json.dumps(source)} }}"
    )
    if key != "pattern.scale_um":
        content = f"{{ value = {value}, source = {json.dumps(source)} }}"
    text = f"[{table}]\n{entry} = {content}\n"
    (folder / "own.toml").write_text(BASE + text, encoding="utf-8")
    (folder / "disks" / "own.toml").write_text(DISK + text, encoding="utf-8")
    for name in ("own", "linked"):
        stands_or_is_refused_in_words(name)


# -- shown ---------------------------------------------------------------------------------------


def test_the_list_has_every_profile_and_goes_on_past_a_wrong_one(own):
    path = own(BASE + "[limits]\nset = { value = 7" + SOURCE, "wrong.toml")
    lines = profiles_as_text().splitlines()
    for name in profile_names():
        (line,) = [line for line in lines if line.startswith(f"{name} ")]
        words = "cannot be used" if name == "wrong" else load_profile(name).title
        assert words in line
    assert f"Your own go in {path.parent}" in lines
    assert f"profile “{path}”: limits.set is 7;" in lines[-1]


@pytest.mark.parametrize("name", profile_names())
def test_the_table_has_every_value_with_unit_and_source(name):
    profile = load_profile(name)
    rows = {line.split("  ")[0]: line for line in profile_as_text(profile).splitlines()}
    sources = dict(profile.sources)
    for attribute, spec in SPECS.items():
        row = rows[spec.path]
        if getattr(profile, attribute) is None:
            assert re.search("not stated|told from the signal", row)
        else:
            assert row.endswith(sources[spec.key])
            assert f"  {spec.unit or '–'}  " in re.sub(" {2,}", "  ", row)


def test_the_table_shows_values_as_a_file_writes_them(own):
    own(BASE + 'disk = "certified"\n')
    own(DISK + CERTIFICATE, "disks/certified.toml")
    text = re.sub(" {2,}", " | ", profile_as_text(load_profile("mine")))
    lines = text.splitlines()
    assert lines[:2] == ["mine: Mine", "alignment disk certified: Certified"]
    for line in (
        "pattern.first_lobe | inward | – | certificate 7",
        "pattern.geometry | boundary | – | certificate 7",
        "pattern.scale_um | 161.5 | µm | certificate 7",
        "pattern.scale_um.u | 1.2 | µm | certificate 7",
        "pattern.scale_um.calibrated | yes | – | certificate 7",
        "certificate.date | 1987-05-31 | – | certificate 7",
        "track.reference_radius_mm | 57.15, 55.033 | mm | ECMA-70, 5.1, second hand",
        # 57.150 − 16 · 25.4/48 and 7 958 · 300 · π / 60, by hand.
        "radius of track 16, side 0 | 48.68333 | mm | derived: reference radius "
        "+ (reference track - n) x pitch",
        "carrier | 125.004 | kHz | derived: ftprad x rpm x pi / 60",
    ):
        assert line in lines


def test_the_commands_show_both(own, capsys):
    assert run(["profiles"]) == 0
    assert capsys.readouterr() == (profiles_as_text() + "\n", "")
    assert run(["profiles", "90mm-135tpi"]) == 0
    assert capsys.readouterr() == (profile_as_text(load_profile("90mm-135tpi")) + "\n", "")
    path = own(BASE + "[limits]\nset = { value = 7" + SOURCE)
    assert run(["profiles", "mine"]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err == (
        f"evenlobe: profile “{path}”: limits.set is 7; it must be a number from 0.01 to 0.9\n"
    )


README = FOLDER.parents[1].joinpath("README.md").read_text(encoding="utf-8")


def test_the_examples_of_the_help_are_profiles(own, capsys):
    with pytest.raises(SystemExit):
        run(["profiles", "--help"])
    text = capsys.readouterr().out
    # Each file is a run of indented lines behind a line that ends with a colon.
    disk, mine = re.findall(r"\.toml.*:\n\n((?:  .*\n|\n)+)", text)
    own(disk, "disks/our-disk.toml")
    own(mine, "our-drives.toml")
    profile = load_profile("our-drives")
    assert profile.disk == "our-disk"
    assert profile.calibrated
    for name in profile_names():
        assert name == "our-drives" or f"`{name}`" in README


def test_a_folder_that_cannot_be_read_is_passed_over_and_told(own, monkeypatch):
    """Another user's, or one whose rights were lost: the program's own are of use all the same."""
    folder = user_profile_folder()
    refused = Path.is_dir

    def is_dir(path):
        if path.is_relative_to(folder):
            raise PermissionError(13, "Permission denied", str(path))
        return refused(path)

    monkeypatch.setattr(Path, "is_dir", is_dir)
    assert load_profile("130mm-48tpi").name == "130mm-48tpi"
    told = profiles_as_text().splitlines()
    assert told[-2:] == [
        f"profiles in “{folder}” cannot be read: Permission denied",
        f"profiles in “{folder / 'disks'}” cannot be read: Permission denied",
    ]
