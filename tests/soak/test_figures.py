import csv
from dataclasses import replace

import pytest

from tests.soak.figures import Row, growth_mib_an_hour, summary, table, write


def rows(minutes, mib_an_hour):
    return [
        Row(60.0 * at, 200.0 + mib_an_hour * at / 60.0, 1000, 20, 8, 0.3, 17.0, at_rest=True)
        for at in range(minutes)
    ]


def test_growth_is_the_slope_after_the_first_ten_minutes():
    flat, steep = rows(10, 60.0), rows(40, 3.0)
    assert growth_mib_an_hour(flat) is None
    assert growth_mib_an_hour(flat + steep[10:]) == pytest.approx((3.0, 0.0), abs=1e-6)
    assert "too short" in summary(flat, {})
    assert "99.9 % 17 ms" in summary(steep, {17: 100})
    assert len(table(steep).splitlines()) == 32


def test_what_comes_and_goes_between_rests_is_no_growth():
    steep = rows(40, 3.0)
    shown = [replace(row, at_rest=False, memory_mib=300.0 + row.at_s) for row in steep]
    told = sorted([*steep, *shown], key=lambda row: row.at_s)
    assert growth_mib_an_hour(told) == pytest.approx((3.0, 0.0), abs=1e-6)
    assert growth_mib_an_hour(shown) is None


def test_it_is_written_as_a_table_and_as_a_picture(tmp_path, qapp):
    write(rows(3, 1.0), tmp_path)
    with (tmp_path / "soak.csv").open(encoding="utf-8", newline="") as file:
        assert [each["handles"] for each in csv.DictReader(file)] == ["20"] * 3
    assert (tmp_path / "soak.png").read_bytes()[:4] == b"\x89PNG"
