"""Each family over its messages: formulas, blocks, quirks; the lobes are the drive's."""

import struct

import numpy as np
import pytest

from tests.instruments.virtual.scope.bench import (
    FAMILIES,
    POINTS,
    SETUPS,
    SINGLE,
    SPAN_S,
    asker,
    block,
    make_scope,
    ratio,
    read,
    set_up,
    take,
)

ERRORS = {"B": "ALLEV?", "C1": "CMR?", "C2": "*ESR?"}


@pytest.fixture(params=FAMILIES)
def family(request):
    return request.param


@pytest.fixture
def bench(family):
    """Return a scope that has taken one sweep, and the way to ask it."""
    scope = make_scope(family)
    ask = asker(scope)
    set_up(ask, family)
    take(ask, family)
    yield scope, ask
    scope.close()


def errors(ask, family):
    return ask(ERRORS.get(family, ":SYST:ERR?")).decode()


def test_identity_says_virtual(family):
    scope = make_scope(family)
    fields = scope.reply(b"*IDN?\n")[0].decode().split(",")
    assert len(fields) == 4
    assert fields[1:] == [f"VIRTUAL-{family}", "0", "evenlobe"]
    scope.close()


def test_the_set_up_is_understood(bench, family):
    _, ask = bench
    assert errors(ask, family).lstrip("+")[0] == "0"


@pytest.mark.parametrize("offset_um", [31.41, 14.43, 0.0])
def test_the_lobes_are_the_drives(family, offset_um):
    scope = make_scope(family, params={"offset_um": offset_um})
    ask = asker(scope)
    set_up(ask, family)
    take(ask, family)
    assert ratio(ask, family) == pytest.approx(scope.truth().ratio, abs=0.01)
    scope.close()


def test_volts_are_right_whatever_the_range(bench, family):
    """The index stands at 5 V, off the middle of the screen, and falls to 0 V in its pulse."""
    _, ask = bench
    index = read(ask, family, 3).volts
    step_v = 1 / 25
    assert index.max() == pytest.approx(5.0, abs=step_v)
    assert index.min() == pytest.approx(0.0, abs=step_v)


def test_the_record_starts_at_the_index(bench, family):
    _, ask = bench
    index = read(ask, family, 3).volts
    # The pulse lasts 4 ms from the first point on; a turn later the next one begins.
    pulse = round(index.shape[0] * 0.004 / SPAN_S[family])
    assert index[1 : pulse - 1].max() < 0.5
    assert index[pulse + 1 : 4 * pulse, 0].min() > 4.5
    falls = np.flatnonzero((index[1:, 0] < 2.5) & (index[:-1, 0] >= 2.5)) + 1
    turn = index.shape[0] * 0.2 / SPAN_S[family]
    assert falls[0] == pytest.approx(turn, rel=0.005)


def test_increment_and_points_span_the_screen(bench, family):
    _, ask = bench
    got = read(ask, family, 1)
    assert got.volts.size == POINTS.get(family, 12_000 if family == "A2" else 10_000)
    if got.increment_s is not None:
        assert got.volts.size * got.increment_s == pytest.approx(SPAN_S[family], rel=1e-4)


@pytest.mark.parametrize(("xinc", "times"), [("pair", 2.0), ("zero", 0.0)])
@pytest.mark.parametrize("kind", ["A1", "A2", "B", "C1", "C3"])
def test_increment_of_other_models(kind, xinc, times):
    scope = make_scope(kind, quirks={"xinc": xinc})
    ask = asker(scope)
    set_up(ask, kind)
    take(ask, kind)
    got = read(ask, kind, 1)
    told_s = got.volts.size * (got.increment_s or 0.0)
    assert told_s == pytest.approx(times * SPAN_S[kind], rel=1e-4)
    scope.close()


