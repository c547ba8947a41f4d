"""The scope's path: overhead of the link, time from request to block, time to stop, the truth."""

from __future__ import annotations

import socket
import statistics
import subprocess
import sys
import time
from collections.abc import Callable

from app.live.measurement import EnvelopeOptions, measure
from app.profiles import load_profile
from instruments.address import open_address
from instruments.scope.links import Deadline, SocketLink
from instruments.virtual.drive import VirtualDrive
from instruments.virtual.params import VirtualParams
from instruments.virtual.scope import FAMILIES, ScopeServer, VirtualScope
from tests.benchmarks.tables import table
from tests.instruments.scope.faultcase import lobes_ratio, new_scope, next_block, served

PROFILE = "130mm-48tpi"
POINTS = 1_000_000
ROUNDS = 200
RECORDS = 15
PATIENCE_S = 30
CARRIER_HZ = 125e3
OFFSETS_UM = {0.70: 31.41, 0.85: 14.43, 1.00: 0.0}
NOISE_CODES = (0, 1, 4)
NOISE_HEADS = ("family", *(f"{r}, {n}" for r in OFFSETS_UM for n in NOISE_CODES))
CARRIERS_KHZ = ("62.5", "125", "250")
TRANSPORTS = ("socket", "vxi11", "hislip", "usb", "serial")


def report(out: Callable[[str], None]) -> None:
    """Print the tables."""
    tables = (
        ("1 M-point records over raw TCP", ("", "µs", "of bare"), overhead),
        ("From request to block", ("family", "frames", "ms"), latency),
        ("Closing while the scope stalls in mid-record", ("transport", "s"), stopping),
        ("Ratio of raw lobes less truth", ("family", *map(str, OFFSETS_UM)), truth),
        ("Ratio of the reading less truth, noise in codes", NOISE_HEADS, readings),
        ("The same by carrier, ratio 0.85", ("family", *CARRIERS_KHZ), carriers),
        ("The same of one channel, 4 codes of noise", ("family", *map(str, OFFSETS_UM)), single),
    )
    for title, heads, rows in tables:
        out(table(title, heads, rows()))


# In a process of its own, as a scope is: the two would take turns at one interpreter's lock.
_STREAM = f"""
import socket, threading
answer = b"#9%09d" % {POINTS} + bytes({POINTS}) + b"\\n"
def serve(peer):
    peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    while peer.recv(100):
        peer.sendall(answer)
with socket.create_server(("127.0.0.1", 0)) as listening:
    print(listening.getsockname()[1], flush=True)
    while True:
        threading.Thread(target=serve, args=(listening.accept()[0],), daemon=True).start()
"""
_ANSWER_BYTES = len("#9000000000") + POINTS + len("\n")


def _medians_s(*works: Callable[[], object]) -> list[float]:
    """Return the median time of each, taken turn about: the machine's mood is shared."""
    times: list[list[float]] = [[] for _ in works]
    for _ in range(ROUNDS):
        for work, kept in zip(works, times, strict=True):
            begun_s = time.perf_counter()
            work()
            kept.append(time.perf_counter() - begun_s)
    return [statistics.median(kept) for kept in times]


def overhead() -> list[tuple[str, ...]]:
    """Return the time of a 1 M-point block through the link and through a bare socket."""
    room = memoryview(bytearray(_ANSWER_BYTES))
    with subprocess.Popen([sys.executable, "-c", _STREAM], stdout=subprocess.PIPE) as server:
        assert server.stdout is not None
        here = ("127.0.0.1", int(server.stdout.readline()))
        link = SocketLink(*here, "scope", Deadline(3))
        with socket.create_connection(here) as bare:
            bare.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

            def receive() -> None:
                bare.sendall(b"X?\n")
                done = 0
                while done < len(room):
                    done += bare.recv_into(room[done:])

            bare_s, link_s = _medians_s(
                receive, lambda: link.ask_block("X?", POINTS, POINTS, Deadline(3))
            )
        link.close()
        server.kill()
    return [
        ("bare recv_into", f"{1e6 * bare_s:.0f}", "1.00"),
        ("the link", f"{1e6 * link_s:.0f}", f"{link_s / bare_s:.2f}"),
    ]


