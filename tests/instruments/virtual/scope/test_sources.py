"""The models against what guides and public drivers say that real scopes answer.

Each check names where its numbers stand; they are facts of those pages and not of this project.
"""

import struct

import numpy as np
import pytest

from instruments.virtual.scope.scope import Pause, Send
from tests.instruments.virtual.scope.bench import (
    asker,
    block,
    fact,
    make_scope,
    read,
    set_up,
    take,
)


@pytest.fixture
def asked():
    """Return a function that makes a scope and returns the way to ask it."""
    scopes = []

    def make(name, *lines, **settings):
        scopes.append(make_scope(name, **settings))
        ask = asker(scopes[-1])
        for line in lines:
            assert ask(line) == b"", line
        return ask

    yield make
    for scope in scopes:
        scope.close()


# Rigol


def test_a_preamble_of_a_ds1054z(asked):
    """pklaus/ds1054z, ds1054z/__init__.py, waveform_preamble: an answer of the real scope."""
    ask = asked("ds1054z", ":CHAN1:SCAL 1;OFFS -3", ":TIM:SCAL 2e-3;OFFS -2.56e-3")
    told = b"0,0,1200,1,2.000000e-05,-1.456000e-02,0,4.000000e-02,-75,127\n"
    assert ask(":WAV:PRE?") == told


def test_a_preamble_of_a_ds2000(asked):
    """DS2000E programming guide, page 345: the answer to :WAVeform:PREamble?."""
    ask = asked("ds2072a", ":CHAN1:SCAL 1", ":TIM:SCAL 1e-6")
    assert ask(":WAV:PRE?") == b"0,0,1400,1,1.000000e-08,-7.000000e-06,0,4.000000e-02,0,127\n"


def test_increments_of_an_mso5000_are_those_of_its_screen(asked):
    """MSO5000 programming guide, page 2-223: VerticalScale/25 and TimeScale/100."""
    ask = asked("mso5074", ":CHAN1:SCAL 0.5", ":TIM:SCAL 0.02")
    assert float(ask(":WAV:YINC?")) == pytest.approx(0.5 / 25)
    assert float(ask(":WAV:XINC?")) == pytest.approx(0.02 / 100)


def test_numbers_of_a_dho800(asked):
    """DHO800/900 guide: 3.3.2 (1.000E+6), 3.28.9 (scale/7500), 3.28.6 (scale/100), 3.26.11."""
    ask = asked("dho804", ":ACQ:MDEP 1M", ":CHAN1:SCAL 0.5", ":TIM:SCAL 0.02;ROLL 0")
    assert ask(":ACQ:MDEP?") == b"1.000E+6\n"
    ask(":WAV:FORM WORD")
    assert float(ask(":WAV:YINC?")) == pytest.approx(0.5 / 7500)
    assert float(ask(":WAV:XINC?")) == pytest.approx(0.02 / 100)
    assert ask(":TIM:ROLL?") == b"0\n"


def test_a_dho800_is_found_rolling_at_fifty_milliseconds(asked):
    """DHO800/900 guide 3.26.11: on after a reset, from 50 ms a division on; 3.26.6: ROLL."""
    ask = asked("dho804", ":TRIG:SWE NORM", ":TIM:SCAL 0.02")
    assert ask(":TIM:MODE?") == b"MAIN\n"
    ask(":TIM:SCAL 0.05")
    assert ask(":TIM:MODE?") == b"ROLL\n"
    ask(":TIM:ROLL 0")
    assert ask(":TIM:MODE?") == b"MAIN\n"


def test_depths_of_a_dho800_with_one_two_and_three_channels(asked):
    """DHO800/900 guide 3.3.2; 25 M of the DHO800 with one channel: data sheet."""
    ask = asked("dho804", ":ACQ:MDEP 25M")
    ask(":CHAN2:DISP 1")
    assert ask(":ACQ:MDEP?") == b"1.000E+7\n"
    ask(":CHAN3:DISP 1")
    assert ask(":ACQ:MDEP?") == b"5.000E+6\n"
    ask(":ACQ:MDEP 10M")
    assert ask(":SYST:ERR?").startswith(b"-222")


