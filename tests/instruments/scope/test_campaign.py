"""A slice of the campaign: one model of each speech, left badly; and the judge itself."""

import time
from dataclasses import replace

import numpy as np
import pytest

from instruments.address import open_address
from tests.instruments.scope import campaign
from tests.instruments.scope.campaign import Case, tried
from tests.instruments.scope.faultcase import new_scope, next_block, served

RIGHT = [
    Case("dso7014b", ("inverted-minus",)),
    Case("dsox1102g", ("signed",)),
    Case("ds1054z", ("zoom",)),
    Case("dho804", ("roll",), "hislip"),
    Case("gds1054b", ("vertical-position", "inverted")),
    Case("mdo3024", ("delay",), "vxi11"),
    Case("mso44", ("probe-100",)),
    Case("tds2012c", ("words",), "serial"),
    Case("sds1204x-e", ("window", "average")),
    Case("sds1102cml", ("inverted-both",)),
    Case("rtb2004", ("points-maximum",), "usb"),
    Case("hmo1202", ("reference", "offset")),
    Case("waverunner-lt344", ("percentage",)),
]


@pytest.mark.parametrize("case", RIGHT, ids=lambda case: f"{case.model} {','.join(case.states)}")
@pytest.mark.few(3)
def test_however_a_scope_was_left_it_is_read_right_and_put_back(case):
    outcome = tried(case)
    assert (outcome.refusal, outcome.faults) == ("", ())


@pytest.mark.parametrize(
    ("case", "said"),
    [
        (Case("ds2072a", ("probes-unlike",)), "the probe factors differ"),
        (Case("waverunner-lt344", ("inverted",)), "rise and fall together; switch off Invert"),
        (Case("dpo2024", (), "serial"), "1000000 bytes and takes 260 s over this serial line"),
        (Case("wavesurfer-3024", (), "serial"), "and takes 260 s over this serial line"),
    ],
)
def test_what_cannot_be_read_is_refused_in_a_sentence(case, said):
    outcome = tried(case)
    assert outcome.kind == "refused"
    assert said in outcome.refusal


FLOOR_V = 0.06


def signs(block):
    """Down for the lower extremes, up for the higher ones."""
    return np.where(np.arange(len(block.samples_v)) % 2, 1, -1)[:, None]


@pytest.fixture(scope="module")
def read():
    """A scope, and a block of it that begins at the index."""
    scope = new_scope("A2")
    with served(scope, "socket") as (address, _):
        source = open_address(f"visa:{address}")
        source.open()
        yield scope, next_block(source, time.monotonic() + campaign.PATIENCE_S)
        source.close()
    scope.close()


def test_what_is_right_has_no_fault(read):
    scope, block = read
    assert block.at_index
    assert campaign._judged(block, scope) == []


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda block: replace(block, samples_v=block.samples_v * 2), "V are true"),
        (lambda block: replace(block, samples_v=-block.samples_v[::-1]), "the side is wrong"),
        (lambda block: replace(block, sample_rate_hz=1.1 * block.sample_rate_hz), "do not repeat"),
        (
            # A floor below both lobes, as noise that nobody took off.
            lambda block: replace(block, samples_v=block.samples_v + FLOOR_V * signs(block)),
            "is true, within",
        ),
    ],
)
def test_what_is_wrong_is_found(read, change, said):
    scope, block = read
    assert any(said in fault for fault in campaign._judged(change(block), scope))


def test_a_table_has_a_row_a_model_and_every_fault_is_told():
    outcomes = [
        campaign.Outcome(Case("ds1054z"), record_s=0.7),
        campaign.Outcome(Case("ds1054z", ("zoom",)), refusal="scope “x”: it refuses; mend it"),
        campaign.Outcome(Case("ds1054z", ("roll",)), faults=("the side is wrong",)),
    ]
    (row,) = [row for row in campaign.rows(outcomes) if row[1] != "0"]
    assert row == ("ds1054z", "3", "1", "1", "1", "0.70")
    told = campaign.told(outcomes)
    assert "python -m tests.instruments.scope.campaign --model ds1054z --left roll" in told[0]
    assert told[1:3] == ["    the side is wrong", "refused in 1 cases: it refuses; mend it"]


def test_every_model_and_every_state_is_tried_and_every_pair_of_a_model_and_a_way():
    over_tcp = list(campaign.over_tcp(1))
    assert len(over_tcp) == sum(1 + len(campaign.states_of(model)) for model in campaign.MODELS)
    pairs = {(case.model, case.way) for case in campaign.over_others(1)}
    assert len(pairs) == len(campaign.MODELS) * len(campaign.OTHER_WAYS)
    assert all(2 <= len(case.states) <= 3 for case in campaign.by_chance(1, 40))
