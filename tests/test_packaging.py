"""The distribution: what a wheel carries, and what an installation offers."""

import json
import os
import shutil
import subprocess
import sys
import tarfile
import tomllib
import venv
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
def sdist(checkout, tmp_path_factory):
    """The source distribution, by the setuptools that is installed: no network needed."""
    folder = tmp_path_factory.mktemp("sdist")
    code = f"from setuptools import build_meta; build_meta.build_sdist({str(folder)!r})"
    subprocess.run(
        [sys.executable, "-c", code],
        cwd=checkout,
        check=True,
        timeout=100,
        stdout=subprocess.DEVNULL,
    )
    (path,) = folder.glob("*.tar.gz")
    return path


@pytest.fixture(scope="module")
def wheel_path(sdist, tmp_path_factory):
    """The wheel as pip builds it from the source distribution."""
    folder = tmp_path_factory.mktemp("wheel")
    pip = [sys.executable, "-m", "pip", "--disable-pip-version-check", "wheel", "--quiet"]
    build = ["--no-deps", "--no-build-isolation", "--wheel-dir", str(folder), str(sdist)]
    subprocess.run([*pip, *build], check=True, timeout=100)
    (path,) = folder.glob("*.whl")
    return path


@pytest.fixture(scope="module")
def wheel(wheel_path):
    with zipfile.ZipFile(wheel_path) as archive:
        yield archive


def files_under(folder, suffix):
    found = (ROOT / folder).rglob(f"*{suffix}")
    return {str(PurePosixPath(path.relative_to(ROOT))) for path in found}


@pytest.mark.slow
def test_wheel_holds_the_two_packages_and_no_tests(wheel):
    tops = {name.split("/")[0] for name in wheel.namelist()}
    (info,) = {top for top in tops if top.endswith(".dist-info")}
    assert tops - {info} == {"app", "instruments"}
    assert not [name for name in wheel.namelist() if "test" in PurePosixPath(name).name]


@pytest.mark.slow
def test_wheel_holds_every_module_profile_and_family(wheel):
    wanted = files_under("app", ".py") | files_under("instruments", ".py")
    wanted |= files_under("app/profiles", ".toml") | files_under("instruments/scope", ".toml")
    assert "instruments/scope/families/A2.toml" in wanted
    assert "app/profiles/130mm-48tpi.toml" in wanted
    assert wanted <= set(wheel.namelist())


@pytest.mark.slow
def test_source_distribution_holds_what_it_is_built_and_described_by(sdist):
    with tarfile.open(sdist) as archive:
        names = {name.partition("/")[2] for name in archive.getnames()}
    assert {"pyproject.toml", "README.md", "PKG-INFO", "app/__main__.py"} <= names
    assert files_under("instruments/scope", ".toml") <= names


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_the_wheel_works_in_an_empty_environment(wheel_path, tmp_path):
    """Installed with its dependencies and nothing else: a capture is simulated and measured."""
    venv.create(tmp_path / "venv", with_pip=True)
    (scripts,) = [path for path in (tmp_path / "venv").iterdir() if path.name in ("bin", "Scripts")]
    clean = {name: os.environ[name] for name in ("PATH", "HOME", "LANG") if name in os.environ}

    def run(command, *words):
        told = subprocess.run(
            [scripts / command, *words], cwd=tmp_path, env=clean, check=True, capture_output=True
        )
        return told.stdout.decode()

    run("pip", "--disable-pip-version-check", "install", "--quiet", wheel_path)
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert run("evenlobe", "--version").split()[-1] == project["version"]
    run(
        "evenlobe", "simulate", "drive.wav", "--source", "sim:offset_um=20&seed=1", "--seconds", "1"
    )
    truth = json.loads((tmp_path / "drive.truth.json").read_text())
    reading = json.loads(run("evenlobe", "measure", "drive.wav", "--json"))
    assert reading["ratio"]["value"] == pytest.approx(truth["ratio"], abs=0.005)
    assert "130mm-48tpi" in run("evenlobe", "profiles")


@pytest.mark.slow
def test_wheel_offers_the_command(wheel):
    (name,) = [name for name in wheel.namelist() if name.endswith("/entry_points.txt")]
    assert "evenlobe = app.__main__:main" in wheel.read(name).decode()


@pytest.mark.slow
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