def test_memory_of_a_ds1054z_is_read_in_pages_of_a_quarter_million(asked):
    """pklaus/ds1054z: max_byte_len = 250000; depths only while running."""
    ask = asked("ds1054z", ":ACQ:MDEP 1200000", ":STOP", ":WAV:MODE RAW", ":WAV:STOP 250000")
    assert len(block(ask(":WAV:DATA?"))[0]) == 250_000
    ask(":WAV:STOP 250001")
    assert block(ask(":WAV:DATA?"))[0] == b""


class Clock:
    def __init__(self):
        self.now_s = 5.0

    def __call__(self):
        return self.now_s


def test_a_ds1052e_is_deaf_for_a_tenth_of_a_second_after_a_command(asked):
    """ya_ds1052 0.1.2 (PyPI), _read_source: 0.1 s after a setting, else no answer."""
    clock = Clock()
    ask = asked("ds1052e", clock=clock)
    assert ask(":CHAN1:SCAL 2") == b""
    clock.now_s += 0.09
    assert ask(":CHAN1:SCAL?") == b""
    clock.now_s += 0.02
    assert ask(":CHAN1:SCAL?") == b"2.000e+00\n"
    assert ask(":CHAN1:SCAL?") == b"2.000e+00\n"


def test_words_of_a_ds1052e(asked):
    """ya_ds1052 0.1.2 (PyPI): README (no *OPC?), AcquisitionType, TriggerStatus, _float_format."""
    ask = asked("ds1052e", ":ACQ:TYPE PEAKDETECT", ":TRIG:EDGE:SWE SINGLE", ":RUN")
    assert ask("*OPC?") == b""
    assert ask(":ACQ:TYPE?") == b"Peak Detect\n"
    assert ask(":TRIG:STAT?") == b"T'D\n"
    assert ask(":TRIG:STAT?") == b"STOP\n"
    assert ask(":TRIG:EDGE:SWE?") == b"SINGLE\n"
    assert ask(":ACQ:MEMDEPTH?") == b"NORMAL\n"
    ask(":TIMEBASE:SCALE 1e-5")
    assert ask(":TIMEBASE:SCALE?") == b"1.000e-03\n"
    ask(":TIMEBASE:SCALE 0.00001")
    assert ask(":TIMEBASE:SCALE?") == b"1.000e-05\n"


def test_short_forms_of_a_ds1052e(asked):
    """Antikernel, RigolDS1000SeriesOscilloscope.cpp: :TIM:SCAL?, :TIM:OFFS?, :ACQ:MEMD NORM."""
    ask = asked("ds1052e", ":TIM:SCAL 0.02", ":TIM:OFFS 0.1")
    assert ask(":TIM:SCAL?") == ask(":TIMebase:SCALe?") == b"2.000e-02\n"
    assert ask(":TIM:OFFS?") == b"1.000e-01\n"
    assert ask(":ACQ:MEMD?") == b"NORMAL\n"
    ask(":ACQ:MEMD LONG")
    assert ask(":ACQ:MEMD?") == b"LONG\n"
    ask(":WAV:POIN:MODE RAW")
    ask(":STOP")
    assert len(block(ask(":WAV:DATA? CHANNEL1"))[0]) > 16384


@pytest.mark.parametrize(("on", "points"), [(1, 16384), (2, 8192)])
def test_points_of_a_ds1052e(asked, on, points):
    """ya_ds1052 0.1.2 (PyPI), points_mode: 600 on the screen, 16384 or 8192 in memory."""
    ask = asked("ds1052e", *[f":CHAN{n}:DISP ON" for n in range(1, on + 1)])
    assert len(block(ask(":WAV:DATA? CHANNEL1"))[0]) == 600
    ask(":WAV:POIN:MODE RAW")
    ask(":STOP")
    assert len(block(ask(":WAV:DATA? CHANNEL1"))[0]) == points


# Keysight and Agilent


@pytest.mark.parametrize(("name", "always"), [("dsox3024t", 0), ("dsox4024a", 16)])
def test_the_condition_register_of_infiniivision(asked, name, always):
    """3000 X-Series guide p. 171: bit 3 runs, bit 5 armed; 4000X guide p. 1571: bit 4 as well."""
    ask = asked(name)
    assert ask(":OPER:COND?") == f"+{8 + always}\n".encode()
    ask(":TRIG:SWE NORM;:TRIG:EDGE:SOUR LINE;:SING")
    assert int(ask(":OPER:COND?")) == 8 + 32 + always
    ask(":STOP")
    assert int(ask(":OPER:COND?")) == always
    assert ask(":RSTate?") == b""


