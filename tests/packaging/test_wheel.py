"""The wheel in a fresh environment: everything is there, works, and goes away again."""

from __future__ import annotations

import filecmp
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from conftest import ROOT, require_component


def quiet(*command: object, **options: object) -> subprocess.CompletedProcess[str]:
    environment = {name: value for name, value in os.environ.items() if name not in ("PYTHONPATH", "VIRTUAL_ENV")}
    return subprocess.run(
        [str(part) for part in command], capture_output=True, text=True, check=False, timeout=280, env=environment, **options
    )


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    folder = tmp_path_factory.mktemp("wheel")
    done = quiet(sys.executable, "-m", "build", "--wheel", "--no-isolation", "-o", folder, ROOT)
    assert done.returncode == 0, done.stdout + done.stderr
    return next(folder.glob("*.whl"))


@pytest.fixture(scope="module")
def environment(wheel, tmp_path_factory):
    """A fresh virtual environment with the wheel in it; its bin folder."""
    folder = tmp_path_factory.mktemp("fresh")
    done = quiet(sys.executable, "-m", "venv", folder)
    assert done.returncode == 0, done.stderr
    done = quiet(folder / "bin" / "pip", "install", "-q", "--disable-pip-version-check", wheel)
    offline = "NewConnectionError" in done.stderr or "No matching distribution" in done.stderr
    require_component("a package registry", not offline, "go online, the wheel's dependencies must be fetched")
    assert done.returncode == 0, done.stderr
    return folder / "bin"


def package(environment: Path) -> Path:
    done = quiet(environment / "python", "-c", "import strobewise_cli; print(strobewise_cli.__path__[0])", cwd="/")
    assert done.returncode == 0, done.stderr
    return Path(done.stdout.strip())


def test_the_wheel_holds_no_rubbish(wheel):
    names = zipfile.ZipFile(wheel).namelist()
    assert not [name for name in names if "__pycache__" in name or name.endswith((".pyc", "~"))]
    for needed in ("strobewise/py.typed", "strobewise_cli/py.typed", "strobewise_cli/traces/sources.csv"):
        assert needed in names
    assert len(set(names)) == len(names)
    tops = {name.split("/")[0] for name in names}
    assert {top for top in tops if not top.endswith(".dist-info")} == {"strobewise", "strobewise_cli"}


def test_the_two_copies_of_the_engine_are_the_same(environment):
    folder = package(environment)
    first, second = folder.parent / "strobewise", folder / "decoders" / "strobewise"
    files = sorted(str(path.relative_to(second)) for path in second.rglob("*") if path.is_file() and path.suffix != ".pyc")
    source = sorted(
        str(path.relative_to(ROOT / "decoders" / "strobewise"))
        for path in (ROOT / "decoders" / "strobewise").rglob("*")
        if path.is_file() and path.suffix != ".pyc"
    )
    assert files == source
    assert filecmp.cmpfiles(first, second, files, shallow=False)[0] == files


def test_the_console_script_does_the_main_job(environment, tmp_path):
    trace = package(environment) / "traces" / "good" / "healthy-eight.vcd.gz"
    done = quiet(environment / "strobewise", "diagnose", trace, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("NO FAULT FOUND")
    cycles = quiet(environment / "strobewise", "cycles", trace, "--format", "csv", cwd=tmp_path)
    assert cycles.returncode == 0 and cycles.stdout.startswith("start_s,end_s,kind,")


def test_the_demo_captures_are_listed_and_copied(environment, tmp_path):
    listed = quiet(environment / "strobewise", "demo", cwd=tmp_path)
    assert listed.returncode == 0 and "good/healthy-eight.vcd.gz" in listed.stdout, listed.stderr
    copied = quiet(environment / "strobewise", "demo", "copy", "traces", cwd=tmp_path)
    assert copied.returncode == 0, copied.stderr
    trace = "traces/faults/ram-bit-dead/ram-bit.vcd.gz"
    assert (tmp_path / trace).read_bytes() == (ROOT / trace).read_bytes()
    done = quiet(environment / "strobewise", "diagnose", trace, "--machine", "traces/machines/dunlin.toml", cwd=tmp_path)
    assert done.returncode == 1 and done.stdout.startswith("FAULT"), done.stderr
    made = quiet(environment / "strobewise", "simulate", "traces/scenarios/healthy-two.toml", "-o", "again.vcd", cwd=tmp_path)
    assert made.returncode == 0 and (tmp_path / "again.vcd").read_bytes() == (ROOT / "traces/good/healthy-two.vcd").read_bytes()


def test_the_version_is_that_of_the_package(environment):
    shown = quiet(environment / "strobewise", "--version").stdout.split()
    asked = quiet(environment / "python", "-c", "from importlib.metadata import version; print(version('strobewise'))")
    assert shown == ["strobewise", asked.stdout.strip()]


def test_plug_ins_are_found(environment, tmp_path):
    done = quiet(environment / "strobewise", "plugins", "--path", cwd=tmp_path)
    folder = Path(done.stdout.strip())
    source = ROOT / "decoders" / "host"
    assert folder == package(environment) / "decoders" / "host"
    assert sorted(p.name for p in source.glob("*/pd.py")) == sorted(p.name for p in folder.glob("*/pd.py"))


def test_types_are_shipped(environment):
    folder = package(environment)
    assert (folder / "py.typed").is_file() and (folder.parent / "strobewise" / "py.typed").is_file()


def test_uninstalling_leaves_nothing(environment):
    folder = package(environment)
    done = quiet(environment / "pip", "uninstall", "-q", "-y", "strobewise")
    assert done.returncode == 0, done.stderr
    left = [path for path in folder.parent.rglob("*") if "strobewise" in str(path.relative_to(folder.parent)) and path.is_file()]
    assert [path for path in left if path.suffix != ".pyc"] == []
    assert not (environment / "strobewise").exists()
