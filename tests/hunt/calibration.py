"""Rows of conditions on which the uncertainty is held against the scatter."""

from __future__ import annotations

from typing import Any

from tests.hunt import spoilers
from tests.hunt.classes import clean, spoiled
from tests.hunt.draws import BOUNDARY, ENVELOPE, GROUPS, RECORDS, HuntClass

_ROW: dict[str, Any] = {"noisy_share": 0.0, "snr_db": (15.0, 40.0)}

ROWS: tuple[HuntClass, ...] = (
    clean("row-boundary", "nothing spoils", geometries=BOUNDARY, **_ROW),
    clean("row-two-band", "nothing spoils", geometries=("two-band",), **_ROW),
    clean("row-alternating", "nothing spoils", geometries=GROUPS, **_ROW),
    clean("row-no-index", "nothing spoils, no index", index_share=0.0, **_ROW),
    clean("row-envelope", "a linear detector", kinds=ENVELOPE, **_ROW),
    clean("row-records", "min/max pairs", kinds=RECORDS, **_ROW),
    clean("row-0-db", "0 to 3 dB", snr_db=(0.0, 3.0), noisy_share=0.0),
    clean(
        "row-low-ratio",
        "0 to 10 dB, ratio 0.33 to 0.43",
        balance=(0.4, 0.5),
        snr_db=(0.0, 10.0),
        noisy_share=0.0,
    ),
    clean("row-quiet", "nothing spoils, 30 to 50 dB", snr_db=(30.0, 50.0), noisy_share=0.0),
    spoiled("row-uneven", spoilers.uneven_disk, (0.01, 0.05, 0.01, 0.05), **_ROW),
    spoiled("row-8-bits", spoilers.codes, (200, 256, 200, 256), **_ROW),
    spoiled(
        "row-clock",
        spoilers.clock_error,
        (1e-6, 1e-4, 1e-6, 1e-4),
        is_even=True,
        both_signs=True,
        index_share=1.0,
        **_ROW,
    ),
    spoiled("row-wow", spoilers.wow, (1e-3, 3e-3, 1e-3, 3e-3), **_ROW),
)
