"""The distribution: what a wheel carries, and what an installation offers."""

import shutil
import subprocess
import sys
import zipfile
from importlib import metadata
from pathlib import Path, PurePosixPath

import pytest

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def checkout(tmp_path_factory):
    """A copy of the tree, so that building leaves nothing behind in the real one."""
    copy = tmp_path_factory.mktemp("checkout") / "evenlobe"
    skipped = shutil.ignore_patterns(".*", "*.egg-info", "__pycache__", "build", "dist")
    shutil.copytree(ROOT, copy, ignore=skipped)
    return copy


@pytest.fixture(scope="module")
def wheel(checkout, tmp_path_factory):
    """The wheel as pip builds it, with the setuptools that is installed: no network needed."""
    folder = tmp_path_factory.mktemp("wheel")
    pip = [sys.executable, "-m", "pip", "--disable-pip-version-check", "wheel", "--quiet"]
    build = ["--no-deps", "--no-build-isolation", "--wheel-dir", str(folder), str(checkout)]
    subprocess.run([*pip, *build], check=True, timeout=100)
    (path,) = folder.glob("*.whl")
    with zipfile.ZipFile(path) as archive:
        yield archive


def files_under(folder, suffix):
    found = (ROOT / folder).rglob(f"*{suffix}")
    return {str(PurePosixPath(path.relative_to(ROOT))) for path in found}


def test_wheel_holds_the_two_packages_and_no_tests(wheel):
    tops = {name.split("/")[0] for name in wheel.namelist()}
    (info,) = {top for top in tops if top.endswith(".dist-info")}
    assert tops - {info} == {"app", "instruments"}
    assert not [name for name in wheel.namelist() if "test" in PurePosixPath(name).name]


def test_wheel_holds_every_module_profile_and_family(wheel):
    wanted = files_under("app", ".py") | files_under("instruments", ".py")
    wanted |= files_under("app/profiles", ".toml") | files_under("instruments/scope", ".toml")
    assert "instruments/scope/families/A2.toml" in wanted
    assert "app/profiles/130mm-48tpi.toml" in wanted
    assert wanted <= set(wheel.namelist())


def test_wheel_offers_the_command(wheel):
    (name,) = [name for name in wheel.namelist() if name.endswith("/entry_points.txt")]
    assert "evenlobe = app.__main__:main" in wheel.read(name).decode()


def test_metadata_states_licence_and_oldest_python(wheel):
    # Field names: Core metadata specifications 2.4, packaging.python.org.
    (name,) = [name for name in wheel.namelist() if name.endswith(".dist-info/METADATA")]
    lines = wheel.read(name).decode().splitlines()
    assert "License-Expression: MIT" in lines
    assert "Requires-Python: >=3.11" in lines


def test_installed_command_loads():
    (command,) = metadata.entry_points(group="console_scripts", name="evenlobe")
    assert callable(command.load())


@pytest.mark.parametrize("package", ["app", "instruments"])
def test_packages_are_this_project_s(package, tmp_path):
    """Another distribution's package of the same name would be found in another folder."""
    code = f"import {package}; print({package}.__file__)"
    run = [sys.executable, "-c", code]
    found = subprocess.run(run, cwd=tmp_path, check=True, capture_output=True, text=True)
    assert Path(found.stdout.strip()) == ROOT / package / "__init__.py"
