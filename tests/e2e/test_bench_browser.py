"""The bench in a real browser: from an empty folder to a proven repair, doing only what the page says; the machine's truth answers."""

from __future__ import annotations

import importlib.util
import json

import pytest
from test_report_browser import errors, luminance, requests, start

from bench_server import serving
from conftest import require_component
from strobewise.case.store import add_capture, new_case
from strobewise.machine import fault, simulate

MOST_STEPS = 12


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    for name in ("starlette", "uvicorn"):
        require_component(name, importlib.util.find_spec(name), 'pip install "strobewise[bench]"')
    driver = start(tmp_path_factory.mktemp("profile"))
    driver.set_window_size(1024, 1400)
    yield driver
    driver.quit()


def one(driver, selector):
    return driver.find_element("css selector", selector)


def wait_for_change(driver, do):
    """Do something that makes the page load anew, and wait until it has."""
    from selenium.webdriver.support.ui import WebDriverWait

    driver.execute_script("window.before = true")
    do()
    WebDriverWait(driver, 60).until(
        lambda d: d.execute_script("return (!window.before && document.readyState === 'complete') || !trouble.hidden")
    )
    assert not one(driver, "#trouble").is_displayed(), one(driver, "#trouble").text


def away(driver):
    """Leave the page of a server that has ended, and what it complained of."""
    driver.get("about:blank")
    driver.get_log("browser")


def begin(driver, bench, name, *ticked):
    away(driver)
    driver.get(bench.url)
    assert driver.title == "A new case" and "key=" not in driver.current_url
    one(driver, "[name=machine]").send_keys(name)
    for each in ticked:
        one(driver, f"[name={each}]").click()
    wait_for_change(driver, one(driver, "#begin .main").click)


class Machine:
    """A machine whose CPU has a dead /M1, and what a person measures and does there."""

    def __init__(self, folder):
        self.folder, self.faults, self.captures = folder, [fault("dead-low", line="M1")], 0

    def take(self, driver):
        """Do the step that the page shows."""
        step = one(driver, "#next")
        for gate in step.find_elements("css selector", "[data-gate]"):
            assert not any(button.is_enabled() for button in step.find_elements("css selector", "form.answer button"))
            gate.click()
        id = step.get_attribute("data-step")
        if id.startswith("capture"):
            wait_for_change(driver, lambda: self.capture(driver, step))
        elif id == "close":
            one(driver, "#next [name=part]").send_keys("U1, the CPU")
            wait_for_change(driver, one(driver, "#next form.closing button").click)
        else:
            forms = step.find_elements("css selector", "form.answer")
            told = {form.find_element("css selector", "button").text: form for form in forms}
            for field, value in (("ohms", "0.8"), ("supply", "5.02")):
                if id.startswith(field):
                    one(driver, "#next form.answer [name=value]").send_keys(value)
            words = next(word for word in (*(w for w in ("It does not pulse", "The fault stays") if w in told), *told))
            if id.startswith("replaced:cpu"):
                self.faults = []
            wait_for_change(driver, told[words].find_element("css selector", "button").click)

    def capture(self, driver, step):
        rows = [row.text for row in step.find_elements("css selector", ".leads li")][1:]
        channels = dict(sorted((int(row.split()[0][2:]), row.split(" to ")[1].split(",")[0].lstrip("/")) for row in rows))
        for tick in step.find_elements("css selector", ".leads input"):
            tick.click()
        self.captures += 1
        path = self.folder / f"capture-{self.captures}.vcd"
        with path.open("w") as file:
            simulate(lines=tuple(channels.values()), names="channels", duration_s=0.02, faults=self.faults).write_vcd(file)
        one(driver, "#file").send_keys(str(path))


def test_from_an_empty_folder_to_a_proven_repair(browser, tmp_path):
    machine = Machine(tmp_path)
    with serving(tmp_path / "mine") as bench:
        begin(browser, bench, "Dunlin no. 7", "socketed_cpu")
        requests(browser)
        steps = []
        while one(browser, "#next").get_attribute("data-step") != "none" and len(steps) < MOST_STEPS:
            steps.append(one(browser, "#next").get_attribute("data-step"))
            machine.take(browser)
            assert errors(browser) == []
            assert browser.execute_script("return scrollY") == 0  # the verdict and the next step are what is seen first
        assert steps[0].startswith("capture") and "replaced:cpu" in steps and steps[-1] == "close", steps
        assert one(browser, "#verdict").text.startswith("CLOSED.") and "U1, the CPU" in one(browser, "#verdict").text
        assert one(browser, "#proof").text.startswith("Proven: ")
        assert len(browser.find_elements("css selector", ".timeline > li")) == len(steps) - 1
        assert all(url.startswith(bench.origin) for url in requests(browser))  # nothing is asked of anywhere else
        browser.get(f"{bench.origin}/sheet")
        sheet = one(browser, "body").text
        assert "Job sheet: Dunlin no. 7" in sheet and "Proven" in sheet
        assert errors(browser) == []


def test_the_verdict_has_its_waveform_with_what_should_have_been(browser, tmp_path):
    machine = Machine(tmp_path)
    with serving(tmp_path / "mine") as bench:
        begin(browser, bench, "x")
        machine.take(browser)
        assert one(browser, "#verdict").text.startswith("FAULT. /M1 (pin 27) is dead")
        assert one(browser, "#waveform path.ghost").get_attribute("d").count("V") >= 4
        data = json.loads(one(browser, "#data").get_attribute("textContent"))
        assert data["windows"][0]["title"] == "/M1 dead"
        signs = [text.text for text in browser.find_elements("css selector", "[aria-labelledby=seen-title] text.sign")]
        assert "?" in signs and "\N{CHECK MARK}" in signs and signs.count("\N{MULTIPLICATION X}") == 1
        which, take_back = browser.find_elements("css selector", ".timeline summary")
        which.click()
        assert "CH3: /M1" in one(browser, ".timeline").text and "by 1-capture-1.vcd.map.toml" in one(browser, ".timeline").text
        take_back.click()
        one(browser, ".withdraw [name=because]").send_keys("wrong machine")
        wait_for_change(browser, one(browser, ".withdraw button").click)
        assert one(browser, "#verdict").text.startswith("NOTHING CAPTURED YET") and "wrong machine" in one(browser, ".timeline").text


