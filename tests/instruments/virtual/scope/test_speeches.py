"""What each speech does beyond one reading: formats, orders, windows, maths, states of a sweep."""

import struct

import numpy as np
import pytest

from tests.instruments.virtual.scope.bench import (
    FAMILIES,
    asker,
    block,
    fact,
    make_scope,
    ratio,
    read,
    set_up,
    single,
    span_s,
    take,
)


def ready(name, **settings):
    """Return a scope that has taken one sweep, and the way to ask it."""
    scope = make_scope(name, **settings)
    ask = asker(scope)
    set_up(ask, name)
    take(ask, name)
    return scope, ask


@pytest.mark.parametrize(("xinc", "times"), [("pair", 2.0), ("zero", 0.0)])
@pytest.mark.parametrize("name", ["A1", "A2", "B", "waverunner-lt344", "C3"])
def test_increments_that_are_told_otherwise(name, xinc, times):
    scope, ask = ready(name, quirks={"xinc": xinc})
    got = read(ask, name, 1)
    told_s = got.volts.size * (got.increment_s or 0.0)
    assert told_s == pytest.approx(times * span_s(name), rel=1e-4)
    scope.close()


# The model that stands for C1 has no extremes.
@pytest.mark.parametrize("name", [*sorted(set(FAMILIES) - {"C1"}), "waverunner-lt344"])
def test_other_order_of_pairs(name):
    got = []
    for order in ("min-max", "max-min"):
        scope, ask = ready(name, quirks={"order": order})
        got.append(read(ask, name, 1).volts)
        scope.close()
    lows, highs = got
    assert np.all(lows[:, 0] <= lows[:, 1])
    assert np.array_equal(lows[:, ::-1], highs)


def test_pairs_that_are_not_told():
    scope, ask = ready("B", quirks={"told": "plain"})
    assert ask("WFMO:PT_F?") == b"Y\n"
    got = read(ask, "B", 1).volts
    assert np.all(got[:, 0] <= got[:, 1])
    assert (got[:, 1] - got[:, 0]).max() > 0.1
    scope.close()


def test_unknown_names_are_refused():
    with pytest.raises(ValueError, match="order: min-max, max-min"):
        make_scope("A2", quirks={"order": "none"})
    with pytest.raises(KeyError):
        fact("A2").options["none"]


STATUS = {
    "A1": (":OPER:COND?", ("+8", "+0")),
    "A2": (":TRIG:STAT?", ("RUN", "STOP")),
    "B": ("BUSY?", ("1", "0")),
    "waverunner-lt344": ("TRMD?", ("SINGLE", "STOP")),
    "C2": ("SAST?", ("Trig'd", "Stop")),
    "C3": (":TRIG:STAT?", ("Trig'd", "Stop")),
    "D": ("ACQ:STAT?", ("RUN", "COMP")),
    "gds1054b": (":TRIG:STAT?", ("TRIGGER", "STOP")),
    "sds1202x-e": ("SAST?", ("Trig'd", "FStop")),
}


@pytest.mark.parametrize("name", STATUS)
def test_a_single_sweep_is_first_under_way_and_then_done(name):
    scope, ask = ready(name)
    question, states = STATUS[name]
    ask(single(name))
    assert tuple(ask(question).decode().strip() for _ in range(2)) == states
    scope.close()


@pytest.mark.parametrize("name", ["owon-sds1104", "sds2104x-plus", "waverunner-lt344"])
@pytest.mark.parametrize("level_v", [2.5, 40.0])
def test_a_single_sweep_waits_for_its_trigger_whatever_went_before(name, level_v):
    """Those that a scope makes by itself end with it (common practice)."""
    scope, ask = ready(name)
    trigger, before = scope.panel.trigger, scope.records
    trigger.automatic = True
    trigger.levels_v[trigger.source] = level_v
    ask(single(name))
    for _ in range(3):
        ask("TRMD?" if name == "waverunner-lt344" else ":TRIG:STAT?")
    assert scope.records == before + (level_v < 5.0)
    scope.close()


