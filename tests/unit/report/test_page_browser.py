"""The page in a real browser without a network: it loads, the slider moves the strip, nothing overflows."""

from __future__ import annotations

import base64
import io
import shutil
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import made_results
import numpy as np
import pytest
from numpy.typing import NDArray
from page_words import judged
from PIL import Image

from fem.report.page import write_page
from fem.report.report import ReportEntry, write_report

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
DRIVER = shutil.which("chromedriver")
FLAGS = (
    "--headless=new", "--no-sandbox", "--disable-dev-shm-usage", "--use-gl=angle", "--use-angle=swiftshader",
    "--enable-unsafe-swiftshader", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--hide-scrollbars",
)  # fmt: skip


def start(folder: Path, flags: tuple[str, ...]) -> Any:
    """A browser that cannot reach any network."""
    if not (CHROMIUM and DRIVER):
        pytest.skip("no browser here: apt install chromium chromium-driver")
    webdriver = pytest.importorskip("selenium.webdriver", reason="selenium is not installed here")
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM
    for flag in (*flags, f"--user-data-dir={folder}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    browser = webdriver.Chrome(options=options, service=Service(DRIVER))
    browser.execute_cdp_cmd("Network.enable", {})
    cut = {"offline": True, "latency": 0, "downloadThroughput": 0, "uploadThroughput": 0}
    browser.execute_cdp_cmd("Network.emulateNetworkConditions", cut)
    return browser


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    made = start(tmp_path_factory.mktemp("profile"), FLAGS)
    yield made
    made.quit()


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("pages")
    entries = [ReportEntry(judged()), ReportEntry(made_results.deployed())]
    return {
        "run": write_page(judged(), folder / "run.html"),
        "plain": write_page(made_results.pressed(), folder / "plain.html"),
        "report": write_report(entries, folder / "report.html")[0],
    }


def load(browser: Any, file: Path, width: int = 1440, dark: bool = False) -> None:
    size = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 600}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    scheme = [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": scheme})
    browser.get(file.as_uri())
    settle(browser)


def settle(browser: Any) -> None:
    """Two frames later, what was asked for is drawn."""
    browser.execute_async_script(
        "const done = arguments[0]; requestAnimationFrame(() => requestAnimationFrame(() => done()))"
    )


def picture(browser: Any) -> NDArray[np.uint8]:
    data = browser.execute_script("return document.getElementById('picture').toDataURL('image/png')")
    with Image.open(io.BytesIO(base64.b64decode(data.split(",")[1]))) as image:
        return np.asarray(image.convert("RGB"))


def changed(before: NDArray[np.uint8], after: NDArray[np.uint8]) -> float:
    """Share of pixels that differ clearly."""
    return float((np.abs(before.astype(int) - after).max(axis=-1) > 40).mean())


def move_to(browser: Any, state: int) -> None:
    browser.execute_script(
        "const s = document.getElementById('state'); s.value = arguments[0];"
        "s.dispatchEvent(new Event('input', {bubbles: true}))",
        state,
    )
    settle(browser)


def text(browser: Any, name: str) -> str:
    return str(browser.execute_script(f"return document.getElementById('{name}').textContent"))


def value(browser: Any, name: str) -> str:
    """What the page tells of the state shown, by its name."""
    return str(
        browser.execute_script(f"return document.querySelector('[data-value=\"{name}\"]').textContent")
    )


def press(browser: Any, selector: str) -> None:
    browser.execute_script("document.querySelector(arguments[0]).click()", selector)
    settle(browser)


def complaints(browser: Any) -> list[str]:
    return [entry["message"] for entry in browser.get_log("browser")]


@pytest.mark.parametrize("width", [390, 1440])
@pytest.mark.parametrize("name", ["run", "plain", "report"])
def test_nothing_overflows_or_complains(browser: Any, pages: dict[str, Path], name: str, width: int) -> None:
    load(browser, pages[name], width)
    wide, screen = browser.execute_script("return [document.documentElement.scrollWidth, innerWidth]")
    assert (wide, screen) == (width, width)
    assert complaints(browser) == []
    if name != "report":
        assert browser.execute_script("return document.documentElement.dataset.ready") == "yes"
        assert browser.execute_script("return document.documentElement.className") == "lively"


def test_the_slider_moves_the_strip_and_the_marker(browser: Any, pages: dict[str, Path]) -> None:
    load(browser, pages["run"])
    place = "const m = document.getElementById('marker'); return [m.getAttribute('cx'), m.getAttribute('cy')]"
    before, mark = picture(browser), browser.execute_script(place)
    assert value(browser, "travel") == "57.6 mm"
    move_to(browser, 0)
    after = picture(browser)
    assert changed(before, after) > 0.02
    assert browser.execute_script(place) != mark
    assert value(browser, "travel") == "0.0 mm"
    spoken = browser.execute_script("return document.getElementById('state').getAttribute('aria-valuetext')")
    assert spoken.startswith("state 1 of 3: fully out")
    move_to(browser, 2)
    assert changed(before, picture(browser)) < 0.001, "back where it was"


def test_the_picture_shows_strip_walls_and_jam(browser: Any, pages: dict[str, Path]) -> None:
    load(browser, pages["run"])
    shown = picture(browser).reshape(-1, 3).astype(int)
    paper = (np.abs(shown - 255).max(axis=1) < 4).mean()
    assert 0.2 < paper < 0.97
    red, green, blue = shown.T
    assert ((blue > red + 40) & (green > red)).mean() > 0.005, "blue: the strip"
    assert ((red > blue + 15) & (abs(red - green) < 20) & (red > 100)).mean() > 0.005, "sand: the walls"
    names = text(browser, "names")
    assert "casing" in names and "axle" in names and "41.0 mm from the root" in names


def test_colours_follow_the_choice_and_their_scale_has_a_unit(browser: Any, pages: dict[str, Path]) -> None:
    load(browser, pages["run"])
    before = picture(browser)
    for name, unit in (("contact", "N/mm²"), ("bending", "1/mm"), ("strain", "% of the material's limit")):
        browser.execute_script(
            "const c = document.getElementById('colour'); c.value = arguments[0];"
            "c.dispatchEvent(new Event('change'))",
            name,
        )
        settle(browser)
        assert f"[{unit}]" in text(browser, "scale-title")
        assert (changed(before, picture(browser)) > 0.004) == (name != "strain")


def test_views_turn_by_keys_mouse_and_buttons(browser: Any, pages: dict[str, Path]) -> None:
    from selenium.webdriver import ActionChains, Keys
    from selenium.webdriver.common.by import By

    load(browser, pages["run"])
    canvas = browser.find_element(By.ID, "picture")
    before = picture(browser)
    browser.execute_script("arguments[0].focus()", canvas)
    ActionChains(browser).send_keys(Keys.ARROW_RIGHT * 3).perform()
    settle(browser)
    keyed = picture(browser)
    assert changed(before, keyed) > 0.01
    ActionChains(browser).send_keys("+++").perform()
    settle(browser)
    assert changed(keyed, picture(browser)) > 0.01
    ActionChains(browser).drag_and_drop_by_offset(canvas, 60, 20).perform()
    settle(browser)
    press(browser, "[data-look='-20 22'][data-fit='all']")
    whole = picture(browser)
    press(browser, "[data-look='-20 22'][data-fit='casing']")
    assert changed(whole, picture(browser)) > 0.02
    assert changed(before, picture(browser)) < 0.001


def touch(browser: Any, kind: str, *points: tuple[float, float]) -> None:
    touches = [{"x": x, "y": y, "id": k} for k, (x, y) in enumerate(points)]
    browser.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": kind, "touchPoints": touches})


def test_fingers_turn_and_pinch(browser: Any, pages: dict[str, Path]) -> None:
    load(browser, pages["run"], 390)
    box = browser.execute_script("return document.getElementById('picture').getBoundingClientRect().toJSON()")
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    before = picture(browser)
    touch(browser, "touchStart", (x, y))
    touch(browser, "touchMove", (x + 40, y))
    touch(browser, "touchEnd")
    settle(browser)
    turned = picture(browser)
    assert changed(before, turned) > 0.01
    touch(browser, "touchStart", (x - 20, y), (x + 20, y))
    touch(browser, "touchMove", (x - 60, y), (x + 60, y))
    touch(browser, "touchEnd")
    settle(browser)
    near, paper = picture(browser), np.array([255, 255, 255])
    empty = [float((np.abs(one.astype(int) - paper).max(axis=-1) < 4).mean()) for one in (turned, near)]
    assert empty[1] < empty[0] - 0.02, "nearer: less paper"


def test_a_click_tells_the_values_there(browser: Any, pages: dict[str, Path]) -> None:
    from selenium.webdriver import ActionChains
    from selenium.webdriver.common.by import By

    load(browser, pages["run"])
    shown = picture(browser).astype(int)
    blue = (shown[..., 2] > shown[..., 0] + 40) & (shown[..., 1] > shown[..., 0])
    rows, columns = np.nonzero(blue)
    best = int(np.argmin(np.hypot(rows - np.median(rows), columns - np.median(columns))))
    canvas = browser.find_element(By.ID, "picture")
    dx, dy = columns[best] - shown.shape[1] / 2, rows[best] - shown.shape[0] / 2
    ActionChains(browser).move_to_element_with_offset(canvas, int(dx), int(dy)).click().perform()
    settle(browser)
    values = text(browser, "probe-values")
    assert "strain of the worst layer" in values and "change of curvature" in values
    station = float(browser.execute_script("return document.getElementById('probe-s').value"))
    assert 0.0 <= station <= 95.0


def test_a_place_that_is_typed_tells_the_snapshots_value(browser: Any, pages: dict[str, Path]) -> None:
    load(browser, pages["run"])
    browser.execute_script(
        "const s = document.getElementById('probe-s'), q = document.getElementById('probe-q');"
        "s.value = 41; q.value = 3; s.dispatchEvent(new Event('change'))"
    )
    shown = browser.execute_script(
        "return [...document.querySelectorAll('#probe-values tr')].map((r) => [r.cells[0].textContent,"
        "parseFloat(r.cells[1].textContent)])"
    )
    shot = made_results.jammed().critical()
    assert shot is not None
    j = int(np.argmin(np.abs(shot.across - 3.0)))
    wanted = 100 * float(np.interp(41.0, shot.station, shot.strain_share[:, j]))
    # the nearest of about 480 stations, 0.1 mm away at most
    assert dict(shown)["strain of the worst layer"] == pytest.approx(wanted, rel=0.03)


def test_stops_and_the_plot_lead_to_a_state(browser: Any, pages: dict[str, Path]) -> None:
    load(browser, pages["run"])
    press(browser, "[data-stop='1']")
    assert text(browser, "state-words").startswith("2 of 3: wound in")
    assert browser.execute_script("return document.querySelector('[data-stop=\"1\"]').ariaPressed") == "true"
    browser.execute_script(
        "const svg = document.querySelector('#torque-chart svg'), box = svg.getBoundingClientRect();"
        "const at = JSON.parse(document.getElementById('run-about').textContent).plot[0];"
        "svg.dispatchEvent(new MouseEvent('click', {bubbles: true, clientX: box.left + at[0] * box.width / "
        "svg.viewBox.baseVal.width, clientY: box.top + at[1] * box.height / svg.viewBox.baseVal.height}))"
    )
    settle(browser)
    assert text(browser, "state-words").startswith("1 of 3: fully out")


def test_playing_runs_to_the_end_and_stops(browser: Any, pages: dict[str, Path]) -> None:
    load(browser, pages["run"])
    move_to(browser, 0)
    press(browser, "#play")
    ends = time.monotonic() + 20.0
    while text(browser, "play") != "play" and time.monotonic() < ends:
        time.sleep(0.05)
    assert text(browser, "state-words").startswith("3 of 3")


def test_dark_paper_is_dark_and_the_strip_still_shows(browser: Any, pages: dict[str, Path]) -> None:
    load(browser, pages["run"], dark=True)
    shown = picture(browser)
    assert shown[2, 2].max() < 110
    assert np.unique(shown.reshape(-1, 3), axis=0).shape[0] > 200
    load(browser, pages["run"])
    assert picture(browser)[2, 2].min() > 240


def test_the_table_of_a_batch_sorts(browser: Any, pages: dict[str, Path]) -> None:
    load(browser, pages["report"])
    names = "return [...document.querySelectorAll('#cases tbody th')].map((cell) => cell.textContent)"
    assert browser.execute_script(names) == ["boom-stiff", "boom-corrected"]
    press(browser, "[data-column='0']")
    assert browser.execute_script(names) == ["boom-corrected", "boom-stiff"]
    press(browser, "[data-column='4']")
    assert browser.execute_script(names) == ["boom-stiff", "boom-corrected"], "what has no number comes last"
    press(browser, "[data-column='4']")
    assert browser.execute_script(names) == ["boom-stiff", "boom-corrected"]
    sorted_by = "return document.querySelector('[data-column=\"4\"]').parentElement.ariaSort"
    assert browser.execute_script(sorted_by) == "descending"


def test_without_scripts_the_drawing_and_the_words_stand(browser: Any, pages: dict[str, Path]) -> None:
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        browser.get(pages["run"].as_uri())
        from selenium.webdriver.common.by import By

        assert browser.find_element(By.CSS_SELECTOR, "#still svg").is_displayed()
        assert not browser.find_element(By.ID, "picture").is_displayed()
        assert not browser.find_element(By.ID, "state").is_displayed()
        assert "Scripts are off" in browser.find_element(By.CSS_SELECTOR, "noscript").text
        assert judged().sentence in browser.find_element(By.TAG_NAME, "body").text
    finally:
        browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})


def test_without_webgl_the_drawing_stands_and_the_numbers_follow(
    tmp_path: Path, pages: dict[str, Path]
) -> None:
    bare = start(tmp_path / "profile", (*FLAGS[:3], "--disable-gpu", "--disable-3d-apis", *FLAGS[6:]))
    try:
        load(bare, pages["run"], 390)
        assert bare.execute_script("return document.documentElement.className") == "flat"
        shown = "return getComputedStyle(document.querySelector(arguments[0])).display"
        assert bare.execute_script(shown, "#still") == "block"
        assert bare.execute_script(shown, "#flat-note") == "block"
        move_to(bare, 0)
        assert value(bare, "travel") == "0.0 mm"
        assert bare.execute_script("return document.documentElement.scrollWidth") == 390
    finally:
        bare.quit()
