"""Print the table of probes: python -m tests.virtualprobe [COUNT [FIRST]]."""

import sys

from tests.virtualprobe.table import lines

COUNT, FIRST = (*map(int, sys.argv[1:]), *(100, 0)[len(sys.argv) - 1 :])
for line in lines(range(FIRST, FIRST + COUNT)):
    print(line, flush=True)
