"""Where what is shipped beside the code is, in the source tree or in the installed package: plug-ins and demo captures."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent
_SOURCE_TREE = _PACKAGE.parents[1]


def _shipped(name: str) -> Path:
    in_tree = _SOURCE_TREE / name
    return in_tree if (_SOURCE_TREE / "pyproject.toml").is_file() and in_tree.is_dir() else _PACKAGE / name


def decoders_folder() -> Path:
    """Return the folder that holds the engine and ``host``, as the plug-ins expect to find them side by side."""
    return _shipped("decoders")


def host_folder() -> Path:
    """Return the search path to give to the capture host: plug-in folders and nothing else."""
    return decoders_folder() / "host"


def demo_folder() -> Path:
    """Return the folder of the demo captures, their machines and scenarios."""
    return _shipped("traces")
