"""A calibration from the bench to the job that uses it, by the commands alone."""

import json

import pytest

from app.cli.main import BAD_INPUT, OK, run

SOURCE = "sim:rate=250e3&carrier_hz=61e3&pace=fast&seed=3&backlash_um=2&clamp_um=3&scale_um=181"
"""The class says 190 µm; a lower rate keeps the test short."""
DISK = "alignment disk=AD 7"


def job(book, checks, *more):
    return run(
        ["job", SOURCE, "--drive", "A1", "--checks", checks, "--book", str(book), *more, "--json"]
    )


@pytest.mark.slow
def test_a_scale_from_the_bench_is_used_by_the_next_job_with_that_disk(tmp_path, capsys):
    book = tmp_path / "book.sqlite3"
    assert run(["calibrations", "--book", str(book)]) == BAD_INPUT
    capsys.readouterr()
    assert job(book, "scale", "--describe", DISK) == OK
    (scale,) = json.loads(capsys.readouterr().out)["checks"]
    # What the virtual drive's disk has, and no analysis is told.
    assert abs(scale["value"] - 181.0) <= scale["expanded_u"] < 0.1 * 181.0
    assert (scale["verdict"], scale["unit"]) == ("noted", "µm")

    assert job(book, "radial", "--describe", DISK) == OK
    shown = capsys.readouterr()
    assert f"used: scale {scale['value']:.1f} ± " in shown.err
    first = json.loads(shown.out)["checks"][0]
    by_name = {part["name"]: part for part in first["budget"]}
    u_part = scale["expanded_u"] / 2.0 / scale["value"]
    assert by_name["scale of the disk"]["u"] == pytest.approx(u_part * 25.0, rel=0.35)

    assert run(["calibrations", "--book", str(book)]) == OK
    (head, row) = capsys.readouterr().out.splitlines()
    assert head.split() == ["disk", "class", "what", "calibrated", "due", "instrument"]
    assert row.startswith("AD 7")
    assert "virtual drive" in row
    assert "due on" in row


OWN = """title = "{0}"
base = "130mm-48tpi"
{1}
"""
CERTIFICATE = """[certificate]
disk = {{ value = "AD 3", source = "its paper" }}
date = {{ value = 1987-05-31, source = "its paper" }}
temperature_c = {{ value = 21.5, source = "its paper" }}
due = {{ value = {0}, source = "its paper" }}
"""


@pytest.fixture
def certified(tmp_path, monkeypatch):
    """Writes a class whose disk has a certificate that is due on a day."""
    monkeypatch.setattr("app.profiles.files.user_config_path", lambda *_, **__: tmp_path)
    disks = tmp_path / "profiles" / "disks"
    disks.mkdir(parents=True)
    (tmp_path / "profiles" / "our.toml").write_text(OWN.format("ours", 'disk = "our"'))

    def write(due):
        (disks / "our.toml").write_text(OWN.format("our disk", CERTIFICATE.format(due)))

    return write


@pytest.mark.parametrize(
    ("due", "disk", "status", "said"),
    [
        ("2900-01-01", "AD 3", OK, ""),
        ("2900-01-01", "AD 4", BAD_INPUT, "certificate.disk is “AD 3”, and the disk in the drive"),
        ("1988-01-01", "AD 3", OK, "certificate.due is 1988-01-01: the disk's certificate is out"),
    ],
)
def test_a_certificate_that_does_not_count_is_told(
    tmp_path, capsys, certified, due, disk, status, said
):
    certified(due)
    out = tmp_path / "report.html"
    more = ("--profile", "our", "--describe", f"alignment disk={disk}", "--report", str(out))
    assert job(tmp_path / "book.sqlite3", "care", *more) == status
    told = capsys.readouterr().err
    assert said in told
    assert ("certificate" in told) is bool(said)
    if status == OK:
        # The annex of values names the keys in each report.
        reserved = out.read_text(encoding="utf-8").partition("Reservations")[2].partition("Annex")
        assert ("certificate.due" in reserved[0]) is bool(said)
