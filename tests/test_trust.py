"""What the program may do to a computer: by whose hand something is run, and what may listen.

DEVELOPERS.md says it in words, under *Trust*.
"""

import ast
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
MODULES = sorted(
    path.relative_to(ROOT)
    for name in ("app", "instruments")
    for path in (ROOT / name).rglob("*.py")
)
RUN_PROGRAMS = {
    "app/ear/speech.py",  # the system's speech; the sentence goes to its standard input
    "app/live/source_check.py",  # the system's own clock, asked whether it is kept
    "instruments/program.py",  # what the user's own hand typed after run:
    "instruments/sound/server.py",  # the sound server's tool, asked for its list
}
CALL_LIBRARIES = {
    "app/cli/measure.py",  # whether an X server is there that Qt could open a window on
    "app/dashboard/allocator.py",  # the C library's own mallopt and malloc_trim
}
LISTENS = {"instruments/virtual/scope/server.py"}  # evenlobe virtual-scope
EVALUATES = {"eval", "exec", "compile", "__import__", "system", "popen", "loads", "load"}
HARMLESS = {
    ("json", "loads"),
    ("tomllib", "loads"),
    ("tomllib", "load"),
    ("np", "load"),
    ("re", "compile"),
    ("app", "exec"),
    ("QLocale", "system"),
    ("qt", "load"),
}


@cache
def names(path):
    """Every called name with what it is called on, and every imported module."""
    called, imported = set(), set()
    for node in ast.walk(ast.parse((ROOT / path).read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call):
            if isinstance(node.func, ast.Attribute):
                owner = node.func.value
                called.add((owner.id if isinstance(owner, ast.Name) else "", node.func.attr))
            elif isinstance(node.func, ast.Name):
                called.add(("", node.func.id))
            for each in node.keywords:
                constant = each.value.value if isinstance(each.value, ast.Constant) else None
                called.add((each.arg or "", repr(constant)))
        elif isinstance(node, ast.Import):
            imported |= {each.name.partition(".")[0] for each in node.names}
        elif isinstance(node, ast.ImportFrom) and not node.level:
            imported.add((node.module or "").partition(".")[0])
    return called, imported


@pytest.mark.parametrize("path", MODULES, ids=str)
def test_nothing_read_is_ever_run(path):
    called, imported = names(path)
    evaluated = {each for each in called if each[1] in EVALUATES} - HARMLESS
    assert not evaluated
    assert not imported & {"pickle", "marshal", "shelve", "dill", "yaml"}
    assert ("shell", "True") not in called
    assert ("allow_pickle", "True") not in called


def test_the_system_s_libraries_are_called_from_two_places_alone():
    found = {path.as_posix() for path in MODULES if "ctypes" in names(path)[1]}
    assert found == CALL_LIBRARIES


def test_programs_are_run_from_four_places_alone():
    found = {path.as_posix() for path in MODULES if "subprocess" in names(path)[1]}
    assert found == RUN_PROGRAMS


def test_one_command_alone_listens():
    opening = {"create_server", "bind", "serve_forever", "HTTPServer"}
    found = {path.as_posix() for path in MODULES if opening & {name for _, name in names(path)[0]}}
    assert found == LISTENS


def test_a_statement_of_sql_is_never_made_of_a_value():
    """All that goes into one beside its text are the names of our own columns and a version."""
    made = []
    for node in [
        each
        for path in ("app/book/store.py", "app/book/schema.py")
        for each in ast.walk(ast.parse((ROOT / path).read_text(encoding="utf-8")))
    ]:
        is_method = isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)
        if is_method and node.func.attr == "execute":
            parts = ast.walk(node.args[0])
            made += [
                ast.unparse(each.value) for each in parts if isinstance(each, ast.FormattedValue)
            ]
    sound = {"DRIVE_IS_SOUND", "JOB_IS_SOUND", "TAKING_IS_SOUND", "OUTCOME_IS_SOUND"}
    assert set(made) <= {"_SUMMARY", "_PUT_IN", "APPLICATION_ID", "version + 1"} | sound
