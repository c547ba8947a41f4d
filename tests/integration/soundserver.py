"""A real sound server with a null sink, for the tests to play into and to capture from."""

import contextlib
import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

NULL_SINK = "module-null-sink sink_name={name} rate={rate} channels={channels} format=float32le"


class SoundServer:
    """PulseAudio in a folder of its own; PortAudio reaches it through ALSA's pulse plug-in.

    Whoever is to capture or play runs in a process with :attr:`environment`: PortAudio and the
    plug-in read it once, when they start.
    """

    def __init__(self, folder: Path) -> None:
        for tool in ("pulseaudio", "pactl", "pacat"):
            if shutil.which(tool) is None:
                pytest.fail(f"{tool} is missing: apt install pulseaudio pulseaudio-utils")
        self._folder = folder
        self._process: subprocess.Popen[bytes] | None = None
        self._players: list[subprocess.Popen[bytes]] = []
        self._runtime = folder / "run"
        home = folder / "home"
        self._runtime.mkdir(mode=0o700)
        home.mkdir()
        (home / ".asoundrc").write_text(
            "pcm.!default { type pulse }\nctl.!default { type pulse }\n"
        )
        kept = {
            name: value
            for name, value in os.environ.items()
            if not name.startswith(("PULSE_", "DBUS_", "XDG_", "ALSA_")) and name != "DISPLAY"
        }
        self.environment = {
            **kept,
            "HOME": str(home),
            "XDG_RUNTIME_DIR": str(self._runtime),
            "PULSE_SERVER": f"unix:{self._runtime}/pulse/native",
            "LC_ALL": "C.UTF-8",
        }

    def start(self) -> None:
        """Start the server and wait until it answers."""
        log = (self._folder / "log").open("ab")
        with log:
            self._process = subprocess.Popen(
                [
                    "pulseaudio",
                    "-n",
                    "--daemonize=no",
                    "--exit-idle-time=-1",
                    "-L",
                    "module-native-protocol-unix",
                ],
                env={
                    name: value
                    for name, value in self.environment.items()
                    if name != "PULSE_SERVER"
                },
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
            )
        deadline = time.monotonic() + 60
        while self._pactl("info").returncode != 0:
            if self._process.poll() is not None or time.monotonic() > deadline:
                pytest.fail(f"the sound server does not start:\n{self.log()}")
            time.sleep(0.05)

    def stop(self, how: signal.Signals = signal.SIGTERM) -> None:
        """End the server by its own process id."""
        process, self._process = self._process, None
        if process is None:
            return
        process.send_signal(how)
        try:
            process.wait(30)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()

    def log(self) -> str:
        return (self._folder / "log").read_text(errors="replace")

    def _pactl(self, *words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            ["pactl", *words],
            env=self.environment,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )

    def pactl(self, *words: str) -> str:
        answer = self._pactl(*words)
        assert answer.returncode == 0, f"pactl {words}: {answer.stderr}{self.log()}"
        return answer.stdout.strip()

    def plug(self, name: str, rate: int = 192_000, channels: int = 2) -> str:
        """Make a null sink, whose monitor is an input; return the number to unplug it by."""
        wanted = NULL_SINK.format(name=name, rate=rate, channels=channels)
        return self.pactl("load-module", *wanted.split())

    def unplug(self, number: str) -> None:
        self.pactl("unload-module", number)

    def play(self, name: str, samples: np.ndarray, rate: int) -> subprocess.Popen[bytes]:
        """Play float32 samples, shape (frames, channels), into the sink `name`."""
        path = self._folder / f"play-{time.monotonic_ns()}.f32"
        path.write_bytes(np.ascontiguousarray(samples, dtype="<f4").tobytes())
        player = subprocess.Popen(
            [
                "pacat",
                "--playback",
                "--raw",
                "--format=float32le",
                "--latency-msec=500",
                f"--device={name}",
                f"--rate={rate}",
                f"--channels={samples.shape[1]}",
                str(path),
            ],
            env=self.environment,
            stdin=subprocess.DEVNULL,
        )
        self._players.append(player)
        return player

    def end(self) -> None:
        """Stop the server and whatever still plays into it."""
        self.stop()
        for player in self._players:
            player.kill()
            player.wait()


@contextlib.contextmanager
def running_server() -> Iterator[SoundServer]:
    # Not pytest's folder: a socket's path may have 107 characters only.
    folder = Path(tempfile.mkdtemp(prefix="evenlobe-sound-"))
    server = None
    try:
        server = SoundServer(folder)
        server.start()
        yield server
    finally:
        if server is not None:
            server.end()
        shutil.rmtree(folder)
