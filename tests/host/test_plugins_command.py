"""``strobewise plugins`` puts links or copies where the host looks, and takes away just those."""

from __future__ import annotations

import argparse
import os
import pathlib
import re
import shutil
import subprocess
from concurrent.futures import ThreadPoolExecutor

import pytest

from conftest import ROOT, require_component, run_strobewise
from strobewise.errors import ComponentMissing, StrobewiseError
from strobewise_cli import install as installer
from strobewise_cli.commands import plugins as command
from strobewise_cli.host_cost import STACKS

PLUG_IN = '''
"""A decoder that imports the engine."""
import os, sys
import sigrokdecode as srd
_here = os.path.dirname(os.path.realpath(__file__))
for _folder in (_here, os.path.dirname(os.path.dirname(_here))):
    if os.path.isdir(os.path.join(_folder, "strobewise")):
        sys.path.append(_folder)
        break
from strobewise.bus.lines import LINES

class Decoder(srd.Decoder):
    api_version = 3
    id = "{name}"
    name = "Trial"
    longname = "Trial"
    desc = "Trial."
    license = "mit"
    inputs = ["logic"]
    outputs = []
    channels = ({{"id": "m1", "name": "M1", "desc": "M1"}},)
    def reset(self): pass
    def start(self): pass
    def decode(self): pass
'''