def test_other_order_of_pairs(family):
    orders = ("max-min", "min-max") if family == "A2-older" else ("min-max", "max-min")
    got = []
    for order in orders:
        scope = make_scope(family, quirks={"order": order})
        ask = asker(scope)
        set_up(ask, family)
        take(ask, family)
        got.append(read(ask, family, 1).volts)
        scope.close()
    lows, highs = got
    assert np.all(lows[:, 0] <= lows[:, 1])
    assert np.array_equal(lows[:, ::-1], highs)


def test_unknown_quirks_are_refused():
    with pytest.raises(ValueError, match="order: min-max, max-min"):
        make_scope("A2", quirks={"order": "none"})
    with pytest.raises(ValueError, match="A2-older"):
        make_scope("Z")


def test_clipped_codes_are_the_rails(family):
    scope = make_scope(family, params={"amplitude_v": 4.0})
    ask = asker(scope)
    set_up(ask, family)
    take(ask, family)
    volts = read(ask, family, 2).volts
    a_div = {"A2-older": 25.6, "C3": 30.0}.get(family, 25.0)
    # The lowest code of A2-older has no byte of its own: 128 − raw ends at −127.
    lowest = -127 if family == "A2-older" else -128
    assert volts.max() == pytest.approx(127 / a_div * 0.06)
    assert volts.min() == pytest.approx(lowest / a_div * 0.06)
    scope.close()


def test_reading_back_what_was_set(family):
    scope = make_scope(family)
    ask = asker(scope)
    set_up(ask, family)
    panel = scope.panel
    assert panel.seconds_per_div == 0.05
    assert panel.acquisition == "peak"
    assert [panel.channels[n].on for n in (1, 2, 3, 4)] == [True, True, True, False]
    assert panel.trigger.edge.source == 3
    assert panel.trigger.edge.level_v == 2.5
    assert panel.trigger.edge.slope == "fall"
    assert not panel.trigger.automatic or family in ("C1", "C2", "C3")
    scope.close()


def test_a_reset_puts_everything_back(bench, family):
    scope, ask = bench
    ask("*RST")
    assert scope.panel.seconds_per_div == 1e-3
    assert scope.panel.acquisition == "normal"
    assert not scope.panel.channels[2].on


def test_old_data_until_the_sweep_is_acknowledged(bench, family):
    scope, ask = bench
    before = read(ask, family, 1).volts
    count = scope.records
    scope.nudge(60.0)
    ask(SINGLE[family])
    # The memory of A2 cannot be read until the scope has stopped.
    old = before[:0] if family == "A2" else before
    assert np.array_equal(read(ask, family, 1).volts, old)
    assert scope.records == count
    ask("*OPC?")
    assert not np.array_equal(read(ask, family, 1).volts, before)
    assert scope.records == count + 1


STATUS = {
    "A1": (":RST?", ("SING", "STOP")),
    "A2": (":TRIG:STAT?", ("RUN", "STOP")),
    "A2-older": (":TRIG:STAT?", ("RUN", "STOP")),
    "B": ("BUSY?", ("1", "0")),
    "C1": ("TRMD?", ("SINGLE", "STOP")),
    "C2": ("SAST?", ("Trig'd", "Stop")),
    "C3": (":TRIG:STAT?", ("Trig'd", "Stop")),
    "D": ("ACQ:STAT?", ("RUN", "COMP")),
}


def test_a_single_sweep_is_first_under_way_and_then_done(bench, family):
    _, ask = bench
    question, states = STATUS[family]
    ask(SINGLE[family])
    assert tuple(ask(question).decode().strip() for _ in range(2)) == states


def test_a_channel_that_is_off_has_no_data(bench, family):
    _, ask = bench
    asks = {
        "A1": (":WAV:SOUR CHAN4", ":WAV:DATA?"),
        "A2": (":WAV:SOUR CHAN4", ":WAV:DATA?"),
        "A2-older": ("*CLS", ":WAV:DATA? CHAN4"),
        "B": ("DAT:SOU CH4", "CURV?"),
        "C1": ("*CLS", "C4:WF? ALL"),
        "C2": ("*CLS", "C4:WF? DAT2"),
        "C3": (":WAV:SOUR C4", ":WAV:DATA?"),
        "D": ("*CLS", "CHAN4:DATA?"),
    }[family]
    ask(asks[0])
    answer = ask(asks[1])
    assert answer == b"" or block(answer)[0] == b""
    # Settings conflict is an execution error: bit 4 of the register.
    assert int(ask("*ESR?")) & 16


