"""The command line, run within the test's own process; tests/integration runs it as a program."""

import json
import os
import re
import shlex
import shutil
import wave
from importlib import metadata
from pathlib import Path

import numpy as np
import pytest
import soundfile

from app.cli.arguments import COMMANDS, UsageFault, parse
from app.cli.main import run
from instruments.sound.player import SoundPlayer
from instruments.virtual.params import OPTIONS
from tests.app.bench import RATE_HZ, SIM, write_capture


@pytest.fixture(scope="module")
def good(tmp_path_factory):
    path = tmp_path_factory.mktemp("captures") / "good.wav"
    write_capture(path, "plus", "minus", "index")
    return path


@pytest.fixture
def here(good, tmp_path, monkeypatch):
    """A folder of one's own, with one good capture in it."""
    monkeypatch.chdir(tmp_path)
    shutil.copy(good, tmp_path)
    return tmp_path


@pytest.fixture
def evenlobe(capsys):
    """Runs a command; returns its status, output and errors."""

    def one(*words):
        status = run(list(words))
        said = capsys.readouterr()
        return status, said.out, said.err

    return one


# -- what cannot be used -------------------------------------------------------------------------


def truncated(path):
    write_capture(path, "differential")
    os.truncate(path, path.stat().st_size - 4001)


def header_only(path):
    write_capture(path, "differential")
    os.truncate(path, 30)


def wordy(path):
    rows = ["time,plus,minus", *(f"{n * 1e-6:g},0.1,0.2" for n in range(50)), "5e-5,oops,0.2"]
    path.write_text("\n".join([*rows, *(f"{n * 1e-6:g},0.1,0.2" for n in range(51, 99))]))


BAD_FILES = {
    "empty.wav": lambda path: path.touch(),
    "empty.csv": lambda path: path.touch(),
    "truncated.wav": truncated,
    "header only.wav": header_only,
    "a picture.wav": lambda path: path.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(5000)),
    "words.csv": wordy,
    "letter.csv": lambda path: path.write_text("Dear reader,\nnothing here is a number.\n"),
    "folder.wav": lambda path: path.mkdir(),
}


@pytest.mark.parametrize("name", BAD_FILES)
@pytest.mark.parametrize("how", [[], ["--json"], ["--live"]])
def test_an_unreadable_capture_is_one_line_and_no_number(here, evenlobe, name, how):
    BAD_FILES[name](here / name)
    status, out, errors = evenlobe("measure", name, *how)
    assert status == 2
    assert out.count("\n") == out.count("parked: waiting for the source\n")
    (line,) = errors.splitlines()
    assert re.fullmatch(rf"evenlobe: capture “{name}”:? .+", line)


