"""A stream that is recorded, and one that follows a record: the wire, scripted.

A transcript is a list of pairs: bytes out, and what came in until the next bytes went out.
"""

from __future__ import annotations

import base64
import json
import zlib

from instruments.scope.links import SocketLink, StreamLink
from instruments.source import SourceLost


class RecordingLink(SocketLink):
    """A socket's link that keeps what went over the wire."""

    def __init__(self, *args):
        super().__init__(*args)
        self.wire = []

    def _write(self, data, deadline):
        self.wire.append([data.decode("ascii"), b""])
        super()._write(data, deadline)

    def _came(self, data):
        self.wire[-1][1] += bytes(data)
        return data

    def _receive(self, least, deadline):
        return self._came(super()._receive(least, deadline))

    def _fill(self, view, deadline):
        super()._fill(view, deadline)
        self._came(view)

    def _waiting(self):
        data = super()._waiting()
        return self._came(data) if data else data


class ScriptedLink(StreamLink):
    """A link that expects one command after another and gives the answers of a transcript."""

    def __init__(self, what, wire):
        super().__init__(what)
        self._wire = list(wire)
        self._coming = bytearray()
        self.closed = False

    @property
    def left(self):
        """What was recorded and not yet sent."""
        return [out for out, _ in self._wire]

    def _write(self, data, deadline):
        assert self._wire, f"{data!r} is sent beyond the transcript's end"
        out, came = self._wire.pop(0)
        assert data.decode("ascii") == out
        self._coming += came

    def _receive(self, least, deadline):
        if not self._coming:
            raise SourceLost(f"{self.what}: the transcript has no answer here")
        # In small pieces: where an answer is cut must not matter.
        part = bytes(self._coming[:61])
        del self._coming[:61]
        return part

    def _fill(self, view, deadline):
        assert len(self._coming) >= len(view)
        view[:] = self._coming[: len(view)]
        del self._coming[: len(view)]

    def _waiting(self):
        part = bytes(self._coming)
        if part.strip(b"\r\n"):
            return b""
        self._coming.clear()
        return part

    def abort(self):
        pass

    def close(self):
        self.closed = True


def save(path, head, wire):
    """Write a transcript: a line of facts, then a line for each command."""
    lines = [json.dumps(head)]
    for out, came in wire:
        text = {"out": out}
        if came.isascii() and len(came) < 300:
            text["in"] = came.decode("ascii")
        else:
            text["packed"] = base64.b64encode(zlib.compress(came, 9)).decode("ascii")
        lines.append(json.dumps(text))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def load(path):
    """Return a transcript's facts and its wire."""
    head, *lines = map(json.loads, path.read_text(encoding="utf-8").splitlines())
    wire = []
    for line in lines:
        packed = line.get("packed")
        came = zlib.decompress(base64.b64decode(packed)) if packed else line["in"].encode("ascii")
        wire.append((line["out"], came))
    return head, wire
