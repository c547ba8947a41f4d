"""One fault over one transport at each place of a record; run as a process, killed if it hangs.

Tells a dict a place: how long until the fault was over, what was said, and whether the records
before and after it are right.
"""

from __future__ import annotations

import contextlib
import math
import os
import tempfile
import time

import numpy as np

from instruments.address import open_address
from instruments.scope.links import Late
from instruments.source import SourceError, SourceTimeout
from instruments.virtual.drive import VirtualDrive
from instruments.virtual.params import VirtualParams
from instruments.virtual.scope import ScopeServer, VirtualScope
from tests.peers.serial_pty import PtyScope
from tests.peers.usbtmc import UsbScope

PLACES = ("start", "middle", "end")
PATIENCE_S = 20.0
CARRIER_HZ = 30e3


@contextlib.contextmanager
def served(scope, transport):
    """Yield an address behind which `scope` answers."""
    if transport == "usb":
        peer = UsbScope(scope, packet_bytes=512)
        with peer.plugged_in():
            yield peer.address, peer
    elif transport == "serial":
        with tempfile.TemporaryDirectory() as folder, SerialLine(scope, folder) as peer:
            yield peer.address, peer
    else:
        with ScopeServer(scope, transport, port=0) as server:
            yield server.address, server


class SerialLine:
    """A serial line that can be plugged in again under the same name."""

    def __init__(self, scope, folder):
        self._scope = scope
        self._path = os.path.join(folder, "line")
        self.address = f"ASRL{self._path}::INSTR"
        self._peer = None

    def __enter__(self):
        self.plug()
        return self

    def __exit__(self, *_):
        self._peer.close()

    def plug(self):
        if self._peer is not None:
            self._peer.close()
            os.unlink(self._path)
        self._peer = PtyScope(self._scope)
        os.symlink(self._peer.path, self._path)


MODELS = {
    "A1": "A1",
    "A2": "A2",
    "A2-10": "dho804",
    "A2-14": "ds2072a",
    "A2-older": "A2-older",
    "B": "mdo3024",
    "B-15": "tbs2074",
    "B-2000": "dpo2024",
    "B-2500": "tps2024",
    "B-45": "mso44",
    "C1": "wavesurfer-3024",
    "C1-older": "waverunner-lt344",
    "C2": "sds1204x-e",
    "C2-older": "sds1102cml",
    "C2-probe": "t3dso1204",
    "C3": "C3",
    "C3-12": "shs1102x",
    "D": "D",
    "D-older": "hmo1202",
    "E": "gds1054b",
}
"""A model of the virtual scope for each family of the driver."""


def new_scope(family, *, offset=25, quirks=None, noise_codes=0.0, **options):
    # A sweep is made of so many samples a cycle: of a slow carrier it takes a quarter of the time.
    # C3 takes its extremes of so few of them that it has to be the trade's.
    options = {"carrier_hz": 125e3 if family == "C3" else CARRIER_HZ} | options
    quiet = {"clamp_um": 0, "oval_um": 0, "snr_db": math.inf, "hum_v": 0, "wow_percent": 0}
    params = VirtualParams(offset_um=offset, **quiet, **options)
    return VirtualScope(VirtualDrive(params), family, quirks=quirks, noise_codes=noise_codes)


def lobes_ratio(block):
    """Ratio of the two lobes in the first turn of a record, of whatever its extremes span."""
    # Plain samples are folded into extremes, of some cycles each.
    fold = 2 if block.min_max else 64
    signal = block.samples_v[: len(block.samples_v) // fold * fold, 0]
    swing = np.ptp(signal.reshape(-1, fold), axis=1)
    turn = swing[: round(0.2 * block.sample_rate_hz / fold)]
    # One lobe in each half, wherever in the turn the record begins.
    turn = np.roll(turn, len(turn) // 4 - int(np.argmax(turn)))
    half = len(turn) // 2
    # The mean over the lobe's top: a single cell is at the mercy of one code.
    tops = []
    for part in (turn[:half], turn[half:]):
        at = int(np.argmax(part))
        width = max(1, half // 20)
        tops.append(float(part[max(0, at - width) : at + width + 1].mean()))
    return min(tops) / max(tops)


def next_block(source, until_s):
    while True:
        try:
            return source.read(0.2)
        except SourceTimeout:
            if time.monotonic() > until_s:
                raise


def reopen(source, peer, until_s):
    source.close()
    while True:
        if hasattr(peer, "plug"):
            peer.plug()
        try:
            source.open()
        except SourceError:
            if time.monotonic() > until_s:
                raise
            source.close()
            time.sleep(0.05)
        else:
            return


def one_place(scope, source, peer, fault, place):
    truth = scope.truth().ratio
    begun_s = time.monotonic()
    scope.inject(fault, at=place, count=1)
    said, ratios, noticed_s = "", [], 0.0
    until_s = begun_s + PATIENCE_S
    for _ in range(4):
        try:
            ratios.append(lobes_ratio(next_block(source, until_s)))
        except SourceError as error:
            said, noticed_s = str(error), time.monotonic() - begun_s
            break
    scope.inject(None)
    if said:
        reopen(source, peer, until_s)
    ratios.append(lobes_ratio(next_block(source, time.monotonic() + PATIENCE_S)))
    return {
        "place": place,
        "noticed_s": noticed_s,
        "said": said,
        "worst": max(abs(ratio - truth) for ratio in ratios),
        "records": len(ratios),
    }


def run_case(transport, family, fault, tell):
    """Call `tell` with what happened at each place, and then with how long the closing took."""
    scope = new_scope(family)
    with served(scope, transport) as (address, peer):
        source = open_address(f"visa:{address}" + ("?baud=115200" if transport == "serial" else ""))
        source.open()
        next_block(source, time.monotonic() + PATIENCE_S)
        for place in PLACES:
            try:
                told = one_place(scope, source, peer, fault, place)
            except Late:
                # On a busy machine a record may need longer than a scope has, once; what the fault
                # has brought about comes again.
                reopen(source, peer, time.monotonic() + PATIENCE_S)
                told = one_place(scope, source, peer, fault, place)
            tell(told)
        begun_s = time.monotonic()
        source.close()
        tell({"close_s": time.monotonic() - begun_s})
    scope.close()