def test_first_the_preamble_of_infiniivision_has_no_points(asked):
    """5000 guide, p. 410, second hand: a first preamble may say "+0"."""
    ask = asked("dsox2024a")
    assert ask(":WAV:PRE?").split(b",")[2] == b"+0"
    ask(":STOP")
    assert int(ask(":WAV:PRE?").split(b",")[2]) == 62_500


def test_steps_of_infiniivision(asked):
    """2000X guide p. 644: Y reference = steps/2, 256 of a byte and 65536 of a word."""
    ask = asked("dsox2024a", ":STOP", ":WAV:FORM BYTE")
    byte = ask(":WAV:PRE?").decode().split(",")
    word = ask(":WAV:FORM WORD;PRE?").decode().split(",")
    assert (int(byte[9]), int(word[9])) == (128, 32768)
    assert float(byte[7]) == pytest.approx(256 * float(word[7]))
    # Delay = points/2 · increment + origin.
    assert int(byte[2]) / 2 * float(byte[4]) + float(byte[5]) == pytest.approx(0.0, abs=1e-9)


def test_pairs_of_infiniivision_are_minimum_and_maximum(asked):
    """5000 guide p. 405: first the minimum, then the maximum; the increment is half a bucket."""
    ask = asked("dsox3024t")
    set_up(ask, "dsox3024t")
    take(ask, "dsox3024t")
    got = read(ask, "dsox3024t", 1)
    assert np.all(got.volts[:, 0] <= got.volts[:, 1])
    assert 2 * got.increment_s * got.volts.shape[0] == pytest.approx(0.5)


def test_codes_with_a_meaning_of_infiniivision(asked):
    """4000X guide p. 1243, second hand: 1 clipped low, 255 clipped high; 2000X p. 631: 0 empty."""
    ask = asked("dsox3024t", params={"amplitude_v": 4.0}, quirks={"holes": 5})
    set_up(ask, "dsox3024t")
    ask(":WAV:POIN MAX")
    take(ask, "dsox3024t")
    raw = np.frombuffer(block(ask(":WAV:SOUR CHAN2;DATA?"))[0], np.uint8)
    assert set(raw[-10:]) == {0}
    assert (raw[:-100].min(), raw.max()) == (1, 255)


# Tektronix


def test_the_record_of_a_tds2012c(asked):
    """TDS2012C programmer manual p. 2-28 and TDS210 p. 2-258: 2500 points, value of a code."""
    ask = asked("tds2012c", "HEAD OFF", "CH1:SCA 1;POS 1", "HOR:MAI:SCA 0.001;POS 0.002")
    assert ask("WFMP:NR_P?") == b"2500\n"
    assert ask("CURV?").startswith(b"#42500")
    zero, step, origin = (float(ask(f"WFMP:{name}?")) for name in ("YOF", "YMU", "YZE"))
    assert (zero, step, origin) == pytest.approx((25, 0.04, 0))
    assert ask("WFMP:PT_O?") == b"0\n"
    assert float(ask("WFMP:XZE?")) == pytest.approx(0.002 - 0.005)
    for text in ("CH1:OFFS?", "WFMO:XZE?", "TRIG:A:LEV?", "HOR:DEL:TIM?"):
        assert ask(text) == b""


def test_headers_stand_before_answers_of_tektronix_in_long_form(asked):
    """tm_devices, gen_gmcjpr…/header.py; a form from the TDS1002 manual p. 2-66 (:CURVE …)."""
    ask = asked("tds2012c")
    assert ask("ACQ:MOD?") == b":ACQUIRE:MODE SAMPLE\n"
    assert ask("CURV?").startswith(b":CURVE #42500")
    assert ask("VERB OFF;:ACQ:MOD?") == b":ACQ:MOD SAM\n"
    assert ask("HEAD OFF;:ACQ:MOD?") == b"SAM\n"