# What only one family has


def test_a1_words_are_the_bytes_in_finer_steps():
    scope, ask = _ready("A1")
    fine = {}
    for order in ("MSBF", "LSBF"):
        ask(f":WAV:SOUR CHAN1;FORM WORD;BYT {order}")
        fields = ask(":WAV:PRE?").decode().split(",")
        yinc, yorig, yref = map(float, fields[7:])
        raw = np.frombuffer(block(ask(":WAV:DATA?"))[0], ">u2" if order == "MSBF" else "<u2")
        fine[order] = (raw - yref) * yinc + yorig
    ask(":WAV:FORM BYTE")
    coarse = read(ask, "A1", 1).volts.ravel()
    for volts in fine.values():
        assert volts == pytest.approx(coarse, abs=1e-6)
    scope.close()


def test_a1_digitize_waits_for_the_sweep():
    scope, ask = _ready("A1")
    count = scope.records
    assert ask(":DIG CHAN1,CHAN2;*OPC?") == b"1\n"
    assert scope.records == count + 1
    assert ask(":TER?;:TER?") == b"+1;+0\n"
    scope.close()


def test_a1_screen_holds_fewer_points_than_memory():
    scope, ask = _ready("A1")
    assert ask(":WAV:POIN:MODE NORM;:WAV:SOUR CHAN1;POIN?") == b"+1000\n"
    assert read(ask, "A1", 1).volts.shape == (500, 2)
    scope.close()


def test_a2_memory_comes_in_pages():
    scope, ask = _ready("A2")
    whole = block(ask(":WAV:SOUR CHAN1;DATA?"))[0]
    pages = b""
    for first in range(1, 12_000, 5000):
        ask(f":WAV:STAR {first};STOP {min(first + 4999, 12_000)}")
        assert int(ask(":WAV:PRE?").decode().split(",")[2]) == min(5000, 12_001 - first)
        pages += block(ask(":WAV:DATA?"))[0]
    assert pages == whole
    scope.close()


def test_a2_refuses_a_page_that_is_too_large():
    scope, ask = _ready("A2")
    ask(":ACQ:MDEP 300000;:SING;*OPC?")
    assert len(block(ask(":WAV:STAR 1;STOP 250000;DATA?"))[0]) == 250_000
    assert block(ask(":WAV:STOP 250001;DATA?"))[0] == b""
    assert ask(":SYST:ERR?").startswith(b"-222,")
    assert len(block(ask(":WAV:STAR 250001;STOP 300000;DATA?"))[0]) == 50_000
    scope.close()


def test_a2_memory_needs_a_stop():
    scope, ask = _ready("A2")
    ask(":RUN")
    assert block(ask(":WAV:SOUR CHAN1;DATA?"))[0] == b""
    assert ask(":SYST:ERR?").startswith(b"-221,")
    assert len(block(ask(":WAV:MODE NORM;STOP 1200;DATA?"))[0]) == 1200
    ask(":STOP;:WAV:MODE RAW;STOP 12000")
    assert len(block(ask(":WAV:DATA?"))[0]) == 12_000
    scope.close()


def test_a2_leaves_a_question_without_a_newline_unanswered():
    scope = make_scope("A2")
    assert scope.reply(b"*OPC?") == []
    assert scope.reply(b"*OPC?\n") == [b"1", b"\n"]
    assert scope.reply(b"*IDN?") != []
    scope.close()


def test_a2_older_knows_no_preamble():
    scope, ask = _ready("A2-older")
    assert ask(":WAV:PRE?") == b""
    assert ask(":SYST:ERR?") == b'-113,"Undefined header"\n'
    scope.close()


