"""The table of captures: a row for each file, whatever it is."""

from app.cli.main import run
from tests.app.bench import write_capture


def told(capsys, folder):
    status = run(["captures", str(folder)])
    said = capsys.readouterr()
    return status, said.out.splitlines(), said.err


def test_each_file_has_its_row(tmp_path, capsys):
    write_capture(tmp_path / "good.wav", "plus", "minus", "index")
    (tmp_path / "scope.csv").write_text("t (s),plus (mV),CH2\n0.0,1.5,2\n0.5,1.5,3\n")
    (tmp_path / "letter.txt").write_text("Dear workshop,\n")
    (tmp_path / "folder").mkdir()
    (tmp_path / "gone.wav").symlink_to(tmp_path / "nowhere")
    status, lines, errors = told(capsys, tmp_path)
    assert (status, errors) == (0, "")
    rows = {line.split()[0]: line for line in lines if not line.startswith(" ")}
    assert list(rows) == ["file", "gone.wav", "good.wav", "letter.txt", "scope.csv", "2"]
    assert "WAV" in rows["good.wav"]
    assert "plus,minus,index (default)" in rows["good.wav"]
    assert "not read: is not there; check its name" in rows["gone.wav"]
    assert "not read: it holds no columns of numbers" in rows["letter.txt"]
    row = rows["scope.csv"]
    assert ("text" in row, "2 Hz" in row, "plus (mV) [mv], CH2 [no unit]" in row) == (True,) * 3
    assert "plus,minus (default)" in row
    assert lines[-2].strip() == "A column has no unit that is known; its volts are relative."
    assert lines[-1] == "2 of 4 files can be measured"


def test_a_folder_that_cannot_be_listed_is_one_line(tmp_path, capsys):
    status, lines, errors = told(capsys, tmp_path / "none")
    assert (status, lines) == (2, [])
    assert errors.startswith(f"evenlobe: folder “{tmp_path / 'none'}” cannot be listed")
    assert errors.count("\n") == 1


def test_an_empty_folder_is_no_fault(tmp_path, capsys):
    assert told(capsys, tmp_path)[:2] == (
        0,
        ["file  taken for  rate  frames  columns  roles", "0 of 0 files can be measured"],
    )


def test_nothing_in_a_file_or_its_name_looks_like_another_row(tmp_path, capsys):
    name = "x\x1b[31m\nforged.csv  text  2 Hz"
    (tmp_path / name).write_text("no numbers\n")
    (tmp_path / "wide.csv").write_text(
        "t (s)," + ",".join(f"volts {each}" for each in range(400)) + "\n"
        "0," + ",".join(["1"] * 400) + "\n1," + ",".join(["2"] * 400) + "\n"
    )
    status, lines, errors = told(capsys, tmp_path)
    assert (status, errors) == (0, "")
    assert not any(line.startswith("forged") for line in lines)
    assert any("\ufffdforged.csv" in line and "not read" in line for line in lines)
    assert max(map(len, lines)) < 400