def latency() -> list[tuple[str, ...]]:
    """Return the time from asking for a record to its block, the scope having it ready."""
    rows = []
    for family in ("A2", "B", "C2", "D"):
        scope = VirtualScope(VirtualDrive(VirtualParams()), family, ahead=True)
        with ScopeServer(scope, "socket", port=0) as server:
            source = open_address(f"visa:{server.address}")
            source.open()
            times = []
            for _ in range(RECORDS):
                _settle(source)
                time.sleep(0.4)  # the scope makes the next one ahead
                begun_s = time.perf_counter()
                block = next_block(source, time.monotonic() + PATIENCE_S)
                _settle(source)
                times.append(time.perf_counter() - begun_s)
            source.close()
        scope.close()
        median = f"{1e3 * statistics.median(times):.1f}"
        rows.append((family, str(len(block.samples_v)), median))
    return rows


def _settle(source) -> None:
    """Wait until the record that was asked for ahead is complete."""
    source._pending.wait(PATIENCE_S)


def stopping() -> list[tuple[str, ...]]:
    """Return how long closing takes over each transport while the scope says nothing more."""
    rows = []
    for transport in TRANSPORTS:
        scope = new_scope("A2", carrier_hz=CARRIER_HZ)
        with served(scope, transport) as (address, _):
            serial = "?baud=115200" if transport == "serial" else ""
            source = open_address(f"visa:{address}{serial}")
            source.open()
            scope.inject("stall", at="middle", count=3)
            time.sleep(0.5)
            begun_s = time.perf_counter()
            source.close()
            rows.append((transport, f"{time.perf_counter() - begun_s:.2f}"))
        scope.close()
    return rows


def truth() -> list[tuple[str, ...]]:
    """Return each family's mean error of the ratio, without noise, taken from the raw lobes."""
    rows = []
    for family in FAMILIES:
        errors = []
        for offset_um in OFFSETS_UM.values():
            scope = new_scope(family, offset=offset_um, carrier_hz=CARRIER_HZ)
            with ScopeServer(scope, "socket", port=0) as server:
                source = open_address(f"visa:{server.address}")
                source.open()
                until_s = time.monotonic() + PATIENCE_S
                ratios = [lobes_ratio(next_block(source, until_s)) for _ in range(4)]
                source.close()
            errors.append(f"{statistics.mean(ratios) - scope.truth().ratio:+.4f}")
            scope.close()
        rows.append((family, *errors))
    return rows


def readings() -> list[tuple[str, ...]]:
    """Return each family's error of the whole analysis, by ratio and the scope's own noise."""
    return [
        (
            family,
            *(
                _error_of(
                    new_scope(family, offset=offset_um, noise_codes=noise, carrier_hz=CARRIER_HZ)
                )
                for offset_um in OFFSETS_UM.values()
                for noise in NOISE_CODES
            ),
        )
        for family in FAMILIES
    ]


def carriers() -> list[tuple[str, ...]]:
    """Return each family's error of the whole analysis, by carrier."""
    return [
        (
            family,
            *(
                _error_of(new_scope(family, offset=14.43, carrier_hz=1e3 * float(khz)))
                for khz in CARRIERS_KHZ
            ),
        )
        for family in FAMILIES
    ]


def single() -> list[tuple[str, ...]]:
    """Return each family's error of the whole analysis where one channel has the differential."""
    return [
        (
            family,
            *(
                _error_of(
                    new_scope(family, offset=offset_um, noise_codes=4, carrier_hz=CARRIER_HZ),
                    "?roles=differential,-,index",
                )
                for offset_um in OFFSETS_UM.values()
            ),
        )
        for family in ("A1", "A2", "B", "C2", "D")
    ]


def _error_of(scope: VirtualScope, options: str = "") -> str:
    """Return what the reading over three seconds has too much, and whether it is valid."""
    with ScopeServer(scope, "socket", port=0) as server:
        source = open_address(f"visa:{server.address}{options}")
        reading = measure(source, load_profile(PROFILE), EnvelopeOptions(), None).reading
    truth = scope.truth().ratio
    scope.close()
    if not reading.valid or reading.ratio is None:
        return "none: " + "; ".join(map(str, reading.reasons))
    return f"{reading.ratio.value - truth:+.4f}"
