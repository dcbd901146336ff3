"""The pages in a real browser: no console errors, zoom, cursors and links work, and they are worth reading without scripts.

Needs headless Chromium with its driver and the package `selenium` from the extra "test".
"""

from __future__ import annotations

import json
import os
import re
import shutil
from pathlib import Path

import pytest

from conftest import TRACES, all_traces, require_component
from strobewise.compare.comparison import compare
from strobewise.diagnosis.facade import diagnose
from strobewise.profile.options import Options
from strobewise_cli.render import compare_html
from strobewise_cli.render.html_report import render_page

CHROMIUM = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
DRIVER = os.environ.get("CHROMEDRIVER") or shutil.which("chromedriver")
REMEDY = "install chromium, chromium-driver and the Python package selenium"
#: No background traffic: the page must not need a network, and the test machine may have none.
FLAGS = (
    "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--window-size=1200,1000",
)  # fmt: skip
DEAD = TRACES / "faults" / "fetch-strobe-missing" / "m1-dead-full.vcd.gz"


def start(profile: Path, scripts: bool = True):
    try:
        from selenium import webdriver
        from selenium.webdriver.chrome.service import Service
    except ModuleNotFoundError:
        require_component("selenium", None, REMEDY)
    require_component("chromium", CHROMIUM and DRIVER, REMEDY)
    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM
    for flag in (*FLAGS, f"--user-data-dir={profile}"):
        options.add_argument(flag)
    if not scripts:
        options.add_experimental_option("prefs", {"profile.managed_default_content_settings.javascript": 2})
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    return webdriver.Chrome(options=options, service=Service(DRIVER))


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    driver = start(tmp_path_factory.mktemp("profile"))
    yield driver
    driver.quit()


@pytest.fixture(scope="module")
def dead_page(tmp_path_factory):
    path = tmp_path_factory.mktemp("pages") / "dead.html"
    path.write_text(render_page(diagnose([DEAD]), Options()), encoding="utf-8")
    return path


@pytest.fixture
def opened(browser, dead_page):
    browser.get(dead_page.as_uri())
    return browser


def view(driver) -> tuple[float, float]:
    wave = driver.find_element("id", "waveform")
    return float(wave.get_attribute("data-from")), float(wave.get_attribute("data-to"))


def press(driver, *keys) -> None:
    driver.find_element("id", "waveform").send_keys(*keys)


def errors(driver) -> list[str]:
    return [entry["message"] for entry in driver.get_log("browser")]


def requests(driver) -> list[str]:
    events = [json.loads(entry["message"])["message"] for entry in driver.get_log("performance")]
    urls = [e["params"]["request"]["url"] for e in events if e["method"] == "Network.requestWillBeSent"]
    return [url for url in urls if url.startswith(("http", "ws", "ftp", "file"))]  # not those of the browser's own start page


@pytest.mark.parametrize("capture", all_traces(), ids=lambda path: path.name.partition(".")[0])
def test_the_page_of_every_trace_opens_without_errors(capture, browser, tmp_path):
    page = tmp_path / "page.html"
    page.write_text(render_page(diagnose([capture]), Options()), encoding="utf-8")
    assert page.stat().st_size < 5_000_000
    requests(browser)
    browser.get(page.as_uri())
    assert errors(browser) == []
    assert set(requests(browser)) == {page.as_uri()}
    assert browser.find_elements("css selector", "#waveform path.level")
    low, high = view(browser)
    assert high > low


def test_keys_and_buttons_zoom_and_move(opened):
    low, high = view(opened)
    press(opened, "+")
    closer = view(opened)
    assert closer[1] - closer[0] == pytest.approx((high - low) / 1.5, rel=0.01)
    press(opened, "-")
    opened.find_element("css selector", "[data-do=all]").click()
    everything = view(opened)
    assert everything[1] - everything[0] > (high - low) * 1.5
    opened.find_element("css selector", "[data-do=in]").click()
    before = view(opened)
    opened.find_element("css selector", "[data-do=right]").click()
    assert view(opened)[0] > before[0]
    press(opened, "0")
    assert view(opened) == everything


