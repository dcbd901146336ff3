"""Makes report-page.png: the page of a diagnosis in a headless browser.

Usage: python docs/pictures/report_page.py  (needs Chromium)
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
CAPTURE = "traces/faults/fetch-strobe-missing/m1-dead-full.vcd.gz"
SIZE = "1100,1150"


def main() -> int:
    browser = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if browser is None:
        print("no Chromium on the path", file=sys.stderr)
        return 2
    with tempfile.TemporaryDirectory() as folder:
        page = Path(folder) / "report.html"
        done = subprocess.run(
            [sys.executable, "-m", "strobewise_cli", "diagnose", CAPTURE, "--html", str(page)], cwd=ROOT, capture_output=True, check=False
        )
        if done.returncode != 1:
            print(done.stderr.decode(), file=sys.stderr)
            return 2
        subprocess.run(
            [browser, "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--no-first-run",
             "--disable-background-networking",
             f"--user-data-dir={folder}/profile", f"--window-size={SIZE}", f"--screenshot={HERE / 'report-page.png'}", page.as_uri()],
            check=True, capture_output=True,
        )  # fmt: skip
    return 0


if __name__ == "__main__":
    sys.exit(main())
