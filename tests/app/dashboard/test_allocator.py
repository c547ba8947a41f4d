"""What is freed goes back to the system, as the C library itself counts it.

Source: mallinfo2(3) and mallopt(3) of the Linux man-pages: ``hblkhd`` is what lies in mapped
regions of its own, and freeing such a block raises the bound for them unless that was set.
"""

import platform
import subprocess
import sys

import pytest

from app.dashboard.allocator import give_back_large_blocks

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