BAD_WORDS = [
    (["measure", "nowhere.wav"], ["capture “nowhere.wav”", "is not there"]),
    (["measure", "good.wav", "--roles", "plus,plus"], ["“plus” is named twice"]),
    (["measure", "good.wav", "--roles", "plus,index"], ["plus,index", "plus and minus together"]),
    (["measure", "good.wav", "--roles", "left,right"], ["“left” is not a role", "differential"]),
    (["measure", "good.wav", "--roles", ""], ["“” is not a role"]),
    (["measure", "good.wav", "--roles", "plus,minus,-,index"], ["good.wav", "3 columns"]),
    (["measure", "good.wav", "--roles", ",".join(["-"] * 5000)], ["plus and minus together"]),
    (["measure", "one.wav", "--roles", "plus,minus"], ["one.wav", "1 column", "2 columns"]),
    (["measure", "good.wav", "--low-corner", "7"], ["good.wav", "--low-corner", "envelope"]),
    (["measure", "good.wav", "--detector-threshold", "0.1"], ["--detector-threshold", "envelope"]),
    (["measure", "good.wav", "--live", "--low-corner", "7"], ["good.wav", "--low-corner"]),
    (["measure", "good.wav", "--profile", "999mm"], ["profile “999mm”", "130mm-48tpi"]),
    (["measure", "good.wav", "--profile", "../x"], ["profile “../x”", "130mm-48tpi"]),
    (["measure", "good.wav?rate=1e6"], ["good.wav", "rate"]),
    (["measure", "good.wav?speed=1e6"], ["good.wav?speed=1e6", "“speed”"]),
    (["measure", "tape:1"], ["tape:1", "sim:, file:, sound:, visa:, pipe: or run:"]),
    (["measure", "file:"], ["file:", "names no file"]),
    (["measure", ""], ["no source is named"]),
    (["measure", "sim:offset_um=far"], ["offset_um", "“far”"]),
    (["measure", "sim:offset=1"], ["“offset” is not an option", "offset_um"]),
    (["measure", "sim:", "--seconds", "0"], ["--seconds", "“0” is not above 0"]),
    (["measure", "sim:", "--seconds", "soon"], ["--seconds", "“soon” is not a number"]),
    (["measure", "sim:", "--seconds", "nan"], ["--seconds", "“nan”"]),
    (["measure", "sim:", "--seconds", "-1"], ["--seconds", "“-1”"]),
    (["measure", "sim:", "--low-corner", "-3"], ["--low-corner", "“-3”"]),
    (["measure", "sim:", "--jso"], ["--jso", "evenlobe measure --help"]),
    (["measure"], ["SOURCE", "evenlobe measure --help"]),
    (["mesure", "good.wav"], ["“mesure”", "did you mean “evenlobe measure”?"]),
    (["--roles", "plus,minus"], ["--roles", "name one"]),
    (["--profile", "999mm"], ["profile “999mm”"]),
    (["sources", "all"], ["all", "evenlobe sources --help"]),
    (["record", "sim:", "out.flac", "--seconds", "1"], ["out.flac", ".wav"]),
    (["record", "sim:", "good.wav", "--seconds", "1"], ["good.wav", "is there already"]),
    (["record", "good.wav", "good.wav", "--overwrite"], ["good.wav", "is the capture itself"]),
    (["record", "nowhere.wav", "out.wav"], ["nowhere.wav", "is not there"]),
    (["record", "good.wav", "nowhere/out.wav"], ["nowhere/out.wav", "folder"]),
    (["record", "good.wav", "good.wav/out.wav"], ["good.wav/out.wav", "folder"]),
    (["simulate", "good.wav"], ["good.wav", "is there already"]),
    (["simulate", "out.wav", "--source", "good.wav"], ["good.wav", "only the virtual drive"]),
    (["simulate", "out.wav", "--source", "sim:pairs=99"], ["pairs", "2 to 18"]),
]


@pytest.mark.parametrize(("words", "said"), BAD_WORDS, ids=lambda part: " ".join(part)[:60])
def test_what_cannot_be_used_is_one_line_that_names_it(here, evenlobe, words, said):
    soundfile.write("one.wav", np.zeros(1000), RATE_HZ)
    before = sorted(here.iterdir())
    status, out, errors = evenlobe(*words)
    assert status == 2
    assert out.replace("parked: waiting for the source\n", "") == ""
    (line,) = errors.splitlines()
    assert line.startswith("evenlobe: ")
    for word in said:
        assert word in line
    assert sorted(here.iterdir()) == before


def test_a_device_that_is_not_there_is_one_line(evenlobe):
    status, out, errors = evenlobe("measure", "sound:no such device")
    assert (status, out) == (2, "")
    assert errors.count("\n") == 1
    assert "sound" in errors


# -- measure -------------------------------------------------------------------------------------


def test_a_measured_capture_is_told_in_words(here, evenlobe):
    status, out, errors = evenlobe("measure", "good.wav", "--roles", "plus,minus,index")
    assert (status, errors) == (0, "")
    assert out.startswith("source       good.wav\n")
    ratio = float(re.search(r"^ratio +([0-9.]+) ±", out, re.MULTILINE)[1])
    assert ratio == pytest.approx(0.85, abs=0.003)
    assert "roles are" not in out


def test_one_object_and_nothing_else(here, evenlobe):
    status, out, errors = evenlobe("measure", "good.wav", "--json")
    assert (status, errors) == (0, "")
    assert out.count("\n") == 1
    made = json.loads(out)
    assert made["valid"] is True
    assert made["source"] == "good.wav"
    assert made["virtual"] is False
    assert made["roles"] == ["plus", "minus", "index"]
    assert made["notes"][0] == "roles are the default: plus,minus,index"
    assert made["sign_known"] is True
    assert made["ratio"]["value"] == pytest.approx(0.85, abs=0.003)
    assert made["lobes_v"]["first"]["value"] > made["lobes_v"]["second"]["value"]


def test_without_an_index_balance_is_a_magnitude(here, evenlobe):
    write_capture("turned.wav", "plus", "minus", first_taller=False)
    status, out, _ = evenlobe("measure", "turned.wav", "--roles", "plus,minus", "--json")
    made = json.loads(out)
    assert status == 0
    assert made["sign_known"] is False
    assert made["balance"]["value"] > 0
    assert made["offset_um"]["value"] > 0
    assert made["lobes_v"]["first"]["value"] > made["lobes_v"]["second"]["value"]