def test_b_puts_headers_before_answers_until_told_not_to():
    scope = make_scope("B")
    ask = asker(scope)
    assert ask("HEAD?") == b":HEAD 1\n"
    assert ask("CURV?").startswith(b":CURV #")
    assert ask("HEAD OFF;HEAD?") == b"0\n"
    assert ask("CURV?").startswith(b"#")
    scope.close()


def test_b_window_and_offset_binary():
    scope, ask = _ready("B")
    whole = np.frombuffer(block(ask("DAT:SOU CH1;:CURV?"))[0], "i1")
    ask("DAT:STAR 101;STOP 300")
    assert ask("WFMO:NR_P?") == b"200\n"
    assert np.array_equal(np.frombuffer(block(ask("CURV?"))[0], "i1"), whole[100:300])
    ask("DAT:ENC RPB")
    assert np.array_equal(np.frombuffer(block(ask("CURV?"))[0], "u1"), whole[100:300] + 128.0)
    # Half a division up, 25 codes a division, and the middle of offset binary.
    assert float(ask("WFMO:YOF?")) == 12.5 + 128
    assert ask("WFMO:PT_F?;:WFMP:PT_F?") == b"ENV;ENV\n"
    scope.close()


@pytest.mark.parametrize(("order", "code"), [("HI", ">"), ("LO", "<")])
def test_c1_descriptor_in_both_orders(order, code):
    scope, ask = _ready("C1")
    ask(f"CORD {order}")
    answer = ask("C1:WF? ALL")
    assert answer.startswith(b"ALL,#9")
    data, _ = block(answer)
    assert data[:8] == b"WAVEDESC"
    assert struct.unpack_from(f"{code}i", data, 36) == (346,)
    assert struct.unpack_from(f"{code}i", data, 60) == (10_000,)
    assert len(data) == 346 + 10_000
    assert read(ask, "C1", 1).volts.max() == pytest.approx(0.22, abs=0.04)
    scope.close()


def test_c1_words_and_sparse_windows():
    scope, ask = _ready("C1")
    codes = np.frombuffer(block(ask("C1:WF? DAT1"))[0], "i1")
    ask("CORD LO;CFMT DEF9,WORD,BIN")
    words = np.frombuffer(block(ask("C1:WF? DAT1"))[0], "<i2")
    assert np.array_equal(words, codes.astype(int) * 256)
    ask("CFMT DEF9,BYTE,BIN;WFSU SP,4,NP,100,FP,8")
    assert np.array_equal(np.frombuffer(block(ask("C1:WF? DAT1"))[0], "i1"), codes[8:408:4])
    scope.close()


def test_c2_ends_blocks_with_two_newlines():
    scope, ask = _ready("C2")
    answer = ask("C1:WF? DAT2")
    assert answer.startswith(b"DAT2,#9000014000")
    assert answer.endswith(b"\n\n")
    assert ask("CHDR SHORT;C1:VDIV?") == b"C1:VDIV 6.0000E-02V\n"
    assert ask("C1:WF? DAT2").startswith(b"C1:WF DAT2,#9")
    scope.close()


@pytest.mark.parametrize("size", [346, 368, 369])
def test_c3_descriptors_of_all_lengths(size):
    scope = make_scope("C3", quirks={"descriptor": size})
    ask = asker(scope)
    set_up(ask, "C3")
    take(ask, "C3")
    described, _ = block(ask(":WAV:SOUR C1;PRE?"))
    assert len(described) == size
    assert ratio(ask, "C3") == pytest.approx(scope.truth().ratio, abs=0.01)
    scope.close()


def test_c3_words_tell_half_their_length():
    scope, ask = _ready("C3")
    codes = np.frombuffer(block(ask(":WAV:SOUR C1;DATA?"))[0], "i1")
    answer = ask(":WAV:WIDT WORD;DATA?")
    assert answer[:11] == b"#9000010000"
    words = np.frombuffer(answer[11:-1], "<i2")
    assert np.array_equal(words, codes.astype(int) * 256)
    scope.close()


