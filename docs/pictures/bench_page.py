"""Makes the bench-*.png: a repair on the bench page in a headless browser, from an empty folder to the proof.

Usage: python docs/pictures/bench_page.py  (needs Chromium with its driver, selenium, starlette and uvicorn)
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
sys.path[:0] = [str(ROOT / folder) for folder in ("decoders", "cli", "tests", "tests/e2e", "tests/unit")]

from test_bench_browser import MOST_STEPS, Machine, begin, one, wait_for_change  # noqa: E402
from test_report_browser import start  # noqa: E402
from test_rules_volts import scope  # noqa: E402

from bench_server import serving  # noqa: E402

WIDE, PHONE = (1024, 1250), (430, 1250)


def main() -> int:
    with tempfile.TemporaryDirectory() as folder:
        driver = start(Path(folder) / "profile")

        def shoot(name: str, size: tuple[int, int] = WIDE) -> None:
            shape = {"width": size[0], "height": size[1], "deviceScaleFactor": 1, "mobile": True}
            driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", shape)
            driver.save_screenshot(str(HERE / f"bench-{name}.png"))
            driver.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})

        try:
            with serving(Path(folder) / "mine") as bench:
                machine = Machine(Path(folder))
                begin(driver, bench, "Dunlin no. 7", "socketed_cpu")
                shoot("step")
                machine.take(driver)
                driver.execute_script("scrollTo(0, document.getElementById('suspects-title').offsetTop - 10)")
                shoot("verdict")
                driver.execute_script("scrollTo(0, 0)")
                driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": "dark"}]})
                shoot("phone", PHONE)
                driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})
                for _ in range(MOST_STEPS):
                    step = one(driver, "#next").get_attribute("data-step") or ""
                    if step == "none":
                        break
                    if step.startswith("capture:proof"):
                        shoot("proof")
                    machine.take(driver)
                shoot("closed")
            with serving(Path(folder) / "scope") as bench:
                begin(driver, bench, "Dunlin no. 8")
                path = scope(Path(folder), dead={"M1": (0.35, 0.55)})
                for gate in driver.find_elements("css selector", "#next [data-gate]"):
                    gate.click()
                wait_for_change(driver, lambda: one(driver, "#file").send_keys(path))
                driver.execute_script("scrollTo(0, document.getElementById('waveform-title').offsetTop - 10)")
                shoot("volts", (1024, 560))
        finally:
            driver.quit()
    return 0


if __name__ == "__main__":
    sys.exit(main())
