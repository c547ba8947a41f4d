import socket

import pytest

from app.cli.measure import display_fault
from tests.integration.xdisplay import display


@pytest.fixture
def bare(monkeypatch):
    """An environment that names no display."""
    for name in ("QT_QPA_PLATFORM", "WAYLAND_DISPLAY", "DISPLAY"):
        monkeypatch.delenv(name, raising=False)
    return monkeypatch


def test_without_a_name_there_is_no_display(bare):
    assert display_fault() == "there is no display"


def test_whoever_names_qt_s_platform_knows(bare):
    bare.setenv("QT_QPA_PLATFORM", "offscreen")
    assert display_fault() is None


@pytest.mark.parametrize("name", [":4093", "localhost:4093.0", "nonsense", ":", "unix:4093"])
def test_an_x_display_that_does_not_answer_is_none(bare, name):
    bare.setenv("DISPLAY", name)
    assert display_fault() == f"no display answers at “{name}”"


def test_an_x_display_that_answers_is_one(bare, tmp_path):
    with display(tmp_path) as shown:
        bare.setenv("DISPLAY", shown.environment["DISPLAY"])
        assert display_fault() is None
    assert display_fault() is not None


def test_a_wayland_display_is_one_while_it_listens(bare, tmp_path):
    bare.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    bare.setenv("WAYLAND_DISPLAY", "wayland-9")
    assert display_fault() == "no display answers at “wayland-9”"
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as server:
        server.bind(str(tmp_path / "wayland-9"))
        server.listen()
        assert display_fault() is None


def test_a_stale_wayland_display_leaves_the_x_display(bare, tmp_path):
    bare.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    bare.setenv("WAYLAND_DISPLAY", "wayland-9")
    bare.setenv("DISPLAY", ":4093")
    assert display_fault() == "no display answers at “:4093”"


def test_elsewhere_qt_finds_the_screen_itself(bare):
    bare.setattr("sys.platform", "win32")
    assert display_fault() is None


def test_a_library_that_qt_needs_is_named(bare):
    def missing(name):
        raise OSError(f"{name}: cannot open shared object file: No such file or directory")

    bare.setenv("DISPLAY", ":4093")
    bare.setattr("ctypes.CDLL", missing)
    assert display_fault() == "libxcb.so.1 is missing; install it"
