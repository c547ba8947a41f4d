"""Somebody turns at the front panel while records are read: no record is taken for another."""

import time

import pytest

from instruments.address import open_address
from instruments.source import SourceLost
from instruments.virtual.scope import ScopeServer
from tests.instruments.scope.faultcase import lobes_ratio, new_scope, next_block

PATIENCE_S = 30


def until_s():
    return time.monotonic() + PATIENCE_S


def read_on(source):
    """Read records: two may be on their way already when something is turned."""
    for _ in range(3):
        next_block(source, until_s())


def turned(panel, name):
    """Turn one thing, by hand."""
    if name == "time base":
        panel.seconds_per_div *= 2  # a pair for a point: a span twice as long would fit too
    elif name == "delay":
        panel.delay_s += 0.05
    elif name == "peak detect":
        panel.acquisition = "normal"
    elif name == "trigger source":
        panel.trigger.source = 1
    elif name == "trigger slope":
        panel.trigger.slope = "rise"
    elif name == "sweep":
        panel.trigger.automatic = True
    elif name == "scale":
        panel.channels[1].volts_per_div /= 2.5
    elif name == "offset":
        panel.channels[1].offset_v += panel.channels[1].volts_per_div


CASES = [
    *(
        (family, name)
        for family in ("A1", "A2", "B", "D")
        for name in ("time base", "delay", "trigger source", "trigger slope", "sweep")
    ),
    # C1 to C3 are set to single sweeps, which leave no other.
    *((family, name) for family in ("C1", "C2", "C3") for name in ("delay", "trigger source")),
    *((family, "peak detect") for family in ("A1", "A2", "B", "C2", "C3", "D")),
    ("D", "scale"),
    ("D", "offset"),
]


@pytest.mark.parametrize(("family", "name"), CASES)
@pytest.mark.few(3)
def test_what_a_record_s_meaning_hangs_on_is_not_turned_unseen(family, name):
    scope = new_scope(family)
    with ScopeServer(scope, "socket", port=0) as server:
        source = open_address(f"visa:{server.address}")
        source.open()
        next_block(source, until_s())
        if (family, name) == ("B", "delay"):
            scope.reply(b"HOR:POS 30\n")  # told as the trigger's place on the screen
        else:
            turned(scope.panel, name)
        with pytest.raises(SourceLost, match="somebody has changed"):
            read_on(source)
        source.close()
        source.open()  # as the needle does by itself
        block = next_block(source, until_s())
        assert lobes_ratio(block) == pytest.approx(scope.truth().ratio, abs=0.01)
        source.close()
    scope.close()


@pytest.mark.parametrize(("family", "reference"), [("A1", 0.1), ("A1", 0.9), ("D", 0.4)])
def test_where_the_delay_is_counted_from_is_set_and_put_back(family, reference):
    scope = new_scope(family)
    scope.panel.reference = reference
    with ScopeServer(scope, "socket", port=0) as server:
        source = open_address(f"visa:{server.address}?roles=plus,minus&trigger=external")
        source.open()
        block = next_block(source, until_s())
        source.close()
    assert block.at_index
    assert lobes_ratio(block) == pytest.approx(scope.truth().ratio, abs=0.01)
    assert scope.panel.reference == pytest.approx(reference)
    scope.close()


# Of two and a half turns: a whole turn further on a record begins at an index again.
@pytest.mark.few(1)
@pytest.mark.parametrize("reference", [0.2, 0.4, 0.8])
def test_a_record_that_does_not_begin_at_the_index_is_not_taken_for_one(reference):
    """A model's own place of the trigger, of which its commands tell nothing."""
    scope = new_scope("C3")
    with ScopeServer(scope, "socket", port=0) as server:
        source = open_address(f"visa:{server.address}")
        source.open()
        assert next_block(source, until_s()).at_index
        scope.panel.reference = reference
        for _ in range(2):
            next_block(source, until_s())
        assert not next_block(source, until_s()).at_index
        source.close()
    scope.close()


def test_a_record_that_begins_after_its_trigger_does_not_begin_at_the_index(monkeypatch):
    monkeypatch.setattr("instruments.scope.setup.delay_value", lambda place, span_s: span_s)
    scope = new_scope("A1")
    with ScopeServer(scope, "socket", port=0) as server:
        source = open_address(f"visa:{server.address}?roles=plus,minus&trigger=external")
        source.open()
        assert not next_block(source, until_s()).at_index
        source.close()
    scope.close()