def test_noise_is_no_reading_and_the_object_is_printed(here, evenlobe):
    noise = np.random.default_rng(5).standard_normal((RATE_HZ, 2)).astype(np.float32)
    soundfile.write("noise.wav", 0.1 * noise, RATE_HZ, subtype="FLOAT")
    status, out, errors = evenlobe("measure", "noise.wav", "--roles", "plus,minus", "--json")
    made = json.loads(out)
    assert (status, errors) == (3, "")
    assert made["valid"] is False
    assert made["reasons"]
    for name in ("balance", "ratio", "difference", "offset_um"):
        assert made[name] is None
    assert made["limits"] == {"set": None, "check": None}
    status, out, _ = evenlobe("measure", "noise.wav", "--roles", "plus,minus")
    assert status == 3
    assert "no reading   " in out


def test_the_virtual_drive_is_marked_in_object_and_text_also_from_a_file(here, evenlobe):
    evenlobe("simulate", "practice.wav", "--source", SIM, "--seconds", "1")
    for source in (SIM, "practice.wav"):
        status, out, _ = evenlobe("measure", source, "--seconds", "1", "--json")
        assert status == 0
        assert json.loads(out)["virtual"] is True
        assert "[virtual drive]" in evenlobe("measure", source, "--seconds", "1")[1]


def test_columns_can_be_skipped_and_left_over(here, evenlobe):
    write_capture("many.wav", "envelope", "plus", "minus", "index", "envelope")
    status, out, _ = evenlobe("measure", "many.wav", "--roles", "-,plus,minus", "--json")
    assert status == 0
    assert json.loads(out)["roles"] == ["plus", "minus"]


@pytest.mark.parametrize("name", ["with space.wav", "µm – Prüfling №3.wav", "a?b&c.wav"])
def test_names_of_files_are_taken_as_they_are(here, evenlobe, name):
    (here / "good.wav").rename(name)
    status, out, errors = evenlobe("measure", name, "--json")
    assert (status, errors) == (0, "")
    assert json.loads(out)["source"] == name


def test_sixteen_bits_of_another_writer_are_read(here, evenlobe):
    samples, _ = soundfile.read("good.wav")
    with wave.open("sixteen.wav", "wb") as file:
        file.setparams((2, 2, RATE_HZ, 0, "NONE", ""))
        file.writeframes((samples[:, :2] * 32000).astype("<i2").tobytes())
    status, out, _ = evenlobe("measure", "sixteen.wav", "--json")
    assert status == 0
    assert json.loads(out)["ratio"]["value"] == pytest.approx(0.85, abs=0.003)


def test_live_gives_needles_and_the_status_of_the_last(here, evenlobe):
    status, out, errors = evenlobe("measure", "good.wav", "--live")
    assert (status, errors) == (0, "")
    assert "roles are the default: plus,minus,index" in out
    assert "ratio 0.8" in out.splitlines()[-1]
    soundfile.write("silence.wav", np.zeros((RATE_HZ, 1)), RATE_HZ, subtype="FLOAT")
    status, out, errors = evenlobe("measure", "silence.wav", "--live")
    assert (status, errors) == (3, "")
    assert "the capture is silent" in out.splitlines()[-1]
    assert "ratio" not in out


def test_a_fault_of_the_program_is_not_taken_for_bad_input(here, monkeypatch):
    def broken(*_, **__):
        raise ZeroDivisionError("broken on purpose")

    monkeypatch.setattr("app.live.session.analyser_for", broken)
    with pytest.raises(ZeroDivisionError):
        run(["measure", "good.wav", "--live"])


# -- the other commands --------------------------------------------------------------------------


def test_record_says_what_it_wrote(here, evenlobe):
    status, out, errors = evenlobe("record", "good.wav", "out.wav", "--roles", "plus,minus")
    assert (status, errors) == (0, "")
    frames = soundfile.info("out.wav").frames
    assert out == f"out.wav: {frames} frames, {frames / RATE_HZ:.3f} s, plus,minus\n"
    _, out, _ = evenlobe("measure", "out.wav", "--json")
    assert json.loads(out)["notes"][0] == "roles are the file's own names: plus,minus"