@pytest.mark.parametrize(
    ("name", "asks"),
    [
        ("A1", (":WAV:SOUR CHAN4", ":WAV:DATA?")),
        ("A2", (":WAV:SOUR CHAN4", ":WAV:DATA?")),
        ("B", ("DAT:SOU CH4", "CURV?")),
        ("waverunner-lt344", ("*CLS", "C4:WF? ALL")),
        ("C2", ("*CLS", "C4:WF? DAT2")),
        ("C3", (":WAV:SOUR C4", ":WAV:DATA?")),
        ("D", ("*CLS", "CHAN4:DATA?")),
        ("gds1054b", ("*CLS", ":ACQ4:MEM?")),
    ],
)
def test_a_channel_that_is_off_has_no_data(name, asks):
    scope, ask = ready(name)
    ask(asks[0])
    answer = ask(asks[1])
    assert answer == b"" or block(answer)[0] == b""
    # Settings conflict is an execution error: bit 4 of the register.
    assert int(ask("*ESR?")) & 16
    scope.close()


MATHS = {
    "A1": (":FUNC1:DISP 1;OPER SUBT;SOUR1 CHAN1;SOUR2 CHAN2;SCAL 0.12", ":WAV:SOUR FUNC1"),
    "A2": (":MATH1:DISP 1;OPER SUBT;SCAL 0.12", ":WAV:SOUR MATH1"),
    "B": ('MATH1:DEF "CH1-CH2";:MATH1:VERT:SCA 0.12;:SEL:MATH1 1', "DAT:SOU MATH"),
    "waverunner-lt344": ('F1:DEF EQN,"C1-C2";F1:VDIV 0.12;F1:TRA ON', "*CLS"),
    "C3": (":FUNC1 ON;:FUNC1:OPER SUBT;SCAL 0.12", ":WAV:SOUR F1"),
    "D": ('CALC:MATH1:STAT ON;EXPR "CH1-CH2";SCAL 0.12', "CALC:MATH1:DATA:POIN MAX"),
}


@pytest.mark.parametrize("name", MATHS)
def test_the_maths_channel_is_plus_less_minus(name):
    scope, ask = ready(name)
    for line in MATHS[name]:
        ask(line)
    take(ask, name)
    question = {"B": "CURV?", "waverunner-lt344": "F1:WF? DAT1", "D": "CALC:MATH1:DATA?"}
    data, _ = block(ask(question.get(name, ":WAV:DATA?")))
    a_div = fact(name).traits.codes_per_div
    if name == "D":
        peak_v = np.frombuffer(data, "<f4").max()
    elif name in ("A1", "A2"):
        middle = 128.0 if name == "A1" else 127.0
        peak_v = (np.frombuffer(data, "u1").max() - middle) / a_div * 0.12
    else:
        peak_v = np.frombuffer(data, "i1").max() / a_div * 0.12
    assert peak_v == pytest.approx(scope.truth().first_v, abs=0.01)
    scope.close()