@pytest.fixture
def tree(tmp_path, monkeypatch):
    """An installation with two trial plug-ins, and a user's home."""
    decoders = tmp_path / "installation" / "decoders"
    shutil.copytree(ROOT / "decoders" / "strobewise", decoders / "strobewise", ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("trial_one", "trial_two"):
        (decoders / "host" / name).mkdir(parents=True)
        (decoders / "host" / name / "__init__.py").write_text("from .pd import Decoder\n")
        (decoders / "host" / name / "pd.py").write_text(PLUG_IN.format(name=name))
    for module in (installer, command):
        monkeypatch.setattr(module, "host_folder", lambda: decoders / "host")
    monkeypatch.setattr(installer, "decoders_folder", lambda: decoders)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.delenv("SIGROKDECODE_DIR", raising=False)
    return decoders


def everything(folder) -> set[str]:
    return {str(path.relative_to(folder)) for path in folder.rglob("*")} if folder.exists() else set()


def run(action: str, copy: bool = False) -> None:
    command.run(argparse.Namespace(action=action, copy=copy, path=False))


def host_lists(environment) -> tuple[list[str], str]:
    done = subprocess.run(["sigrok-cli", "-L"], capture_output=True, text=True, check=True, env=environment)
    names = done.stdout.split("Supported protocol decoders:")[1].split()
    return [name for name in names if name.startswith("trial_")], done.stderr


@pytest.mark.parametrize("copy", [False, True])
def test_the_host_finds_what_was_installed_and_nothing_stays(tree, tmp_path, copy, capsys):
    require_component("the capture host", shutil.which("sigrok-cli"), "install sigrok-cli, without its bundled decoders")
    run("install", copy)
    assert sorted(p.name for p in installer.user_folder().iterdir()) == ["trial_one", "trial_two"]
    if copy:
        shutil.rmtree(tree)  # a copy needs nothing of the package
    assert host_lists(os.environ) == (["trial_one", "trial_two"], "")
    run("check")
    assert "trial_two: loads without a message" in capsys.readouterr().out
    run("uninstall")
    assert everything(tmp_path / "data") == set()


def test_a_copy_has_its_own_engine_and_no_rubbish(tree):
    run("install", copy=True)
    folder = installer.user_folder() / "trial_one"
    assert (folder / "strobewise" / "bus" / "lines.py").is_file()
    assert not (folder / "strobewise" / "capture").exists()  # needs numpy
    assert not list(folder.rglob("__pycache__"))


def test_installing_again_replaces_links_by_copies_and_back(tree):
    for copy in (False, True, True, False):
        run("install", copy)
        path = installer.user_folder() / "trial_one"
        assert path.is_symlink() != copy and (path / "pd.py").is_file()


@pytest.mark.parametrize("after", [False, True])
@pytest.mark.parametrize("copy", [False, True])
def test_one_whom_a_kill_left_behind_is_known_as_ours(tree, copy, after, monkeypatch):
    """Stopped just before the second plug-in is there, and just behind that: the next run installs all, and nothing stays of either."""
    name = "rename" if copy else "symlink_to"
    made = getattr(pathlib.Path, name)

    def killed(*arguments, **more):
        if "trial_two" not in str(arguments[0]):
            return made(*arguments, **more)
        if after:
            made(*arguments, **more)
        raise KeyboardInterrupt

    with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
        patch.setattr(pathlib.Path, name, killed)
        installer.install(copy)
    installer.install(copy)
    assert [entry.path.name for entry in installer.installed()] == ["trial_one", "trial_two"]
    removed, left = installer.uninstall()
    assert len(removed) == 2 and left == [] and not installer.user_folder().exists()


def test_two_that_install_at_once_both_end_well(tree, tmp_path):
    """Links and copies by turns: the second one waits for the first, and replaces what that has made."""
    ways = ([], ["--copy"], [], ["--copy"])
    with ThreadPoolExecutor(len(ways)) as pool:
        runs = list(pool.map(lambda way: run_strobewise("plugins", "install", *way), ways))
    assert [(done.stderr, done.returncode) for done in runs] == [(b"", 0)] * len(ways)
    assert len(list(installer.user_folder().iterdir())) == 4
    removed, left = installer.uninstall()
    assert len(removed) == 4 and left == []


@pytest.mark.parametrize("kind", ["folder", "file", "link"])
def test_a_foreign_file_is_never_overwritten(tree, tmp_path, kind):
    path = installer.user_folder() / "trial_two"
    path.parent.mkdir(parents=True)
    if kind == "folder":
        path.mkdir()
    elif kind == "file":
        path.write_text("mine")
    else:
        path.symlink_to(tmp_path)
    before = everything(tmp_path / "data")
    with pytest.raises(StrobewiseError, match=r"^something that we did not install has this name \(.*trial_two\): move it away"):
        run("install")
    assert everything(tmp_path / "data") == before


def test_what_was_changed_or_added_in_a_copy_stays(tree):
    run("install", copy=True)
    folder = installer.user_folder() / "trial_one"
    (folder / "pd.py").write_text("mine now")
    (folder / "notes.txt").write_text("mine")
    with pytest.raises(StrobewiseError, match="did not install"):
        run("install")
    removed, left = installer.uninstall()
    assert len(removed) == 2
    assert everything(folder) == {"pd.py", "notes.txt"}
    assert set(left) == {folder / "pd.py", folder / "notes.txt"}
    assert not (installer.user_folder() / "trial_two").exists()


def test_a_link_that_was_replaced_stays(tree):
    run("install")
    path = installer.user_folder() / "trial_one"
    path.unlink()
    path.write_text("mine")
    removed, left = installer.uninstall()
    assert left == [path] and path.read_text() == "mine" and len(removed) == 1


def test_check_says_what_the_host_says(tree):
    require_component("the capture host", shutil.which("sigrok-cli"), "install sigrok-cli, without its bundled decoders")
    (tree / "host" / "trial_two" / "pd.py").write_text("import nothing_of_that_name\n")
    with pytest.raises(StrobewiseError, match=r"^trial_two does not load: .*nothing_of_that_name"):
        run("check")


def test_check_says_what_the_plug_ins_cost(tmp_path, monkeypatch, capsys):
    require_component("the capture host", shutil.which("sigrok-cli"), "install sigrok-cli, without its bundled decoders")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    run("check")
    said = capsys.readouterr().out
    ratios = {name: float(ratio) for name, ratio in re.findall(r"^  (\S.*): (\d+\.\d)$", said, re.MULTILINE)}
    assert list(ratios) == [name for name, *_ in STACKS]
    assert all(ratio > 0 for ratio in ratios.values()), ratios  # a stack that decodes nothing would cost nothing


def test_check_without_a_host_says_so(tree, monkeypatch):
    monkeypatch.setenv("PATH", "")
    with pytest.raises(ComponentMissing, match=r"^the capture host is not here \(sigrok-cli\)"):
        run("check")


def test_path_prints_just_the_folder():
    done = run_strobewise("plugins", "--path")
    assert done.stdout.decode() == f"{ROOT / 'decoders' / 'host'}\n"


def test_a_damaged_list_is_an_error_with_advice(tree):
    run("install")
    installer._list_file().write_text("{}")
    with pytest.raises(StrobewiseError, match="the list of installed plug-ins is damaged"):
        run("uninstall")
