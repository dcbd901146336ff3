"""CI fixes the examples of property tests, and one option unfixes them: what only some examples show must not stay hidden."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from conftest import ROOT


@pytest.mark.parametrize("options, fixed", [((), True), (("--hypothesis-profile=fresh",), False)])
def test_who_chooses_the_examples(tmp_path, options, fixed):
    (tmp_path / "test_it.py").write_text(
        f"from hypothesis import settings\n\n\ndef test_it():\n    assert settings.default.derandomize is {fixed}\n"
    )
    ran = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "conftest", "-p", "no:cacheprovider", *options, str(tmp_path)],
        env={**os.environ, "CI": "true", "PYTHONPATH": os.pathsep.join([str(ROOT / "tests"), str(ROOT / "decoders")])},
        cwd=tmp_path, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert ran.returncode == 0, ran.stdout + ran.stderr