def test_simulate_writes_capture_and_truth(here, evenlobe):
    words = ("simulate", "out.wav", "--source", f"{SIM}&offset_um=25", "--seconds", "1")
    status, out, errors = evenlobe(*words)
    assert (status, errors) == (0, "")
    assert out == "out.wav: 1.000 s of the virtual drive; its truth is in out.truth.json\n"
    truth = json.loads((here / "out.truth.json").read_text())
    _, out, _ = evenlobe("measure", "out.wav", "--json")
    assert json.loads(out)["ratio"]["value"] == pytest.approx(truth["ratio"], abs=0.003)
    assert evenlobe(*words)[0] == 2
    assert evenlobe(*words, "--overwrite")[0] == 0


def test_sources_lists_the_virtual_drive_first(evenlobe):
    status, out, errors = evenlobe("sources")
    assert (status, errors) == (0, "")
    assert out.startswith("sim:")
    assert "Virtual drive" in out.splitlines()[0]
    # What an ordinary user may not open is told after the list.
    listed = [line for line in out.splitlines() if not line.startswith("hint: ")]
    assert listed[-1].startswith("PATH")


def help_of(capsys, *words):
    with pytest.raises(SystemExit) as left:
        run([*words, "--help"])
    assert left.value.code == 0
    said = capsys.readouterr()
    assert said.err == ""
    return said.out


def test_help_names_every_command_with_an_example(capsys):
    text = help_of(capsys)
    for name, (title, _) in COMMANDS.items():
        assert f"  {name} " in text
        assert title in text
    assert "examples:" in text
    for kind in ("sim:", "sound:DEVICE", "visa:RESOURCE", "CSV export"):
        assert kind in text


@pytest.mark.parametrize("name", COMMANDS)
def test_help_of_a_command_says_what_it_does(capsys, name):
    text = help_of(capsys, name)
    assert f"usage: evenlobe {name}" in text
    assert COMMANDS[name][0] in text


def test_help_on_sources_lists_every_option_of_the_virtual_drive(capsys):
    text = help_of(capsys, "sources")
    for name in OPTIONS:
        assert f"\n{name}=" in text


def test_version_is_that_of_the_package(capsys):
    with pytest.raises(SystemExit) as left:
        run(["--version"])
    assert left.value.code == 0
    assert capsys.readouterr().out == f"evenlobe {metadata.version('evenlobe')}\n"


README = Path(__file__).parents[3].joinpath("README.md").read_text(encoding="utf-8")
SHOWN = re.findall(r"^sh app/run\.sh(.*)$", README, re.MULTILINE)


@pytest.mark.parametrize("line", SHOWN)
def test_every_command_that_the_readme_shows_is_understood(line):
    parse(shlex.split(line))


def test_every_option_has_its_words_in_the_help(capsys):
    for name in ("", *COMMANDS):
        text = help_of(capsys, *([name] if name else []))
        said = dict(re.findall(r"^  (--[a-z-]+)[^\n]*?\s{2,}(\S[^\n]+)$", text, re.MULTILINE))
        options = set(re.findall(r"^  (--[a-z-]+)", text, re.MULTILINE))
        assert options <= set(said)


def test_every_command_is_in_the_readme():
    for name in COMMANDS:
        assert f"`evenlobe {name}" in README


def test_every_key_of_the_reading_s_object_is_in_the_help(here, evenlobe, capsys):
    keys = json.loads(evenlobe("measure", "good.wav", "--json")[1])
    told = help_of(capsys, "measure").partition("JSON object")[2]
    assert set(keys) <= set(re.findall(r"[a-z_]+", told))


@pytest.mark.parametrize("words", [["--roles", "-,plus,minus"], ["--roles=-,plus,minus"]])
def test_a_list_of_roles_may_begin_with_a_dash(words):
    command, options = parse(["measure", "x.wav", *words, "--seconds", "2"])
    assert command == "measure"
    assert options.roles == "-,plus,minus"
    assert options.seconds == 2.0


def test_a_source_alone_is_for_the_dashboard():
    command, options = parse(["sim:", "--roles", "plus,minus"])
    assert (command, options.source, options.roles) == ("", "sim:", "plus,minus")
    assert parse([])[1].source is None


def test_the_dashboard_plays_on_sound_outputs(monkeypatch):
    given = {}
    monkeypatch.setattr(
        "app.dashboard.program.run_dashboard", lambda *_, **named: given.update(named) or 0
    )
    monkeypatch.setenv("QT_QPA_PLATFORM", "offscreen")
    assert run(["sim:"]) == 0
    assert given["open_player"] is SoundPlayer


def test_abbreviated_options_are_refused():
    with pytest.raises(UsageFault, match="--sec"):
        parse(["measure", "sim:", "--sec", "3"])
