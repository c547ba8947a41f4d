"""The set-up scripts, with the system's own programs replaced where they would change it."""

import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

NEEDS = """
libsound.so.2 libsound2
libwindow.so.1 libwindow1
{folder}/plug*.so plugins
measuring-tool tools
"""


class Machine:
    """A folder of stand-ins that goes before everything else on PATH."""

    def __init__(self, folder):
        self.folder = folder
        self.log = folder / "log"
        self.put("ldconfig", "printf '\\tlibwindow.so.1 (libc6) => /lib/libwindow.so.1\\n'")
        self.put("apt-get", f'printf "%s\\n" "apt-get $*" >>"{self.log}"')
        self.put("sudo", "exit 1")
        self.put("id", "echo 1000")

    def put(self, name, body):
        script = self.folder / name
        script.write_text(f"#!/bin/sh\n{body}\n")
        script.chmod(0o755)

    def run(self, code, root=ROOT):
        path = f"{self.folder}:{os.environ['PATH']}"
        script = f'. "{ROOT}/app/setup.sh"\n{code}'
        environment = os.environ | {"PATH": path, "root": str(root), "needs": self.needs}
        command = ["sh", "-eu", "-c", script]
        return subprocess.run(command, env=environment, capture_output=True, text=True, timeout=60)

    @property
    def needs(self):
        return NEEDS.format(folder=self.folder)

    @property
    def calls(self):
        return self.log.read_text().splitlines() if self.log.exists() else []


@pytest.fixture
def machine(tmp_path):
    return Machine(tmp_path)


def test_only_what_is_missing_is_named(machine):
    assert machine.run('missing_packages "$needs"').stdout == "libsound2 plugins tools "


def test_nothing_is_named_when_all_is_there(machine):
    machine.put("ldconfig", "printf '\\tlibsound.so.2 (x)\\n\\tlibwindow.so.1 (x)\\n'")
    machine.put("measuring-tool", "true")
    (machine.folder / "plug-in.so").touch()
    done = machine.run('provide "$needs" ""')
    assert (done.returncode, done.stdout, done.stderr, machine.calls) == (0, "", "", [])


def test_without_rights_the_command_is_told_and_nothing_installed(machine):
    done = machine.run('provide "$needs" ""')
    assert done.returncode != 0
    assert done.stdout == ""
    names = "libsound2 plugins tools"
    assert f"apt-get install --yes --no-install-recommends {names}\n" in done.stderr
    assert machine.calls == []


@pytest.mark.parametrize("rights", ["root", "sudo"])
def test_with_rights_the_missing_packages_are_installed(machine, rights):
    if rights == "root":
        machine.put("id", "echo 0")
    else:
        machine.put("sudo", '[ "$1" = -n ] && shift && exec "$@"')
    done = machine.run('provide "$needs" ""')
    assert done.returncode == 0
    assert done.stdout == ""
    update, install = machine.calls
    assert update.endswith(" update")
    assert install.endswith(" install --yes --no-install-recommends libsound2 plugins tools")


def test_a_failed_installation_is_told_with_the_command(machine):
    machine.put("id", "echo 0")
    machine.put("apt-get", 'case "$*" in *" install "*) exit 1 ;; esac')
    done = machine.run('provide "$needs" ""')
    assert done.returncode != 0
    assert "sudo apt-get update && sudo apt-get install" in done.stderr


def test_a_python_that_does_not_fit_is_passed_over(machine):
    machine.put("python3", "exit 1")
    done = machine.run("find_python")
    assert done.returncode == 0
    assert done.stdout.strip() != "python3"


@pytest.fixture
def checkout(tmp_path):
    """A checkout whose environment is the one that runs this test, with a stamp of its own."""
    root = tmp_path / "a checkout"
    (root / ".venv").mkdir(parents=True)
    for name in ("bin", "lib", "pyvenv.cfg"):
        (root / ".venv" / name).symlink_to(Path(sys.prefix) / name)
    shutil.copy(ROOT / "pyproject.toml", root)
    return root


def stamped(machine, root, extra):
    done = machine.run(f'installation "{extra}" >"$stamp"', root)
    assert done.returncode == 0, done.stderr
    return {
        asked: machine.run(f'is_installed "{asked}"', root).returncode == 0
        for asked in ("", "[test]")
    }


def test_an_installation_with_the_test_extra_serves_both(machine, checkout):
    assert stamped(machine, checkout, "[test]") == {"": True, "[test]": True}


def test_a_plain_installation_does_not_serve_the_tests(machine, checkout):
    assert stamped(machine, checkout, "") == {"": True, "[test]": False}


def test_changed_requirements_and_a_moved_checkout_are_noticed(machine, checkout):
    stamped(machine, checkout, "")
    moved = checkout.rename(checkout.with_name("moved"))
    assert machine.run('is_installed ""', moved).returncode != 0
    assert machine.run("environment_stands", moved).returncode != 0
    back = moved.rename(checkout)
    assert machine.run('is_installed ""', back).returncode == 0
    with (back / "pyproject.toml").open("a") as project:
        project.write("# changed\n")
    assert machine.run('is_installed ""', back).returncode != 0
    assert machine.run("environment_stands", back).returncode == 0


def test_tests_in_the_background_hear_an_interrupt():
    def ignore_interrupts():
        signal.signal(signal.SIGINT, signal.SIG_IGN)

    code = "import signal, tests.conftest; signal.raise_signal(signal.SIGINT)"
    run = [sys.executable, "-c", code]
    done = subprocess.run(run, cwd=ROOT, preexec_fn=ignore_interrupts, stderr=subprocess.DEVNULL)
    assert done.returncode == -signal.SIGINT


@pytest.fixture
def runner(tmp_path):
    """A checkout of the test script alone: nothing to set up, and stand-ins for what it runs."""
    root = tmp_path / "a checkout"
    tools = root / ".venv" / "bin"
    tools.mkdir(parents=True)
    (root / "tests").mkdir()
    (root / "app").mkdir()
    shutil.copy(ROOT / "tests" / "run.sh", root / "tests")
    (root / "app" / "setup.sh").write_text(
        "window_needs='' sound_needs=''\nprovide() { :; }\ninstall_package() { :; }\n"
        "tell() { printf '%s\\n' \"$*\" >&2; }\n"
    )

    def run(*arguments, failing=""):
        for name in ("ruff", "lint-imports", "pyright", "python"):
            script = tools / name
            script.write_text(f'#!/bin/sh\necho "{name} $*"\nexit {int(name == failing)}\n')
            script.chmod(0o755)
        command = ["sh", str(root / "tests" / "run.sh"), *arguments]
        return subprocess.run(command, capture_output=True, text=True, timeout=60)

    return run


def test_the_test_script_succeeds_when_all_it_runs_succeeds(runner):
    done = runner("-q")
    assert (done.returncode, done.stderr) == (0, "")
    passes = ("not real_time", "real_time")
    assert all(f"-m (not slow) and {each} -q\n" in done.stdout for each in passes)
    thorough = runner("--all", "-q").stdout
    assert all(f"-m (slow or not slow) and {each} -q\n" in thorough for each in passes)


@pytest.mark.parametrize("failing", ["ruff", "lint-imports", "pyright", "python"])
def test_the_test_script_fails_with_any_of_what_it_runs(runner, failing):
    assert runner(failing=failing).returncode != 0