def test_c3_pages():
    scope, ask = _ready("C3")
    ask(":ACQ:MDEP 1M;:TRIG:MODE SING;*OPC?")
    most = int(float(ask(":WAV:MAXP?")))
    ask(":WAV:SOUR C1")
    first = block(ask(":WAV:DATA?"))[0]
    second = block(ask(f":WAV:STAR {most};DATA?"))[0]
    assert len(first) == most
    assert len(first) + len(second) == 1_000_000
    assert ask(":ACQ:MDEP?") == b"1M\n"
    scope.close()


def test_d_reports_stale_data_and_values_an_interval():
    scope, ask = _ready("D")
    assert ask("CHAN1:DATA:HEAD?").decode().strip().endswith(",5000,2")
    ask("SING;:CHAN1:DATA?")
    assert ask(":SYST:ERR?").startswith(b"-230,")
    ask("*OPC?;:CHAN1:DATA?")
    assert ask(":SYST:ERR?").startswith(b"0,")
    ask("CHAN1:TYPE SAMP;:SING;*OPC?")
    assert ask("CHAN1:DATA:HEAD?").decode().strip().endswith(",10000,1")
    scope.close()


def test_d_as_text_and_with_the_high_byte_first():
    scope, ask = _ready("D")
    little = np.frombuffer(block(ask("CHAN1:DATA?"))[0], "<f4")
    big = np.frombuffer(block(ask("FORM:BORD MSBF;:CHAN1:DATA?"))[0], ">f4")
    text = np.array(ask("FORM ASC;:CHAN1:DATA?").decode().split(","), dtype=float)
    assert np.array_equal(little, big)
    assert text == pytest.approx(little, abs=1e-6)
    scope.close()


MATHS = {
    "A1": (":FUNC1:DISP ON;OPER SUBT;SOUR1 CHAN1;SOUR2 CHAN2;SCAL 0.12", ":WAV:SOUR FUNC1"),
    "A2": (":MATH1:DISP ON;OPER SUBT;SCAL 0.12", ":WAV:SOUR MATH1"),
    "B": ('MATH1:DEF "CH1-CH2";:MATH1:VERT:SCA 0.12;:SEL:MATH1 1', "DAT:SOU MATH"),
    "C1": ('F1:DEF EQN,"C1-C2";F1:VDIV 0.12;F1:TRA ON', "*CLS"),
    "C3": (":FUNC1 ON;:FUNC1:OPER SUBT;SCAL 0.12", ":WAV:SOUR F1"),
    "D": ('CALC:MATH1:STAT ON;EXPR "CH1-CH2";SCAL 0.12', "*CLS"),
}


@pytest.mark.parametrize("kind", MATHS)
def test_the_maths_channel_is_plus_less_minus(kind):
    scope, ask = _ready(kind)
    for line in MATHS[kind]:
        ask(line)
    take(ask, kind)
    question = {"A1": ":WAV:DATA?", "A2": ":WAV:DATA?", "B": "CURV?", "C1": "F1:WF? DAT1"}
    question |= {"C3": ":WAV:DATA?", "D": "CALC:MATH1:DATA?"}
    data, _ = block(ask(question[kind]))
    if kind == "D":
        peak_v = np.frombuffer(data, "<f4").max()
    elif kind in ("A1", "A2"):
        peak_v = (np.frombuffer(data, "u1").max() - 128.0) / 25 * 0.12
    else:
        peak_v = np.frombuffer(data, "i1").max() / (30 if kind == "C3" else 25) * 0.12
    assert peak_v == pytest.approx(scope.truth().first_v, abs=0.01)
    scope.close()


def _ready(kind):
    scope = make_scope(kind)
    ask = asker(scope)
    set_up(ask, kind)
    take(ask, kind)
    return scope, ask


def test_every_family_is_set_up_here():
    assert set(SETUPS) == set(FAMILIES) == set(STATUS)
