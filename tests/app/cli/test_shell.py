"""What shells and “man” are given, tried in a real bash and by a real formatter of pages."""

import subprocess
import sys

import pytest

from app.cli.arguments import COMMANDS, SHELLS
from app.cli.main import run


def printed(capsys, *words):
    assert run(words) == 0
    return capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "offered"),
    [
        (["evenlobe", "mea"], ["measure"]),
        (["evenlobe", "check-"], ["check-scope", "check-source"]),
        (["evenlobe", "measure", "--js"], ["--json"]),
        (["evenlobe", "help", "spo"], ["spoils"]),
        (["evenlobe", "completion", "z"], ["zsh"]),
        (["evenlobe", "measure", "here."], ["here.wav"]),
        (["evenlobe", "captures", "he"], ["herein"]),
    ],
)
def test_bash_completes(capsys, tmp_path, words, offered):
    (tmp_path / "here.wav").touch()
    (tmp_path / "herein").mkdir()
    (tmp_path / "script").write_text(printed(capsys, "completion", "bash"), encoding="utf-8")
    places = " ".join(words)
    ask = f"source ./script; COMP_WORDS=({places}); COMP_CWORD={len(words) - 1}; "
    ask += "_shtab_evenlobe 2>/dev/null; printf '%s\\n' \"${COMPREPLY[@]}\""
    done = subprocess.run(
        ["bash", "--norc", "-c", ask], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    assert sorted(set(done.stdout.split())) == offered


@pytest.mark.parametrize("shell", SHELLS)
def test_each_shell_hears_of_every_command(capsys, shell):
    script = printed(capsys, "completion", shell)
    assert [name for name in COMMANDS if name not in script] == []


def test_the_page_for_man_is_whole_and_without_a_fault(capsys):
    page = printed(capsys, "man")
    done = subprocess.run(
        ["groff", "-K", "utf8", "-man", "-Tutf8", "-ww", "-P-cbou"],
        input=page,
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stderr == ""
    assert [name for name in COMMANDS if f"evenlobe {name}" not in done.stdout] == []
    assert "--low-corner" in done.stdout


@pytest.mark.parametrize(
    ("command", "module", "package"),
    [
        (["completion", "bash"], "shtab", "shtab"),
        (["man"], "argparse_manpage.manpage", "argparse-manpage"),
    ],
)
def test_a_library_that_is_missing_is_named(capsys, monkeypatch, command, module, package):
    monkeypatch.setitem(sys.modules, module, None)
    assert run(command) == 2
    assert f"pip install {package}" in capsys.readouterr().err