def test_delay_mode_forces_the_position_to_the_middle(asked):
    """tm_devices, gen_57wvjk_dpomso/horizontal.py, HORizontal:POSition."""
    ask = asked("mdo3024", "HEAD OFF", "HOR:DEL:MOD ON", "HOR:POS 0")
    assert float(ask("HOR:POS?")) == 50.0
    ask("HOR:DEL:MOD OFF;:HOR:POS 0")
    assert float(ask("HOR:POS?")) == 0.0


def test_a_dpo2000_knows_no_peak_detect_and_two_resolutions(asked):
    """tm_devices, gen_57wvjk_dpomso: ACQuire:MODe {SAMple|AVErage}; data.py, RESOlution."""
    ask = asked("dpo2024", "HEAD OFF", "ACQ:MOD PEAK")
    assert ask("ACQ:MOD?") == b"SAMPLE\n"
    ask("ACQ:STATE STOP;:DAT:STOP 2000000")
    assert ask("WFMO:NR_P?") == b"1000000\n"
    ask("DAT:RESO REDU")
    assert 800 <= int(ask("WFMO:NR_P?")) <= 6250


def test_the_newer_series_have_position_and_offset_in_one_number(asked):
    """tm_devices, gen_7iy04z_dpolpdmso/wfmoutpre.py: YOFf always 0, YZEro both; PT_Off."""
    ask = asked("mso44", "HEAD OFF", "CH1:SCA 1;OFFS 3;POS 2", "ACQ:STATE STOP")
    assert float(ask("WFMO:YOF?")) == 0.0
    assert float(ask("WFMO:YZE?")) == pytest.approx(3 - 2 * 1)
    ask("DAT:STAR 1;STOP 1000000")
    middle = int(ask("WFMO:PT_O?"))
    assert middle == int(ask("HOR:RECO?")) / 2
    ask("DAT:STAR 101")
    assert int(ask("WFMO:PT_O?")) == middle - 100
    assert abs(float(ask("WFMO:XZE?"))) < float(ask("WFMO:XIN?"))


def test_the_newer_series_take_a_length_in_manual_mode_alone(asked):
    """tm_devices, gen_7n037o_lpdmso/horizontal.py, HORizontal:RECOrdlength and :MODe:RECO…."""
    ask = asked("mso44", "HEAD OFF", "HOR:RECO 10000")
    assert ask("HOR:RECO?") == b"1000000\n"
    ask("HOR:MOD MAN;:HOR:RECO 10000")
    assert ask("HOR:RECO?") == ask("HOR:MOD:RECO?") == b"10000\n"
    ask("HOR:MOD:RECO 20000")
    assert ask("HOR:RECO?") == b"20000\n"


def test_the_newer_series_show_channels_by_two_words(asked):
    """tm_devices, gen_4jiykk_mso: display.py, DISplay:GLObal:CH<x>:STATE; select.py, SELect."""
    ask = asked("mso44", "HEAD OFF", "DISplay:GLObal:CH2:STATE ON")
    assert ask("DISplay:GLObal:CH2:STATE?") == ask("SELect:CH2?") == b"1\n"
    ask("SELect:CH2 OFF")
    assert ask("DISplay:GLObal:CH2:STATE?") == b"0\n"


def test_the_preamble_of_the_newer_ones_has_the_order_of_points(asked):
    """python-ivi, tektronixBaseScope.py: fields 7, 10 to 12 and 14 to 16 of ``WFMOutpre?``."""
    ask = asked("mdo3024", "HEAD OFF", "ACQ:STATE STOP", "CH1:SCA 1")
    fields = ask("WFMO?").decode().strip().split(";")
    assert (fields[2], fields[3], fields[7], fields[8]) == ("BINARY", "RI", "Y", "LINEAR")
    assert [float(fields[place]) for place in (14, 15, 16)] == pytest.approx([0.04, 0, 0])


def test_a_tbs2000_rolls_from_forty_milliseconds_in_auto(asked):
    """TBS2000 user manual p. 106: Roll at 40 ms a division or slower."""
    ask = asked("tbs2074", "HEAD OFF", "TRIG:A:MOD AUTO", "HOR:SCA 0.02")
    assert ask("HOR:ROLL?") == b"0\n"
    ask("HOR:SCA 0.05")
    assert ask("HOR:ROLL?") == b"1\n"
    ask("TRIG:A:MOD NORM")
    assert ask("HOR:ROLL?") == b"0\n"


