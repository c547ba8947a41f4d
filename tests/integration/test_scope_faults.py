"""Every fault of the virtual scope over every transport, each in a process with a kill timer.

Required of each: no hang beyond a record's deadline and a second, no crash, no wrong reading, and
the next good record is read right.
"""

import multiprocessing
import time
import traceback
from concurrent.futures import ThreadPoolExecutor

import pytest

from instruments.scope import source
from instruments.virtual.scope import Fault
from tests.instruments.scope import faultcase

# All of them on one worker, where they wait beside each other.
pytestmark = [pytest.mark.timeout(300), pytest.mark.xdist_group("scope faults")]

# The links behind VISA have some seconds for an answer, which beside other tests would not do.
ALONE = (pytest.mark.slow, pytest.mark.real_time)
TRANSPORTS = ("socket", "vxi11", "hislip", "usb", "serial")
KILL_S = 90  # three places, each with its deadline, the connecting anew and two records
AT_ONCE = 4  # most of their time they wait for a deadline, but to be set up is work

# Faults after which nothing but a new connection helps, whatever the link.
BROKEN = {Fault.STALL, Fault.CLOSE, Fault.RESET}
# Faults that spoil no record.
HARMLESS = {Fault.NO_NEWLINE, Fault.TWO_NEWLINES, Fault.JUNK_BEFORE, Fault.ERRORS}
# What a link itself can come to, and of the faults in what it carries one of each kind.
OF_THE_LINK = (Fault.TRUNCATED, Fault.JUNK_AFTER, Fault.GARBAGE, Fault.CLOSE_AT_CONNECT, *BROKEN)

# Each case is forked off a process that has loaded what all of them need.
FORKS = multiprocessing.get_context("forkserver")
FORKS.set_forkserver_preload([source.__name__, faultcase.__name__, "pyvisa_py"])


def tell_case(pipe, *case):
    try:
        faultcase.run_case(*case, pipe.send)
    except BaseException:
        pipe.send(traceback.format_exc())
        raise


def run(transport, family, fault):
    heard, pipe = FORKS.Pipe(duplex=False)
    case = FORKS.Process(target=tell_case, args=(pipe, transport, family, fault))
    case.start()
    pipe.close()
    until_s = time.monotonic() + KILL_S
    told = []
    try:
        while heard.poll(max(0.0, until_s - time.monotonic())):
            told.append(heard.recv())
    except EOFError:
        case.join(max(0.0, until_s - time.monotonic()))
    finally:
        case.kill()
    case.join()
    assert case.exitcode == 0, f"{fault}: {told}"
    return told


def check(case, lines):
    (*_, fault), (*places, closing) = case, lines
    assert [entry["place"] for entry in places] == ["start", "middle", "end"], fault
    for entry in places:
        told = f"{fault} at {entry['place']}: {entry}"
        # Ratio from one record of 8-bit codes against the drive's truth.
        assert entry["worst"] < 0.01, told
        assert entry["records"] >= 1, told
        if fault in BROKEN:
            assert entry["said"].startswith("scope “"), told
        if fault in HARMLESS:
            assert not entry["said"], told
    assert closing["close_s"] < 2, fault


@pytest.fixture(scope="module")
def results(request):
    """What becomes of each case of the tests that are run, by its parameters; all are under way."""
    asked = [item for item in request.session.items if item.module is request.module]
    cases = dict.fromkeys(case for item in asked for case in item.callspec.params["cases"])
    with ThreadPoolExecutor(AT_ONCE) as pool:
        yield {case: pool.submit(run, *case) for case in cases}


def check_all(results, cases):
    for case in cases:
        check(case, results[case].result())


def cases(transport, family, faults):
    return tuple((transport, family, fault) for fault in faults)


@pytest.mark.parametrize(
    "cases",
    [
        pytest.param(cases("socket", "A2", Fault), id="socket"),
        *(
            pytest.param(cases(name, "A2", OF_THE_LINK), id=name, marks=ALONE)
            for name in TRANSPORTS[1:]
        ),
    ],
)
def test_faults_over(results, cases):
    check_all(results, cases)


@pytest.mark.slow
@pytest.mark.real_time
@pytest.mark.parametrize(
    "cases",
    [
        pytest.param(cases(name, "A2", [f for f in Fault if f not in OF_THE_LINK]), id=name)
        for name in TRANSPORTS[1:]
    ],
)
def test_the_other_faults_over(results, cases):
    check_all(results, cases)


OF_THE_GRAMMAR = (Fault.WRONG_LENGTH, Fault.JUNK_AFTER, Fault.GARBAGE_TEXT, Fault.REFUSE)


@pytest.mark.few(1)
@pytest.mark.parametrize(
    "cases",
    [
        pytest.param(cases("socket", name, OF_THE_GRAMMAR), id=name)
        for name in ("A1", "A2-older", "B", "C1", "C2", "C3", "D")
    ],
)
def test_faults_that_touch_a_family_s_own_grammar(results, cases):
    check_all(results, cases)
