"""Captures from a source in a process of its own and tells what happens, a JSON object a line.

Run as ``python -m tests.integration.capturing ADDRESS OUT.npz``; commands come on standard input:
``stall SECONDS`` keeps the reader from reading, ``stop`` ends it and writes what was captured
since the source was last opened. “heard” and “quiet” tell when something else than silence begins
and ends, and “second” that it has gone on for one second more.
"""

import json
import queue
import sys
import threading
import time

import numpy as np

from instruments.address import open_address
from instruments.source import SourceError, SourceLost, SourceTimeout


class Capturing:
    def __init__(self, address):
        self.source = open_address(address)
        self.commands = queue.Queue()
        self.samples = []
        self.places = []
        self.refusal = None
        self.is_heard = False
        self.heard_s = 0.0
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self):
        for line in sys.stdin:
            self.commands.put(line.split())
        self.commands.put(["stop"])

    def tell(self, event, **what):
        print(json.dumps({"event": event, **what}), flush=True)

    def open(self):
        try:
            self.source.open()
        except SourceError as error:
            if str(error) != self.refusal:
                self.refusal = str(error)
                self.tell("refused", message=self.refusal)
            time.sleep(0.2)
            return False
        self.refusal = None
        self.samples.clear()
        self.places.clear()
        info = self.source.info
        self.tell(
            "open",
            roles=list(info.roles),
            rate=info.sample_rate_hz,
            bandwidth=info.bandwidth_hz,
            notes=list(info.notes),
        )
        return True

    def read(self):
        try:
            block = self.source.read(0.1)
        except SourceTimeout:
            return True
        except SourceLost as error:
            self.tell("lost", message=str(error))
            self.source.close()
            return False
        if not self.samples:
            self.tell("samples")
        end = sum(self.places[-1]) if self.places else 0
        if block.gap_before or block.first_index != end:
            lost = block.first_index - end
            self.tell("gap", lost=lost, told=block.gap_before, overrun=block.overrun)
        if self.is_heard != bool(block.samples_v.any()):
            self.is_heard = not self.is_heard
            self.heard_s = 0.0
            self.tell("heard" if self.is_heard else "quiet")
        before_s = self.heard_s
        self.heard_s += len(block.samples_v) / block.sample_rate_hz
        if self.is_heard and int(before_s) < int(self.heard_s):
            self.tell("second")
        self.samples.append(block.samples_v)
        self.places.append((block.first_index, len(block.samples_v)))
        return True

    def run(self):
        is_open = False
        while True:
            is_open = self.read() if is_open else self.open()
            try:
                word, *rest = self.commands.get_nowait()
            except queue.Empty:
                continue
            if word == "stop":
                return
            self.tell("stalling")
            time.sleep(float(rest[0]))

    def finish(self, path):
        began_s = time.monotonic()
        self.source.close()
        closed_s = time.monotonic() - began_s
        places = np.array(self.places, dtype=np.int64).reshape(-1, 2)
        index = [np.arange(first, first + count) for first, count in places]
        samples = np.concatenate(self.samples) if self.samples else np.zeros((0, 1), np.float32)
        np.savez(path, samples=samples, index=np.concatenate(index) if index else [])
        self.tell("done", closed_s=closed_s)


if __name__ == "__main__":
    capturing = Capturing(sys.argv[1])
    capturing.run()
    capturing.finish(sys.argv[2])
