"""Starts command lines of the program without the second that its imports take.

Run by its path, with the checkout on the path of modules. It reads one request a line, as JSON,
and answers with the command's exit status. Each command runs in a process of its own, forked after
the imports; nothing else of it differs from ``python -m app``.
"""

from __future__ import annotations

import contextlib
import json
import os
import runpy
import sys


def main() -> None:
    """Serve requests until there are no more."""
    # What everything needs is imported by the one command that does nothing.
    out = os.dup(1)
    os.dup2(2, 1)
    with contextlib.suppress(SystemExit):
        _run(["--version"])
    for line in sys.stdin:
        request = json.loads(line)
        sys.stdout.flush()
        child = os.fork()
        if child == 0:
            for number, name in enumerate(request["streams"]):
                flags = os.O_RDONLY if number == 0 else os.O_WRONLY | os.O_CREAT | os.O_TRUNC
                os.dup2(os.open(name, flags), number)
            os.environ.update(request["environment"])
            _run(request["words"])
            return
        status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        os.write(out, f"{status}\n".encode())


def _run(words: list[str]) -> None:
    sys.argv[1:] = words
    runpy.run_module("app", run_name="__main__", alter_sys=True)


if __name__ == "__main__":
    # The folder of this file is no place for the program's modules.
    del sys.path[0]
    main()