# Siglent and Teledyne LeCroy


def test_answers_of_a_t3dso1204(asked):
    """pymeasure, tests/instruments/lecroy/test_lecroyT3DSO1204.py: what the real scope answered."""
    ask = asked("t3dso1204", "CHDR OFF")
    for put, question, told in (
        ("C1:CPL A1M", "C1:CPL?", b"A1M\n"),
        ("C1:CPL GND", "C1:CPL?", b"GND\n"),
        ("C1:OFST 1.00E+00V", "C1:OFST?", b"1.00E+00\n"),
        ("C1:ATTN 100", "C1:ATTN?", b"100\n"),
        ("C1:ATTN 0.1", "C1:ATTN?", b"0.1\n"),
        ("MSIZ 14M", "MSIZ?", b"14M\n"),
        ("MSIZ 1.4M", "MSIZ?", b"1.4M\n"),
        ("WFSU SP,1", "WFSU?", b"SP,1,NP,0,FP,0\n"),
        ("WFSU NP,2", "WFSU?", b"SP,1,NP,2,FP,0\n"),
        ("ACQW SAMPLING", "ACQW?", b"SAMPLING\n"),
        ("TDIV 5.00E-04", "TDIV?", b"5.00E-04\n"),
        ("TRDL 0", "TRDL?", b"-0.00E+00\n"),
        ("TRSE EDGE,SR,C1,HT,OFF", "TRSE?", b"EDGE,SR,C1,HT,OFF\n"),
        ("C1:TRSL POS", "C1:TRSL?", b"POS\n"),
        ("C1:INVS OFF", "C1:INVS?", b"OFF\n"),
    ):
        assert ask(put) == b""
        assert ask(question) == told
    ask("STOP")
    assert ask("SAST?") == b"Stop\n"
    answer = ask("C1:WF? DAT2")
    assert answer[:16] == b"DAT2,#9000000002"
    assert (len(answer), answer[-2:]) == (20, b"\n\n")


def test_depths_of_a_t3dso1204_halve_with_the_second_channel_of_a_pair(asked):
    """pymeasure, lecroyT3DSO1204.py, memory_size: 14K to 14M, or 7K to 7M."""
    ask = asked("t3dso1204", "CHDR OFF", "MSIZ 14M", "C3:TRA ON")
    assert ask("MSIZ?") == b"14M\n"
    ask("C2:TRA ON")
    assert ask("MSIZ?") == b"7M\n"
    ask("MSIZ 7K")
    assert ask("MSIZ?") == b"7K\n"
    # While it stands still it takes none: as the model has it, and not that manual.
    ask("STOP")
    ask("MSIZ 7M")
    assert ask("MSIZ?") == b"7K\n"


def test_the_level_of_a_t3dso1204_lacks_the_probes_factor(asked):
    """pymeasure, teledyne_oscilloscope.py, trigger_level: divided by the probe's attenuation."""
    scope = make_scope("t3dso1204")
    ask = asker(scope)
    ask("CHDR OFF")
    ask("C1:ATTN 10;C1:TRLV 0.25V")
    assert scope.panel.trigger.levels_v[1] == pytest.approx(2.5)
    assert ask("C1:TRLV?") == b"2.50E-01\n"
    scope.close()


def test_answers_carry_header_and_unit_until_told_not_to(asked):
    """Public scripts cut ``TRDL `` and ``S``, and ``SARA `` and ``Sa/s``, from such answers."""
    ask = asked("sds1204x-e", "TDIV 1MS", "STOP")
    assert ask("TRDL?") == b"TRDL -0.00E+00S\n"
    assert ask("C1:VDIV?") == b"C1:VDIV 1.00E+00V\n"
    assert ask("SARA?") == b"SARA 1.00E+09Sa/s\n"


