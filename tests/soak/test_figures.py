import csv
from dataclasses import replace

import numpy as np
import pytest

from tests.soak.figures import Row, growth_mib_an_hour, summary, table, write


def rows(minutes, mib_an_hour):
    return [
        Row(60.0 * at, 200.0 + mib_an_hour * at / 60.0, 1000, 20, 8, 0.3, 17.0)
        for at in range(minutes)
    ]


def test_growth_is_the_slope_after_the_first_ten_minutes():
    flat, steep = rows(10, 60.0), rows(40, 3.0)
    assert growth_mib_an_hour(flat) is None
    assert growth_mib_an_hour(flat + steep[10:]) == pytest.approx((3.0, 0.0), abs=1e-6)
    assert "too short" in summary(flat, [])
    assert "99.9 % 17 ms" in summary(steep, [17.0] * 100)
    assert len(table(steep).splitlines()) == 32


def test_what_comes_and_goes_is_no_growth_but_its_uncertainty():
    rng = np.random.default_rng(7)
    slopes = []
    for _ in range(200):
        # What is there for a minute: nine rows of two seconds share it.
        extra = np.repeat(rng.uniform(0.0, 12.0, 60), 9)
        told = [
            replace(row, at_s=60.0 * at / 9, memory_mib=200.0 + mib)
            for at, (row, mib) in enumerate(zip(rows(540, 0.0), extra, strict=True))
        ]
        slopes.append(growth_mib_an_hour(told))
    slope, u = np.array(slopes).T
    # Two of some fourteen degrees of freedom: 93 % of a t distribution.
    assert np.mean(np.abs(slope) <= 2.0 * u) == pytest.approx(0.93, abs=0.05)


def test_it_is_written_as_a_table_and_as_a_picture(tmp_path, qapp):
    write(rows(3, 1.0), tmp_path)
    with (tmp_path / "soak.csv").open(encoding="utf-8", newline="") as file:
        assert [each["handles"] for each in csv.DictReader(file)] == ["20"] * 3
    assert (tmp_path / "soak.png").read_bytes()[:4] == b"\x89PNG"
