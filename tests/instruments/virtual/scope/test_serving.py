"""The virtual scope as a process of its own."""

import signal
import socket
import subprocess
import sys

import pytest


def run(*arguments):
    return subprocess.Popen(
        [sys.executable, "-m", "instruments.virtual.scope", *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


@pytest.mark.parametrize("ending", [signal.SIGINT, signal.SIGTERM])
def test_it_prints_its_address_and_serves_until_interrupted(ending):
    with run("--family", "C2", "--options", "offset_um=25&seed=1&pace=fast") as process:
        try:
            address = process.stdout.readline().strip()
            assert address.startswith("TCPIP::127.0.0.1::")
            assert address.endswith("::SOCKET")
            port = int(address.split("::")[2])
            with socket.create_connection(("127.0.0.1", port), timeout=10) as link:
                link.sendall(b"*IDN?\n")
                assert link.recv(200) == b"Siglent Technologies,VIRTUAL-C2,0,evenlobe\n"
                process.send_signal(ending)
                assert process.wait(10) == 0
            assert process.stderr.read() == ""
        finally:
            process.kill()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--options", "offset_um"), "NAME=VALUE"),
        (("--options", "colour=1"), "“colour” is not an option"),
        (("--options", "seed=x"), "seed is “x”"),
        (("--port", "70000"), "port 70000 cannot be had"),
    ],
)
def test_what_cannot_be_used_is_one_sentence(arguments, words):
    with run(*arguments) as process:
        try:
            out, err = process.communicate(timeout=20)
        finally:
            process.kill()
    assert (process.returncode, out) == (2, "")
    assert words in err
    assert err.count("\n") == 1
