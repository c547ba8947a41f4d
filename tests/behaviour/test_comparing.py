"""The comparison notices what differs, and only that."""

import pytest
from PySide6.QtGui import QColor, QImage

from tests.behaviour.__main__ import main
from tests.behaviour.comparing import differences


@pytest.fixture
def recordings(tmp_path):
    """Two folders that are alike."""
    for folder in ("old", "new"):
        (tmp_path / folder / "part").mkdir(parents=True)
        (tmp_path / folder / "part" / "job.txt").write_text("closed\nafter 4 nudges\n")
        (tmp_path / folder / "scope.near").write_text('"ratio": 0.7140, valid')
    return tmp_path / "old", tmp_path / "new"


def found(recordings):
    return list(differences(*recordings))


def test_recordings_that_are_alike_pass(recordings, capsys):
    assert main(["compare", *map(str, recordings)]) == 0
    assert capsys.readouterr().out == "0 files differ\n"


def test_a_folder_that_is_not_there_is_no_recording(recordings):
    with pytest.raises(SystemExit) as left:
        main(["compare", str(recordings[0]), str(recordings[1] / "nowhere")])
    assert left.value.code == 2


def test_one_changed_byte_is_shown_with_its_file(recordings, capsys):
    (recordings[1] / "part" / "job.txt").write_text("closed\nafter 5 nudges\n")
    assert main(["compare", *map(str, recordings)]) == 1
    told = capsys.readouterr().out
    for words in ("part/job.txt: differs", "-after 4 nudges", "+after 5 nudges", "1 files differ"):
        assert words in told


def test_a_byte_that_no_line_shows_is_noticed(recordings):
    (recordings[1] / "part" / "job.txt").write_text("closed\nafter 4 nudges")
    assert len(found(recordings)) == 1


@pytest.mark.parametrize(("gone", "said"), [(0, "part/job.txt: new"), (1, "part/job.txt: missing")])
def test_a_missing_file_is_named(recordings, gone, said):
    (recordings[gone] / "part" / "job.txt").unlink()
    assert found(recordings) == [said]


@pytest.mark.parametrize(
    ("text", "alike"),
    [
        ('"ratio": 0.7190, valid', True),
        ('"ratio": 1.4280, valid', False),
        ('"ratio": 0.7140, parked', False),
    ],
)
def test_what_moves_may_differ_by_a_part_of_its_numbers(recordings, text, alike):
    (recordings[1] / "scope.near").write_text(text)
    assert (found(recordings) == []) is alike


@pytest.mark.parametrize(
    ("name", "level", "columns", "alike"),
    [
        ("job.png", 250, 100, True),
        ("job.png", 200, 1, False),
        ("strip.near.png", 200, 1, True),
        ("strip.near.png", 200, 100, False),
    ],
)
def test_a_picture_may_differ_only_where_it_moves(recordings, name, level, columns, alike):
    picture = QImage(200, 100, QImage.Format.Format_RGB888)
    picture.fill(QColor("white"))
    picture.save(str(recordings[0] / name))
    for column in range(columns):
        picture.setPixelColor(column, 50, QColor(level, level, level))
    picture.save(str(recordings[1] / name))
    assert (found(recordings) == []) is alike