def until(driver, holds):
    """Wait until something holds. Raises TimeoutException where it never does."""
    from selenium.webdriver.support.ui import WebDriverWait

    WebDriverWait(driver, 20).until(holds)


def test_the_wheel_scrolls_the_page_until_the_waveform_is_chosen(opened):
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.actions.wheel_input import ScrollOrigin

    wave = opened.find_element("id", "waveform")
    opened.execute_script("arguments[0].scrollIntoView({block: 'center'})", wave)
    low, high = view(opened)
    before = opened.execute_script("return scrollY")
    ActionChains(opened).scroll_from_origin(ScrollOrigin.from_element(wave), 0, -300).perform()
    until(opened, lambda driver: driver.execute_script("return scrollY") < before)  # a busy browser scrolls a moment later
    assert view(opened) == (low, high)
    opened.execute_script("arguments[0].scrollIntoView({block: 'center'}); arguments[0].focus({preventScroll: true})", wave)
    ActionChains(opened).scroll_from_origin(ScrollOrigin.from_element(wave), 0, -300).perform()
    closer = view(opened)
    assert closer[1] - closer[0] < high - low
    ActionChains(opened).drag_and_drop_by_offset(wave, -120, 0).perform()
    assert view(opened)[0] > closer[0]


def test_two_cursors_read_times_and_t_states(opened):
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    wave = opened.find_element("id", "waveform")
    opened.execute_script("arguments[0].scrollIntoView({block: 'center'})", wave)
    ActionChains(opened).move_to_element_with_offset(wave, -100, 0).click().perform()
    ActionChains(opened).key_down(Keys.SHIFT).move_to_element_with_offset(wave, 200, 0).click().key_up(Keys.SHIFT).perform()
    text = opened.find_element("id", "readout").text
    found = re.search(r"A to B ([0-9.]+) (ns|µs) = ([0-9.]+) T-states", text)
    assert found, text
    seconds = float(found[1]) * {"ns": 1e-9, "µs": 1e-6}[found[2]]
    clock = diagnose([DEAD]).evidence.clock.hz
    assert float(found[3]) == pytest.approx(seconds * clock, abs=0.02)
    low, high = view(opened)
    data = json.loads(opened.find_element("id", "data").get_attribute("textContent"))
    width = wave.size["width"] - 84 - 18
    assert seconds == pytest.approx(300 / width * (high - low) * data["sources"][0]["tickSeconds"], rel=0.03)
    assert "/M1 0" in text


def test_cursor_steps_from_edge_to_edge(opened):
    data = json.loads(opened.find_element("id", "data").get_attribute("textContent"))
    window = data["windows"][0]
    edges = sorted({time for trace in window["traces"].values() for time in trace[0::2] if time > window["moment"]})
    tick = data["sources"][0]["tickSeconds"]
    for expected in edges[:3]:
        press(opened, "]")
        text = opened.find_element("id", "readout").text
        number, unit = re.match(r"A ([0-9.]+) (ns|µs|ms)", text).groups()
        shown = float(number) * {"ns": 1e-9, "µs": 1e-6, "ms": 1e-3}[unit]
        assert shown == pytest.approx(data["sources"][0]["startSeconds"] + expected * tick, abs=6e-9)


def test_buttons_step_through_edges_and_moments(opened):
    wave = opened.find_element("id", "waveform")
    first = wave.get_attribute("data-window")
    opened.find_element("css selector", "[data-do=next]").click()
    assert wave.get_attribute("data-window") != first
    opened.find_element("css selector", "[data-do=previous]").click()
    assert wave.get_attribute("data-window") == first
    before = opened.find_element("id", "readout").text
    opened.find_element("css selector", "[data-do=edge]").click()
    after = opened.find_element("id", "readout").text
    assert after != before
    opened.find_element("css selector", "[data-do=edge]").click()
    opened.find_element("css selector", "[data-do=edgeback]").click()
    assert opened.find_element("id", "readout").text == after


