"""Messages: forms of headers, paths, the error queue."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from instruments.virtual.scope.scpi import (
    ErrorQueue,
    ScpiError,
    Tree,
    choice,
    number,
    parse_unit,
    split,
)
from tests.instruments.virtual.scope.bench import FAMILIES, asker, make_scope

NO_ERROR = b'0,"No error"\n'
UNDEFINED = b'-113,"Undefined header"\n'


@pytest.fixture
def ask():
    scope = make_scope("A2")
    yield asker(scope)
    scope.close()


# SCPI-1999, volume 1, 6.2.1: a mnemonic is its short form or its long form, nothing between.
@pytest.mark.parametrize("header", [":MEAS", ":MEASURE", ":measure", ":Meas", "MEAS"])
def test_short_and_long_form_are_known(header):
    tree = Tree()
    tree.add(":MEASure", query=lambda numbers, given: "yes")
    assert tree.find(header.lstrip(":").split(":")) is not None


@pytest.mark.parametrize("header", ["MEASU", "MEA", "MEASUR", "MEASURES", "M"])
def test_a_form_between_is_not_known(header):
    tree = Tree()
    tree.add(":MEASure", query=lambda numbers, given: "yes")
    assert tree.find([header]) is None


@pytest.mark.parametrize("header", [":TIMEB:SCAL?", ":TIM:SCA?", ":NONE?", ":ACQ?", "*ID?"])
def test_an_unknown_header_is_minus_113(ask, header):
    assert ask(header) == b""
    assert ask(":SYST:ERR?") == UNDEFINED
    assert ask(":SYST:ERR?") == NO_ERROR


def test_numbers_and_nodes_that_may_be_left_out():
    tree = Tree()
    tree.add(":CHANnel#:SCALe", query=lambda numbers, given: "yes")
    tree.add(":TIMebase[:MAIN]:SCALe", query=lambda numbers, given: "yes")
    assert tree.find(["CHAN3", "SCAL"])[1] == [3]
    assert tree.find(["CHANNEL", "SCALE"])[1] == [1]
    assert tree.find(["TIM", "MAIN", "SCAL"]) == tree.find(["TIMEBASE", "SCALE"])
    assert tree.find(["CHAN3"]) is None


# SCPI-1999, volume 1, 6.2.4: a header without a colon goes on from where the last one was.
def test_a_header_goes_on_from_the_last(ask):
    assert ask(":TIM:SCAL 0.05;OFFS 0.2;:CHAN1:SCAL 0.1;*ESR?;OFFS 0.3;:TIM:OFFS?") == (
        b"0;2.000000e-01\n"
    )
    assert ask(":CHAN1:OFFS?;SCAL?") == b"3.000000e-01;1.000000e-01\n"
    assert ask(":TIM:SCAL?;TIM:OFFS?") == b"5.000000e-02\n"
    assert ask(":SYST:ERR?") == UNDEFINED


# SCPI-1999, volume 2, 21.8.1: the last place of a full queue becomes -350; none is 0.
def test_error_queue_overflows_at_its_end():
    queue = ErrorQueue(3)
    for code in (-113, -222, -109, -102, -224):
        queue.push(code)
    assert [queue.pop() for _ in range(4)] == [
        (-113, "Undefined header"),
        (-222, "Data out of range"),
        (-350, "Queue overflow"),
        (0, "No error"),
    ]


def test_error_queue_over_the_wire(ask):
    for _ in range(12):
        ask(":NONE")
    answers = [ask(":SYSTEM:ERROR:NEXT?") for _ in range(11)]
    assert answers == [UNDEFINED] * 9 + [b'-350,"Queue overflow"\n', NO_ERROR]


def test_clearing_empties_queue_and_register(ask):
    ask(":NONE;:TIM:SCAL 1E9")
    # IEEE 488.2, 11.5.1: bit 5 command error, bit 4 execution error; reading clears.
    assert ask("*ESR?") == b"48\n"
    assert ask("*ESR?") == b"0\n"
    ask(":NONE;*CLS")
    assert ask("*ESR?;:SYST:ERR?") == b'0;0,"No error"\n'


@pytest.mark.parametrize(
    ("message", "code"),
    [
        (":TIM:SCAL", -109),
        (":TIM:SCAL 1,2", -108),
        (":TIM:SCAL? 1", -108),
        (":TIM:SCAL fast", -104),
        (":TIM:SCAL 1E9", -222),
        (":TIM:SCAL -1", -222),
        (":CHAN1:SCAL 1E9", -222),
        (":CHAN7:SCAL 1", -114),
        (":ACQ:TYPE FAST", -224),
        (":WAV:DATA? CHAN1", -108),
        ("::", -102),
    ],
)
def test_each_mistake_has_its_number_and_changes_nothing(ask, message, code):
    before = ask(":TIM:SCAL?;:CHAN1:SCAL?;:ACQ:TYPE?")
    assert ask(message) == b""
    assert ask(":SYST:ERR?").startswith(b"%d," % code)
    assert ask(":TIM:SCAL?;:CHAN1:SCAL?;:ACQ:TYPE?") == before


@pytest.mark.parametrize(
    ("text", "value"),
    [("1", 1), ("-2.5E-3", -2.5e-3), ("50MV", 0.05), ("500us", 5e-4), (".5 V", 0.5), ("2KHZ", 2e3)],
)
def test_numbers_with_and_without_units(text, value):
    assert number(text) == pytest.approx(value)


@pytest.mark.parametrize("text", ["", "V", "1.2.3", "0x10", "1 furlong", "nan", "inf"])
def test_what_is_no_number(text):
    with pytest.raises(ScpiError):
        number(text)


def test_marks_within_quotes_do_not_split():
    assert list(split("DEF \"A;B,C\"; X 'y;z';", ";")) == ['DEF "A;B,C"', "X 'y;z'"]
    assert parse_unit('F1:DEF EQN,"C1,C2"').parameters == ["EQN", '"C1,C2"']


def test_choice_takes_both_forms_and_no_third():
    assert choice("norm", ("NORMal", "PEAK")) == "NORMal"
    assert choice("NORMAL", ("NORMal", "PEAK")) == "NORMal"
    with pytest.raises(ScpiError):
        choice("NORMA", ("NORMal", "PEAK"))


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.few(3)
def test_any_bytes_are_survived(family):
    scope = make_scope(family)
    scope.reply(b"STOP\n:STOP\n")
    alphabet = st.sampled_from(b":;,?*#\"' \t\n0123456789.ACDEFHILMNORSTVWY\xff\x00")

    @given(st.lists(alphabet, max_size=40).map(bytes))
    def run(message):
        answer = b"".join(bytes(part) for part in scope.reply(message))
        assert answer == b"" or b"?" in message

    run()
    assert b",VIRTUAL-" in scope.reply(b"*IDN?\n")[0]
    scope.close()
