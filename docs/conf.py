"""The documentation site: Sphinx with Markdown sources. `python -m sphinx -W -b html docs site` builds it.

The reference is generated from the code each time the site is built, so that it cannot fall behind.
"""

from __future__ import annotations

import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent / "decoders"), str(HERE.parent / "cli")]

import generate_reference  # noqa: E402

from strobewise import __version__  # noqa: E402

project = "strobewise"
version = release = __version__
copyright = "the strobewise contributors, MIT licence"  # Sphinx asks for this name
extensions = ["myst_parser"]
myst_enable_extensions = ["colon_fence"]
myst_heading_anchors = 3
suppress_warnings = ["misc.highlighting_failure"]
html_theme = "alabaster"
html_theme_options = {"description": "What is wrong with a Z80 computer, from a capture of its bus", "page_width": "1080px"}
html_show_sourcelink = False
exclude_patterns = ["_build"]
linkcheck_ignore = [".*"]  # nothing here may need a network

generate_reference.write(HERE / "reference" / "generated")