def test_a_link_moves_the_waveform_to_its_finding(opened):
    from selenium.webdriver.support.ui import Select

    wave = opened.find_element("id", "waveform")
    Select(opened.find_element("id", "window")).select_by_value("middle")
    assert wave.get_attribute("data-window") == "middle"
    away = view(opened)
    opened.find_element("css selector", "a[data-window='finding-0']").click()
    data = json.loads(opened.find_element("id", "data").get_attribute("textContent"))
    moment = data["windows"][0]["moment"]
    low, high = view(opened)
    assert wave.get_attribute("data-window") == "finding-0"
    assert low <= moment <= high and not away[0] <= moment <= away[1]
    assert opened.switch_to.active_element == wave
    press(opened, "n")
    assert wave.get_attribute("data-window") == "start"
    assert errors(opened) == []


def test_dark_and_light_differ_and_text_stands_out(opened):
    def colours(scheme: str) -> tuple[float, float]:
        opened.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": scheme}]})
        style = "const s = getComputedStyle(document.body); return [s.color, s.backgroundColor]"
        return tuple(luminance(text) for text in opened.execute_script(style))

    for scheme in ("light", "dark"):
        ink, ground = colours(scheme)
        assert (max(ink, ground) + 0.05) / (min(ink, ground) + 0.05) >= 7, scheme  # WCAG 2, enhanced contrast
        assert (ground > ink) == (scheme == "light")


def luminance(text: str) -> float:
    """Return the relative luminance of "rgb(r, g, b)". Source: WCAG 2, relative luminance."""
    parts = [int(number) / 255 for number in re.findall(r"\d+", text)[:3]]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def test_print_shows_the_moments_and_no_tools(opened):
    opened.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print", "features": []})
    assert opened.find_element("css selector", "pre.plain").is_displayed()
    assert not opened.find_element("css selector", ".tools").is_displayed()
    steps, pins = (opened.find_element("css selector", f".sides > :{which}-child").rect for which in ("first", "last"))
    assert abs(steps["y"] - pins["y"]) < 5 and pins["x"] >= steps["x"] + steps["width"] - 1  # side by side on paper
    opened.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "", "features": []})


def test_every_finding_leads_to_its_moment_and_the_menu_speaks_in_titles(opened):
    cards = opened.find_elements("css selector", "article.finding")
    assert cards and all(card.find_elements("css selector", "a[data-window]") for card in cards)
    menu = [option.text for option in opened.find_elements("css selector", "#window option")]
    assert menu[0] == "/M1 dead" and not any("fetch-strobe-missing" in text for text in menu)


def test_the_package_shows_what_was_seen_of_each_pin_with_a_sign(opened):
    signs = [text.text for text in opened.find_elements("css selector", ".package text.sign")]
    assert signs.count("\N{MULTIPLICATION X}") == 1 and signs.count("\N{CHECK MARK}") == 37
    assert opened.title == "FAULT: m1-dead-full.vcd.gz"


def test_at_the_width_of_a_telephone_nothing_is_cut_to_letters(dead_page, tmp_path):
    driver = start(tmp_path)
    try:
        driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", {"width": 420, "height": 900, "deviceScaleFactor": 1, "mobile": True})
        driver.get(dead_page.as_uri())
        assert driver.execute_script("return document.documentElement.scrollWidth") <= 420
        long = "[...document.querySelectorAll('td:last-child, .steps li')].filter(e => e.innerText.length > 20)"
        assert min(driver.execute_script(f"return {long}.map(e => e.offsetWidth)")) >= 150
    finally:
        driver.quit()