def test_the_descriptor_of_an_sds1000cml(asked):
    """pymeasure, siglent_sds1072cml.py and its test: 21 bytes before it, its fields, its order."""
    ask = asked("sds1102cml", "C1:VDIV 500MV;C1:OFST 1V", "TDIV 1MS", "STOP")
    assert ask("*IDN?").startswith(b"*IDN SIGLENT,SDS1102CML+,")
    answer = ask("C1:WF? ALL")
    assert answer[:12] == b"C1:WF ALL,#9"
    described = answer[21 : 21 + 346]
    assert described[:8] == b"WAVEDESC"
    at = lambda place, kind: struct.unpack_from(f"<{kind}", described, place)[0]  # noqa: E731
    assert (at(34, "h"), at(36, "i")) == (1, 346)
    assert (at(156, "f"), at(160, "f")) == pytest.approx((0.5 / 25, 1.0))
    assert at(120, "i") * at(176, "f") == pytest.approx(18e-3)
    assert at(180, "d") == pytest.approx(-9e-3)
    assert len(answer) == 21 + 346 + at(120, "i") + 2


def test_the_descriptor_of_an_sds2000x_plus(asked):
    """SDS guide EN11D as pymeasure's siglent_sds1000xhd.py reads it: offsets and the time axis."""
    ask = asked("sds2104x-plus", ":CHAN1:SCAL 0.5;OFFS 1", ":TIM:SCAL 1e-3;DEL 2e-3", ":TRIG:STOP")
    described, _ = block(ask(":WAV:PRE?"))
    at = lambda place, kind: struct.unpack_from(f"<{kind}", described, place)[0]  # noqa: E731
    assert described[:8] == b"WAVEDESC"
    probe = at(0x148, "f")
    assert probe == 10
    assert (at(0x9C, "f") * probe, at(0xA0, "f") * probe) == pytest.approx((0.5, 1.0))
    assert at(0x74, "i") * at(0xB0, "f") == pytest.approx(10e-3)
    assert at(0xB4, "d") == pytest.approx(2e-3)
    steps = [200e-12, 500e-12, *(d * 10.0**p for p in range(-9, 3) for d in (1, 2, 5))]
    assert steps[at(0x144, "h")] == pytest.approx(1e-3)


@pytest.mark.parametrize(
    ("name", "head"), [("sds2104x-plus", b"#9000000100"), ("sds2104x-hd", b"#3100")]
)
def test_a_page_that_starts_past_the_end_is_never_answered(asked, name, head):
    """Second hand, SDS guide; digits of the count: guide EN11D, what is new."""
    ask = asked(name, ":TRIG:STOP", ":WAV:POIN 100")
    assert ask(":WAV:DATA?").startswith(head)
    ask(":WAV:STAR 900000000")
    assert ask(":WAV:DATA?") == b""


# LeCroy


@pytest.mark.parametrize(
    ("text", "centre_s"), [("-0.002", 0.002), ("0", 0.0), ("90", -0.004), ("20 PCT", 0.003)]
)
def test_trigger_delays_of_lecroy(text, centre_s):
    """X-Stream remote manual WM-RCM-E p. 238: percentage where positive, seconds where not."""
    scope = make_scope("wavesurfer-3024")
    scope.reply(b"TDIV 1MS\n")
    scope.reply(f"TRDL {text}\n".encode())
    assert scope.panel.delay_s == pytest.approx(centre_s, abs=1e-9)
    assert len(scope.errors) == 0
    scope.close()


def test_the_descriptor_of_lecroy(asked):
    """X-Stream remote manual p. 282 to 288, template LECROY_2_3; PDET: no public driver has it."""
    ask = asked("wavesurfer-3024", "CHDR OFF", "MSIZ 10K", "C1:VDIV 1V;C1:OFST 2V", "STOP")
    assert ask("CFMT?") == b"DEF9,WORD,BIN\n"
    data, _ = block(ask("C1:WF? ALL"))
    at = lambda place, kind: struct.unpack_from(f">{kind}", data, place)[0]  # noqa: E731
    assert (data[:8], data[16:26]) == (b"WAVEDESC", b"LECROY_2_3")
    assert (at(32, "h"), at(34, "h"), at(36, "i")) == (1, 0, 346)
    assert at(60, "i") == 2 * at(116, "i") == len(data) - 346
    assert (at(156, "f"), at(160, "f")) == pytest.approx((1 / 25 / 256, 2.0))
    assert ask("PDET ON") == ask("PDET?") == b""


# Rohde & Schwarz, GW Instek