def test_hostile_names_are_text(browser, tmp_path):
    with serving(tmp_path / "mine") as bench:
        begin(browser, bench, "<img src=x onerror='window.hacked=1'>{{7*7}}</script><b>")
        note = "</li><script>window.hacked=1</script>"
        bench.change("/answers", {"kind": "note", "note": note})
        bench.change("/answers", {"kind": "volts", "about": "M1", "value": "0.4", "note": "\x1b[31m\u202e" + note})
        browser.get(bench.origin)
        assert browser.execute_script("return window.hacked === undefined && document.querySelectorAll('img, h1 b').length === 0")
        assert one(browser, "h1").text.startswith("<img src=x") and "{{7*7}}" in one(browser, "h1").text
        assert note in one(browser, ".timeline").text and "\x1b" not in browser.page_source
        browser.get(f"{bench.origin}/sheet")
        assert browser.execute_script("return document.querySelectorAll('img, script').length") == 0
        assert errors(browser) == []


def test_a_mistake_is_told_on_the_page_and_nothing_is_lost(browser, tmp_path):
    (tmp_path / "x.vcd").write_text("nonsense")
    with serving(tmp_path / "mine") as bench:
        begin(browser, bench, "x")
        one(browser, "[data-gate]").click()
        one(browser, "#note").send_keys("kept")
        one(browser, "#file").send_keys(str(tmp_path / "x.vcd"))
        from selenium.webdriver.support.ui import WebDriverWait

        WebDriverWait(browser, 30).until(lambda d: one(d, "#trouble").is_displayed())
        assert one(browser, "#note").get_attribute("value") == "kept"
        browser.get_log("browser")  # the refusal itself


@pytest.mark.parametrize("width", [420, 768])
def test_large_targets_no_sideways_scrolling_and_both_schemes(browser, tmp_path, width):
    machine = Machine(tmp_path)
    with serving(tmp_path / "mine") as bench:
        begin(browser, bench, "x")
        machine.take(browser)
        size = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": True}
        browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
        assert browser.execute_script("return document.documentElement.scrollWidth") <= width
        small = """return [...document.querySelectorAll('button, select, .tick, .file, summary')]
            .filter(e => e.offsetParent && e.offsetHeight < 44).map(e => e.outerHTML.slice(0, 80))"""
        assert browser.execute_script(small) == []  # WCAG 2.2, target size (enhanced): 44 pixels
        for scheme in ("light", "dark"):
            browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": scheme}]})
            style = "const s = getComputedStyle(document.querySelector('.main:not(:disabled), .main')); return [s.color, s.backgroundColor]"
            one_, two = (luminance(text) for text in browser.execute_script(style))
            assert (max(one_, two) + 0.05) / (min(one_, two) + 0.05) >= 4.5, scheme  # WCAG 2, contrast
        browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})


def test_the_keyboard_is_enough(browser, tmp_path):
    from selenium.webdriver.common.keys import Keys

    with serving(tmp_path / "mine") as bench:
        begin(browser, bench, "x")
        body = one(browser, "body")
        body.send_keys(Keys.TAB)
        assert browser.switch_to.active_element.text == "Skip to the next step"
        for _ in range(6):
            if browser.switch_to.active_element.get_attribute("data-gate") is not None:
                break
            browser.switch_to.active_element.send_keys(Keys.TAB)
        browser.switch_to.active_element.send_keys(Keys.SPACE)
        assert one(browser, "#file").is_enabled()


def test_what_grows_worse_is_seen_whole_on_a_telephone(browser, tmp_path):
    """The bench page and the job sheet draw it no wider than the screen, with its axis in letters that can be read."""
    case = new_case(tmp_path / "mine", symptom="dies-warm")
    for minutes, share in ((1, 0), (20, 1)):
        path = tmp_path / f"{minutes}.vcd"
        with path.open("w") as file:
            faults = [fault("intermittent", line="M1", at="cpu", level="high", after_s=0.001, ramp_s=0.01)] * share
            simulate(lines=("CLK", "MREQ", "M1", "RD", "WR", "RFSH"), duration_s=0.008, faults=faults).write_vcd(file)
        case = add_capture(case, path, minutes_on=minutes)
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", {"width": 420, "height": 900, "deviceScaleFactor": 1, "mobile": True})
    with serving(tmp_path / "mine") as bench:
        away(browser)
        for url in (bench.url, f"{bench.origin}/sheet"):
            browser.get(url)
            charts = browser.find_elements("css selector", "svg.chart.narrow")
            assert len(charts) >= 2
            hidden = """return [...document.querySelectorAll('svg.chart.narrow')].map(c => c.parentElement)
                .filter(f => f.scrollWidth > f.clientWidth).length"""
            assert browser.execute_script(hidden) == 0
            letters = """return Math.min(...[...document.querySelectorAll('svg.chart.narrow text')]
                .map(t => t.getBoundingClientRect().height))"""
            assert browser.execute_script(letters) >= 9
        assert errors(browser) == []
    browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