# SCPI-1999, volume 2, chapter 21.8: -104 data type, -108 parameter not allowed, -109 missing
# parameter, -113 undefined header, -114 header suffix out of range, -221 settings conflict,
# -222 data out of range, -224 illegal parameter value.
REFUSED = {
    "tds2012c": {"MATH:DEFINE 'CH2-CH1'": -224, "CH1:PROBE 3": -222, "CH1:POS 1000": -222},
    "A1": {
        ":DIG CHAN9": -224,
        ":WAV:VIEW ZOOM": -224,
        ":WAV:POIN 3333": -222,
        ":WAV:DATA? CHAN1": -108,
        ":CHAN9:SCAL 1": -114,
        ":CHAN1:SCAL": -109,
        ":CHAN1:SCAL 1,2": -108,
        ":CHAN1:SCAL 0": -222,
        ":CHAN1:PROB 0": -222,
        "*RST?": -113,
    },
    "A2": {":WAV:STAR 0": -222, ":WAV:DATA? CHAN1": -108, ":ACQ:MDEP 7k": -221},
    "A2-older": {":TIM:SCAL 1E-3": -104, ":CHAN1:SCAL 1E0": -104},
    "B": {"HOR:RECO 7": -222, "DAT:SOU CH9": -224, "CH9:SCA 1": -114},
    "waverunner-lt344": {
        'F1:DEF EQN,"C2-C1"': -224,
        'F1:DEF X,"C1-C2"': -224,
        "CFMT DEF9,BYTE,OFF": -224,
        "CFMT DEF9,LONG,BIN": -224,
        "CFMT DEF9": -224,
        "C1:WF? NONE": -224,
        "TRSE GLIT,SR,C1": -224,
        "TRSE": -224,
        "WFSU SP,-1": -222,
    },
    "sds1102cml": {"DEF EQN,'C2-C1'": -224, "DEF X,'C1-C2'": -224, "ACQW": -109},
    "C3": {
        ":TIM:REF:POS 101": -222,
        ":WAV:INT 0": -222,
        ":WAV:STAR -1": -222,
        ":WAV:POIN -1": -222,
        ":CHAN1:PROB": -109,
        ":CHAN1:PROB VAL": -109,
        ":TRIG:TYPE": -109,
    },
    "D": {
        "TIM:REF 101": -222,
        "TIM:REF -1": -222,
        'CALC:MATH1:EXPR "CH2-CH1"': -224,
        "FORM BIN": -224,
        "FORM REAL,16": -224,
    },
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_is_wrong_in_a_message_is_told_by_the_standard_s_number(name):
    scope, ask = ready(name)
    scope.errors.clear()
    for message, code in REFUSED[name].items():
        assert ask(message) == b"", message
        assert (scope.errors.pop()[0], scope.errors.pop()[0]) == (code, 0), message
    scope.close()


def test_the_older_tektronix_takes_plus_less_minus_however_it_is_written():
    scope, ask = ready("tds2012c")
    scope.errors.clear()
    for text in ('"CH1-CH2"', "'ch1 - ch2'"):
        assert ask(f"MATH:DEFINE {text}") == b""
    assert scope.errors.pop()[0] == 0
    assert ask("MATH:DEFINE?").strip().endswith(b'"CH1-CH2"')
    scope.close()


# InfiniiVision


def test_words_are_the_bytes_in_finer_steps_and_may_have_a_sign():
    scope, ask = ready("A1")
    raw = {}
    for order, kind in (("MSBF", ">u2"), ("LSBF", "<u2")):
        ask(f":WAV:SOUR CHAN1;FORM WORD;BYT {order}")
        raw[order] = np.frombuffer(block(ask(":WAV:DATA?"))[0], kind)
    ask(":WAV:FORM BYTE")
    plain = np.frombuffer(block(ask(":WAV:DATA?"))[0], "u1")
    signed = np.frombuffer(block(ask(":WAV:UNS 0;DATA?"))[0], "i1")
    assert np.array_equal(raw["MSBF"], raw["LSBF"])
    assert np.array_equal(raw["MSBF"], plain.astype(int) * 256)
    assert np.array_equal(signed.astype(int) + 128, plain)
    assert ask(":WAV:PRE?").decode().strip().endswith(",+0")
    scope.close()


def test_digitize_waits_for_the_sweep():
    scope, ask = ready("A1")
    count = scope.records
    assert ask(":DIG CHAN1,CHAN2;*OPC?") == b"1\n"
    assert scope.records == count + 1
    assert ask(":TER?;:TER?") == b"+1;+0\n"
    scope.close()


def test_a_running_infiniivision_gives_its_screen():
    scope, ask = ready("A1")
    ask(":RUN;:WAV:SOUR CHAN1;POIN MAX")
    assert ask(":WAV:POIN?") == b"+62500\n"
    ask(":STOP")
    assert int(ask(":WAV:POIN?")) == 1_000_000
    scope.close()


def test_a_view_of_the_zoomed_window_is_a_tenth_of_the_screen():
    scope, ask = ready("A1")
    ask(":WAV:SOUR CHAN3;POIN:MODE NORM")
    whole = float(ask(":WAV:XINC?"))
    assert ask(":WAV:VIEW WIND") == b""
    assert ask(":SYST:ERR?").startswith(b"-221")
    ask(":TIM:MODE WIND;:WAV:VIEW WIND")
    assert float(ask(":WAV:XINC?")) == pytest.approx(whole / 10)
    scope.close()


# Rigol


def test_the_window_of_a_memory_stays_and_is_held_at_the_end_of_the_screen():
    scope, ask = ready("A2")
    whole = block(ask(":WAV:SOUR CHAN1;DATA?"))[0]
    ask(":WAV:STAR 101;STOP 300")
    assert block(ask(":WAV:DATA?"))[0] == whole[100:300]
    assert ask(":WAV:PRE?").split(b",")[2] == b"200"
    ask(":WAV:MODE NORM;STOP 30000")
    assert ask(":WAV:STOP?") == b"1200\n"
    scope.close()


def test_the_zoomed_window_of_a_screen_is_a_tenth_of_it_each_point_ten_times():
    scope, ask = ready("A2")
    ask(":WAV:SOUR CHAN1;MODE NORM;STAR 1;STOP 1200")
    whole = np.frombuffer(block(ask(":WAV:DATA?"))[0], "u1")
    increment_s, start_s = (float(ask(f":WAV:{word}?")) for word in ("XINC", "XOR"))
    ask(":TIM:DEL:ENAB 1;:WAV:STAR 6;STOP 1200")
    zoomed = np.frombuffer(block(ask(":WAV:DATA?"))[0], "u1")
    assert np.array_equal(zoomed, np.repeat(whole[540:660], 10)[5:])
    assert float(ask(":WAV:XINC?")) == pytest.approx(increment_s / 10)
    assert float(ask(":WAV:XOR?")) == pytest.approx(start_s + 540 * increment_s)
    scope.close()


def test_the_text_of_a_rigol_is_its_bytes_in_volts():
    scope, ask = ready("A2")
    ask(":CHAN1:OFFS -0.4;:SING")
    take(ask, "A2")
    codes = np.frombuffer(block(ask(":WAV:SOUR CHAN1;FORM BYTE;DATA?"))[0], "u1")
    step_v, origin, reference = (float(each) for each in ask(":WAV:PRE?").split(b",")[7:])
    text = np.array(block(ask(":WAV:FORM ASC;DATA?"))[0].split(b","), dtype=float)
    # Programming guide: (code - origin - reference) times the increment.
    assert origin != 0.0
    volts = (codes - origin - reference) * step_v
    assert text == pytest.approx(volts, abs=0.6 * step_v)
    scope.close()


def test_a_memory_needs_a_stop():
    scope, ask = ready("A2")
    ask(":RUN")
    assert block(ask(":WAV:SOUR CHAN1;DATA?"))[0] == b""
    assert ask(":SYST:ERR?").startswith(b"-221,")
    assert len(block(ask(":WAV:MODE NORM;STOP 1200;DATA?"))[0]) == 1200
    scope.close()


def test_a_question_without_a_newline_is_not_answered():
    scope = make_scope("A2")
    assert scope.reply(b"*OPC?") == []
    assert scope.reply(b"*OPC?\n") == [b"1", b"\n"]
    assert scope.reply(b"*IDN?") != []
    scope.close()


def test_words_of_twelve_bits_stand_left():
    scope, ask = ready("dho804")
    coarse = np.frombuffer(block(ask(":WAV:SOUR CHAN1;DATA?"))[0], "u1")
    fine = np.frombuffer(block(ask(":WAV:FORM WORD;DATA?"))[0], "<u2")
    assert np.array_equal(fine >> 8, coarse)
    assert len(set(fine & 15)) == 1
    assert len(set((fine >> 4) & 15)) > 8
    scope.close()


def test_rolling_takes_no_notice_of_the_index():
    starts = set()
    for speed in (300.0, 310.0, 290.0):
        scope, ask = ready("dho804", params={"speed_rpm": speed})
        ask(":TIM:ROLL 1")
        take(ask, "dho804")
        starts.add(bool(read(ask, "dho804", 3).volts[1:5].max() < 0.5))
        scope.close()
    assert False in starts


# Tektronix


def test_window_and_offset_binary():
    scope, ask = ready("B")
    whole = np.frombuffer(block(ask("DAT:SOU CH1;:CURV?"))[0], "i1")
    ask("DAT:STAR 101;STOP 300")
    assert ask("WFMO:NR_P?") == b"200\n"
    assert np.array_equal(np.frombuffer(block(ask("CURV?"))[0], "i1"), whole[100:300])
    ask("DAT:ENC RPB")
    assert np.array_equal(np.frombuffer(block(ask("CURV?"))[0], "u1"), whole[100:300] + 128.0)
    # Half a division up, 25 codes a division, and the middle of offset binary.
    assert float(ask("WFMO:YOF?")) == 12.5 + 128
    assert ask("WFMO:PT_F?") == b"ENV\n"
    scope.close()


@pytest.mark.parametrize(("encoding", "kind"), [("RIB", ">i2"), ("SRI", "<i2")])
@pytest.mark.parametrize("name", ["B", "tps2024", "mso44"])
def test_words_of_tektronix(name, encoding, kind):
    scope, ask = ready(name)
    head = "WFMP" if name == "tps2024" else "WFMO"
    ask(f"DAT:SOU CH1;ENC {encoding};WID 1")
    coarse = np.frombuffer(block(ask("CURV?"))[0], "i1").astype(int)
    step = float(ask(f"{head}:YMU?"))
    ask("DAT:WID 2")
    words = np.frombuffer(block(ask("CURV?"))[0], kind).astype(int)
    assert np.array_equal(words >> 8, coarse)
    assert float(ask(f"{head}:YMU?")) == pytest.approx(step / 256, rel=1e-3)
    scope.close()


# LeCroy and Siglent


@pytest.mark.parametrize(("order", "code"), [("HI", ">"), ("LO", "<")])
def test_a_descriptor_in_both_orders(order, code):
    scope, ask = ready("waverunner-lt344")
    ask(f"CORD {order}")
    answer = ask("C1:WF? ALL")
    assert answer.startswith(b"ALL,#9")
    data, _ = block(answer)
    assert data[:8] == b"WAVEDESC"
    assert struct.unpack_from(f"{code}i", data, 36) == (346,)
    assert struct.unpack_from(f"{code}i", data, 60) == (10_000,)
    assert len(data) == 346 + 10_000
    assert read(ask, "waverunner-lt344", 1).volts.max() == pytest.approx(0.22, abs=0.04)
    scope.close()


def test_words_and_sparse_windows_of_lecroy():
    scope, ask = ready("waverunner-lt344")
    codes = np.frombuffer(block(ask("C1:WF? DAT1"))[0], "i1")
    ask("CORD LO;CFMT DEF9,WORD,BIN")
    words = np.frombuffer(block(ask("C1:WF? DAT1"))[0], "<i2")
    assert np.array_equal(words, codes.astype(int) * 256)
    ask("CFMT DEF9,BYTE,BIN;WFSU SP,4,NP,100,FP,8")
    assert np.array_equal(np.frombuffer(block(ask("C1:WF? DAT1"))[0], "i1"), codes[8:408:4])
    scope.close()


@pytest.mark.parametrize("size", [346, 368, 369])
def test_descriptors_of_all_lengths(size):
    scope, ask = ready("C3", quirks={"descriptor": size})
    described, _ = block(ask(":WAV:SOUR C1;PRE?"))
    assert len(described) == size
    assert ratio(ask, "C3") == pytest.approx(scope.truth().ratio, abs=0.01)
    scope.close()


@pytest.mark.parametrize("name", ["sds2104x-plus", "sds2104x-hd"])
def test_words_of_siglent_and_their_told_length(name):
    scope, ask = ready(name)
    codes = np.frombuffer(block(ask(":WAV:SOUR C1;DATA?"))[0], "i1")
    answer = ask(":WAV:WIDT WORD;DATA?")
    halved = fact(name).options.get("halved_length", False)
    digits = int(answer[1:2])
    assert int(answer[2 : 2 + digits]) == codes.size * (1 if halved else 2)
    words = np.frombuffer(answer[2 + digits : -1], "<i2")
    assert np.array_equal(words >> 8, codes)
    scope.close()


def test_siglent_tells_the_reference_in_whole_percent():
    # NR1 in the maker's guide (from memory).
    ask = asker(scope := make_scope("C3"))
    ask(":TIM:REF:POS 20")
    assert ask(":TIM:REF:POS?") == b"20\n"
    scope.close()


def test_pages_of_siglent():
    scope, ask = ready("C3")
    ask(":TRIG:MODE AUTO;:ACQ:MDEP 10M;:TRIG:STOP")
    most = int(float(ask(":WAV:MAXP?")))
    ask(":WAV:SOUR C1")
    first = block(ask(":WAV:DATA?"))[0]
    second = block(ask(f":WAV:STAR {most};DATA?"))[0]
    assert len(first) == most
    assert len(first) + len(second) == 10_000_000
    assert ask(":ACQ:MDEP?") == b"10M\n"
    scope.close()


# Rohde & Schwarz


def test_text_and_the_high_byte_first():
    scope, ask = ready("D")
    little = np.frombuffer(block(ask("CHAN1:DATA?"))[0], "<f4")
    big = np.frombuffer(block(ask("FORM:BORD MSBF;:CHAN1:DATA?"))[0], ">f4")
    text = np.array(ask("FORM ASC;:CHAN1:DATA?").decode().split(","), dtype=float)
    assert np.array_equal(little, big)
    assert text == pytest.approx(little, abs=1e-6)
    scope.close()


def test_stale_data_are_an_error():
    scope, ask = ready("D")
    ask("SING;:CHAN1:DATA?")
    assert ask(":SYST:ERR?").startswith(b"-230,")
    ask("*OPC?;:CHAN1:DATA?")
    assert ask(":SYST:ERR?").startswith(b"0,")
    scope.close()
