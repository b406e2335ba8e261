"""A headless browser for tests that open a page, and what such tests look at.

A test takes the fixture by importing it::

    from tests.browser import headless  # noqa: F401 - the fixture ``browser``

Without Chromium, its driver or selenium the test is skipped and says so; with the environment
variable ``MOMENTSHARE_BROWSER=required`` it fails instead.
"""

from __future__ import annotations

import base64
import json
import os
import shutil
from contextlib import contextmanager

import pytest

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome")
FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
    "--hide-scrollbars",
)
PHONE = (390, 844)
DESKTOP = (1366, 900)
PAPER = (658, 931)  # A4 less margins of 18 mm [px at 96 px an inch]
TURNED_PAPER = (986, 658)


def refuse(reason):
    """Skip, or fail where a browser is required."""
    if os.environ.get("MOMENTSHARE_BROWSER") == "required":
        pytest.fail(f"MOMENTSHARE_BROWSER is 'required', but {reason}")
    pytest.skip(f"{reason}; set MOMENTSHARE_BROWSER=required to make this a failure")


@contextmanager
def begun_browser(folder):
    """A headless Chromium that keeps its profile in a folder."""
    try:
        from selenium import webdriver
        from selenium.common.exceptions import WebDriverException
    except ImportError:
        refuse("selenium is not installed")
    program = next(filter(None, map(shutil.which, BROWSERS)), None)
    driver = shutil.which("chromedriver")
    if program is None or driver is None:
        refuse("no Chromium with chromedriver is on the path")
    options = webdriver.ChromeOptions()
    options.binary_location = program
    for flag in (*FLAGS, f"--user-data-dir={folder}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    try:
        started = webdriver.Chrome(
            options=options, service=webdriver.ChromeService(executable_path=driver)
        )
    except WebDriverException as err:
        refuse(f"Chromium does not start ({str(err.msg).splitlines()[0]})")
    try:
        yield started
    finally:
        started.quit()


@pytest.fixture(scope="module", name="browser")
def headless(tmp_path_factory):
    """A headless Chromium of its own, closed at the end of the module."""
    with begun_browser(tmp_path_factory.mktemp("browser")) as started:
        yield started


def open_page(driver, path, size=DESKTOP, view=""):
    """Open a file as a fresh page in a window of this size [px]; earlier logs are dropped.

    ``view`` follows the number sign of the address.
    """
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    resize(driver, size)
    driver.get("about:blank")
    driver.get_log("browser")
    driver.get_log("performance")
    driver.get(f"{path.as_uri()}#{view}")


def resize(driver, size):
    """Give the window this size [px]; a phone's is treated as a phone's."""
    driver.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {
            "width": size[0],
            "height": size[1],
            "deviceScaleFactor": 2 if size == PHONE else 1,
            "mobile": size == PHONE,
        },
    )


def console_faults(driver):
    """Warnings and errors on the console since the page was opened."""
    return [e for e in driver.get_log("browser") if e["level"] in {"SEVERE", "WARNING"}]


def requests_made(driver):
    """Address of every request since the page was opened, cut to 60 characters."""
    events = (json.loads(entry["message"])["message"] for entry in driver.get_log("performance"))
    return [
        event["params"]["request"]["url"][:60]
        for event in events
        if event["method"] == "Network.requestWillBeSent"
    ]


def image_widths(driver):
    """Natural width of every image [px]; 0 where it could not be drawn."""
    return driver.execute_script(
        "return Promise.all([...document.images].map(i => i.decode().catch(() => 0)"
        ".then(() => i.naturalWidth)))"
    )


def sideways(driver):
    """How far the page itself can be moved sideways [px]."""
    return driver.execute_script("return document.documentElement.scrollWidth - window.innerWidth")


def too_wide(driver):
    """Elements and texts that reach beyond the sides of a printed page, as ``TAG.class: pixels``.

    What has the class ``turned`` is measured on a page that lies on its side.
    """
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    found = []
    for size, turned in ((PAPER, False), (TURNED_PAPER, True)):
        resize(driver, size)
        found += driver.execute_script(
            """
            const beyond = node => {
                const range = document.createRange();
                range.selectNodeContents(node);
                const boxes = [...range.getClientRects(), node.getBoundingClientRect()];
                return Math.max(...boxes.map(b => Math.max(-b.left, b.right - innerWidth)));
            };
            return [...document.querySelectorAll('body, body *')]
                .filter(e => Boolean(e.closest('.turned')) == arguments[0])
                .filter(e => arguments[0] || !e.querySelector('.turned'))
                .map(e => [e.tagName + '.' + e.getAttribute('class'), beyond(e)])
                .filter(pair => pair[1] > 1);
            """,
            turned,
        )
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    return [f"{name}: {pixels:.0f}" for name, pixels in found]


def print_pdf(driver):
    """Print the page as it asks to be printed; the bytes of the PDF."""
    answer = driver.execute_cdp_cmd(
        "Page.printToPDF", {"preferCSSPageSize": True, "printBackground": False}
    )
    return base64.b64decode(answer["data"])
