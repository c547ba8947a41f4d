"""What is freed goes back to the system, as the C library itself counts it.

Source: mallinfo2(3), mallopt(3) and malloc_trim(3) of the Linux man-pages: ``hblkhd`` is what lies
in mapped regions of its own, and freeing such a block raises the bound for them unless that was
set; whole pages without anything in use are given back when asked for, wherever they lie. Resident
memory is VmRSS of proc(5).
"""

import platform
import subprocess
import sys

import pytest

from app.dashboard.allocator import give_back_holes, give_back_large_blocks

_PROGRAM = """
import ctypes, sys
from app.dashboard.allocator import give_back_large_blocks

names = "arena ordblks smblks hblks hblkhd usmblks fsmblks uordblks fordblks keepcost"

class Info(ctypes.Structure):
    _fields_ = [(name, ctypes.c_size_t) for name in names.split()]

library = ctypes.CDLL(None)
library.mallinfo2.restype = Info
library.malloc.restype = ctypes.c_void_p
library.free.argtypes = [ctypes.c_void_p]
assert sys.argv[1] == "left" or give_back_large_blocks()
size = 8 << 20
library.free(library.malloc(size))
before = library.mallinfo2().hblkhd
library.malloc(size)
print(library.mallinfo2().hblkhd - before >= size)
"""


@pytest.mark.parametrize(("how", "mapped"), [("left", "False"), ("told", "True")])
def test_a_large_block_lies_by_itself_also_after_one_was_freed(how, mapped):
    if platform.libc_ver()[0] != "glibc":
        assert not give_back_large_blocks()
        return
    ended = subprocess.run(
        [sys.executable, "-c", _PROGRAM, how], capture_output=True, text=True, check=True
    )
    assert ended.stdout.strip() == mapped


_HOLES = """
import ctypes, sys
from PySide6.QtCore import QCoreApplication, QTimer
from app.dashboard.allocator import give_back_each_minute

def resident_kb():
    with open("/proc/self/status") as told:
        return next(int(line.split()[1]) for line in told if line.startswith("VmRSS"))

library = ctypes.CDLL(None)
library.malloc.restype = ctypes.c_void_p
library.free.argtypes = [ctypes.c_void_p]
application = QCoreApplication([])
pieces = [library.malloc(50_000) for _ in range(2000)]
for piece in pieces:
    ctypes.memset(piece, 1, 50_000)
for place, piece in enumerate(pieces):
    if place % 20:
        library.free(piece)
before_kb = resident_kb()
timer = give_back_each_minute(application)
print(timer.interval())
timer.setInterval(1)
QTimer.singleShot(500, application.quit)
application.exec()
print(before_kb - resident_kb())
"""


def test_holes_between_what_is_in_use_are_given_back_each_minute():
    if platform.libc_ver()[0] != "glibc":
        assert not give_back_holes()
        return
    ended = subprocess.run(
        [sys.executable, "-c", _HOLES], capture_output=True, text=True, check=True
    )
    interval_ms, given_kb = map(int, ended.stdout.split())
    assert interval_ms == 60_000
    # Of 100 MB in pieces of fifty thousand bytes every twentieth is in use.
    assert given_kb > 80_000