def test_without_scripts_the_page_still_tells(dead_page, tmp_path):
    driver = start(tmp_path, scripts=False)
    try:
        driver.get(dead_page.as_uri())
        text = driver.find_element("tag name", "body").text
        assert "FAULT." in text and "|fetch" in text and "pin 27" in text
        assert not driver.find_element("id", "waveform").is_displayed()
    finally:
        driver.quit()


def test_the_page_of_a_comparison_shows_both_captures(browser, tmp_path):
    page = tmp_path / "compare.html"
    good = TRACES / "good" / "healthy-full.vcd.gz"
    page.write_text(compare_html.render_page(compare(str(DEAD), str(good)), Options()), encoding="utf-8")
    browser.get(page.as_uri())
    wave = browser.find_element("id", "waveform")
    first = wave.get_attribute("data-window")
    assert first == "gone-0" and "/M1 0" in browser.find_element("id", "readout").text
    for link in browser.find_elements("css selector", "a[data-window]"):
        link.click()
        assert wave.get_attribute("data-window") == link.get_attribute("data-window")
        low, high = view(browser)
        assert high > low
    assert errors(browser) == []


def test_volts_of_a_scope_are_drawn_between_the_limits_of_an_input(browser, tmp_path):
    rows = [f"{n * 20e-9:.9f},{4.2 if n % 4 < 2 else 0.2},0.45" for n in range(4000)]  # /MREQ swings, /M1 stays near half a volt
    (tmp_path / "scope.csv").write_text("\n".join(["time (s),MREQ (V),M1 (V)", *rows]) + "\n")
    page = tmp_path / "scope.html"
    page.write_text(render_page(diagnose([tmp_path / "scope.csv"]), Options()), encoding="utf-8")
    browser.get(page.as_uri())
    assert len(browser.find_elements("css selector", "#waveform line.limit")) == 4  # 0.8 and 2.0 V for each of two lines
    drawn = {path.get_attribute("d") for path in browser.find_elements("css selector", "#waveform path.volts")}
    heights = [{float(y) for y in re.findall(r"[ML][\d.-]+ ([\d.]+)", path)} for path in drawn]
    assert sorted(map(len, heights)) == [1, 2]  # one that stays, one with two levels
    assert not browser.find_elements("css selector", "#waveform path.level")
    assert re.search(r"/M1 0 \(0\.45 V\)", browser.find_element("id", "readout").text)
    assert errors(browser) == []


def test_a_wrong_read_has_its_level_dashed_and_leads_to_the_write(browser, tmp_path):
    page = tmp_path / "ram.html"
    page.write_text(render_page(diagnose([TRACES / "faults" / "ram-bit-dead" / "ram-bit.vcd.gz"]), Options()), encoding="utf-8")
    browser.get(page.as_uri())
    dashed = browser.find_element("css selector", "#waveform path.expected").get_attribute("d")
    assert re.fullmatch(r"M[\d.]+ \d+H[\d.]+", dashed)
    read = browser.find_element("id", "waveform").get_attribute("data-window")
    browser.find_element("link text", "show the write").click()
    assert browser.find_element("id", "waveform").get_attribute("data-window") == f"{read}-write"
    assert "write" in browser.find_element("id", "readout").text and not browser.find_elements("css selector", "#waveform path.expected")
    assert errors(browser) == []


def test_remarks_stand_under_their_lines_at_the_width_of_a_telephone(dead_page, tmp_path):
    driver = start(tmp_path / "profile")
    try:
        driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", {"width": 420, "height": 900, "deviceScaleFactor": 1, "mobile": False})
        driver.get(dead_page.as_uri())
        table = "document.querySelector('table.lines')"
        assert driver.execute_script(f"return {table}.scrollWidth <= {table}.parentElement.clientWidth")
        first = "document.querySelector('table.lines td:last-child:not(:empty)')"
        above = f"{first}.parentElement.firstElementChild.getBoundingClientRect().bottom - 1"
        assert driver.execute_script(f"return {first}.getBoundingClientRect().top >= {above}")
    finally:
        driver.quit()