def test_peak_detect_of_an_rtb_is_not_told(asked):
    """RTM3000 manual p. 572: values per sample interval, usually 1; the envelope has its own."""
    ask = asked("rtb2004", "CHAN1:TYPE PDET", "ACQ:POIN 10000", "SING")
    assert ask("*OPC?") == b"1\n"
    ask("CHAN1:DATA:POIN MAX")
    assert ask("CHAN1:DATA:HEAD?").decode().strip().endswith(",10000,1")


def test_more_than_the_screen_is_read_from_a_stopped_rtb_alone(asked):
    """RTB2000 manual p. 536: the range can be changed in STOP mode; running, DEF is used."""
    ask = asked("rtb2004", "ACQ:POIN 100000", "CHAN1:DATA:POIN MAX")
    assert ask(":SYST:ERR?").startswith(b"-221")
    ask("STOP")
    ask("CHAN1:DATA:POIN MAX")
    assert ask("CHAN1:DATA:POIN?") == b"100000\n"
    ask("RUN")
    assert int(ask("CHAN1:DATA:POIN?")) < 100_000


def test_the_text_of_a_gds1000b(asked):
    """GDS-1000B manual p. 38: the keys, 10 000 points of 5e-07 s at 5e-04 s a division, #520000."""
    ask = asked("gds1054b", ":ACQ:RECO 1E+4", ":TIM:SCAL 5E-4", ":CHAN1:SCAL 5", ":STOP")
    answer = ask(":ACQ1:MEM?")
    text = answer[: answer.index(b"#")].decode()
    keys = (
        "Format;Memory Length;IntpDistance;Trigger Address;Trigger Level;Source;Vertical Units;"
        "Vertical Units Div;Vertical Units Extend Div;Label;Probe Type;Probe Ratio;"
        "Vertical Scale;Vertical Position;Horizontal Units;Horizontal Scale;"
        "Horizontal Position;Horizontal Mode;SincET Mode;Sampling Period;Horizontal Old Scale;"
        "Horizontal Old Position;Firmware;Waveform Data"
    )
    assert [part.split(",")[0].strip() for part in text.split(";") if part.strip()] == keys.split(
        ";"
    )
    assert text.startswith("Format,1.0B;Memory Length,10000;IntpDistance,0;")
    # From memory: what says that a division is in volts, and that the probe is one of voltage.
    assert "Units,V;Vertical Units Div,0;Vertical Units Extend Div,15;Label,;Probe Type,0;" in text
    assert "Probe Ratio,1.000e+01;Vertical Scale,5.000e+00;" in text
    assert "Horizontal Scale,5.000E-04;" in text
    assert "Sampling Period,5.000e-07;" in text
    assert answer[answer.index(b"#") :].startswith(b"#520000")


def test_a_code_of_a_gds1000b():
    """GDS-1000B manual p. 38: 28 counts at 0.5 V a division are 28/25 · 0.5 = 0.56 V."""
    assert 28 / fact("gds1054b").traits.codes_per_div * 0.5 == pytest.approx(0.56)


# All


def test_a_block_takes_its_time_and_so_does_an_answer():
    """The sizes are the model's; 3.5 M points at 0.39 records a second: the fact sheet."""
    scope = make_scope("sds1204x-e", byte_s=fact("sds1204x-e").byte_s, answer_s=0.02)
    for message in (b"CHDR OFF\n", b"STOP\n", b"WFSU NP,100000\n"):
        assert scope.deliver(message) == []
    steps = scope.deliver(b"C1:WF? DAT2\n")
    size = sum(len(step.data) for step in steps if isinstance(step, Send))
    assert steps[0] == Pause(pytest.approx(0.02 + size * 3e-7))
    assert scope.deliver(b"TDIV?\n")[0] == Pause(0.02)
    scope.close()


def test_a_second_client_finds_what_the_first_one_left():
    """Two links share one instrument, as they do its front panel."""
    scope = make_scope("sds2104x-plus")
    first, second = asker(scope), asker(scope)
    first(":WAV:INT 8")
    assert second(":WAV:INT?") == b"8\n"
    second(":TRIG:STOP")
    assert first(":TRIG:STAT?") == b"Stop\n"
    scope.close()
