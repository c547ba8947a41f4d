"""The handbook: one text for terminal, window and README."""

import re
from pathlib import Path

import pytest

from app.cli.arguments import COMMANDS
from app.cli.main import run
from app.dashboard.help_page import help_html
from app.handbook import SPOILS, TOPICS, TopicTable, as_text
from app.job.model import CheckName

README = Path(__file__).parents[2].joinpath("README.md").read_text(encoding="utf-8")


def said_by(block):
    return (
        [cell for row in block.rows for cell in row] if isinstance(block, TopicTable) else [block]
    )


def test_readme_says_of_what_spoils_a_reading_what_the_help_does():
    section = README.partition(f"## {SPOILS.title}\n")[2].partition("\n## ")[0].replace("*", "")
    rows = [line.strip("| ").split(" | ") for line in section.splitlines() if "|" in line]
    (table,) = (block for block in SPOILS.body if isinstance(block, TopicTable))
    assert [tuple(row) for row in rows if not row[0].startswith("-")] == [table.head, *table.rows]
    words = " ".join(section.split()).lower()
    for block in SPOILS.body:
        assert isinstance(block, TopicTable) or block.lower() in words


@pytest.mark.parametrize("topic", TOPICS.values(), ids=TOPICS)
def test_a_topic_is_whole_in_the_terminal_and_in_the_window(topic, capsys):
    assert run(["help", topic.name]) == 0
    shown = capsys.readouterr().out
    assert shown == as_text(topic) + "\n"
    assert max(map(len, shown.splitlines())) <= 96
    page = re.sub("<[^>]+>", " ", help_html()).replace("&#x27;", "'")
    for block in topic.body:
        for words in said_by(block):
            assert set(words.split()) <= set(shown.split())
            assert words in page


def test_the_whole_handbook_is_printed_with_each_topic_in_its_order(capsys):
    assert run(["help", "--all"]) == 0
    printed = capsys.readouterr().out
    places = [printed.index(as_text(topic)) for topic in TOPICS.values()]
    assert places == sorted(places)
    assert max(map(len, printed.splitlines())) <= 96


def test_the_handbook_tells_of_every_check(capsys):
    assert run(["help", "--all"]) == 0
    printed = capsys.readouterr().out.casefold()
    for check in CheckName:
        assert check.replace("-", " ") in printed.replace("-", " "), check


def test_the_handbook_is_searched_by_words_in_any_order_and_case(capsys):
    assert run(["help", "--find", "BAND jcgm guard"]) == 0
    (found,) = capsys.readouterr().out.split("\n\n")
    assert found.startswith("limits: pass, fail: the value keeps clear of its limit")
    assert run(["help", "--find", "xyzzy"]) == 2
    assert "nowhere in the handbook" in capsys.readouterr().err


def test_help_lists_topics_and_commands(capsys):
    assert run(["help"]) == 0
    listed = {line.split()[0] for line in capsys.readouterr().out.splitlines() if "  " in line}
    assert listed == {*TOPICS, *COMMANDS}


def test_help_of_a_command_is_that_of_its_own(capsys):
    for words in (["help", "measure"], ["measure", "--help"]):
        with pytest.raises(SystemExit) as left:
            run(words)
        assert left.value.code == 0
    shown = capsys.readouterr().out
    assert shown[: len(shown) // 2] == shown[len(shown) // 2 :]


@pytest.mark.parametrize(
    ("words", "meant"),
    [
        (["help", "spoil"], "did you mean “evenlobe help spoils”?"),
        (["help", "mesure"], "did you mean “evenlobe help measure”?"),
        (["help", "xyzzy"], "“evenlobe help” lists what there is"),
        (["mesure", "capture.wav"], "did you mean “evenlobe measure”?"),
        (["Record"], "did you mean “evenlobe record”?"),
        (["xyzzy"], "“evenlobe help” lists what there is"),
    ],
)
def test_a_mistyped_word_is_answered_by_the_nearest(words, meant, capsys, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    assert run(words) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.startswith("evenlobe: “")
    assert meant in said.err
    assert said.err.count("\n") == 1


def test_a_file_may_have_a_bare_word_for_a_name(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    tmp_path.joinpath("mesure").write_text("no capture")
    monkeypatch.setattr("app.cli.main.display_fault", lambda: "no display")
    assert run(["mesure"]) == 2
    assert "did you mean" not in capsys.readouterr().err
