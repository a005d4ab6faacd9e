"""The page in a real Chromium: upload an example photo on a phone's screen and read the clock positions off it."""

from __future__ import annotations

import os
import re
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from shop.cli_tools import page_command
from vision.label import Label
from vision.photo import open_photo
from vision.pipeline import ReadOptions, read_photo

ROOT = Path(__file__).resolve().parents[2]
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
IN_CI = os.environ.get("CI") == "true"
PHONE = {"width": 390, "height": 844}
WAIT_MS = 90_000

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None and not IN_CI, reason="no Chromium here: apt-get install chromium"),
]


def example() -> tuple[Path, Label]:
    """An example photo with a coin."""
    for path in sorted((ROOT / "examples").glob("*.json")):
        label = Label.from_json(path.read_text(encoding="utf-8"))
        if label.scale_kind == "coin":
            return path.with_name(label.picture), label
    raise AssertionError("no example photo with a coin")


@pytest.fixture(scope="module")
def address(tmp_path_factory) -> Iterator[str]:
    """The page, served as `camdial page` serves it, with an empty list of its own."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    environment = os.environ | {"CAMDIAL_LIST": str(tmp_path_factory.mktemp("list") / "parts.db")}
    server = subprocess.Popen(
        page_command(port, "127.0.0.1", headless=True), env=environment, stdout=subprocess.DEVNULL
    )
    try:
        for _ in range(240):
            try:
                socket.create_connection(("127.0.0.1", port), timeout=1).close()
                break
            except OSError:
                assert server.poll() is None, "the page's server ended at once"
                time.sleep(0.25)
        yield f"http://127.0.0.1:{port}"
    finally:
        server.terminate()
        server.wait(timeout=20)


@pytest.fixture
def phone(address) -> Iterator[object]:
    from playwright.sync_api import sync_playwright

    assert CHROMIUM is not None, "CI must have Chromium"
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=CHROMIUM,
            args=["--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--disable-background-networking"],
        )
        context = browser.new_context(viewport=PHONE, has_touch=True, accept_downloads=True)
        page = context.new_page()
        page.set_default_timeout(WAIT_MS)
        yield page
        context.close()
        browser.close()


def fits_the_width(page) -> bool:
    wide = page.evaluate(
        "() => Math.max(document.documentElement.scrollWidth, document.querySelector('[data-testid=stMain]').scrollWidth)"
    )
    return wide <= PHONE["width"] + 1


def test_a_photo_uploaded_on_a_phone_shows_its_clock_positions(phone, address):
    path, label = example()
    expected = read_photo(open_photo(path), ReadOptions(coin=label.scale_reference))
    assert expected.holes, "the example photo no longer shows its holes"
    phone.goto(f"{address}/?coin={label.scale_reference}")
    phone.get_by_text("Which cam is this?").wait_for()
    assert fits_the_width(phone)
    accept = phone.locator("input[type=file]").get_attribute("accept")
    assert ".jpg" in accept
    assert not accept.startswith("image/")  # a pure list of images hides the camera on Android
    phone.locator("input[type=file]").set_input_files(path)
    banner = phone.locator(".cd-banner b").first
    banner.wait_for()
    clock = [hole.position for hole in expected.holes]
    for position in clock:
        assert position in banner.inner_text()
    assert re.search(rf"{expected.family.label}", banner.inner_text(), re.IGNORECASE)
    phone.get_by_alt_text(re.compile("Clock face")).wait_for()
    phone.get_by_text("What fits from my list").wait_for()
    assert fits_the_width(phone)
    with phone.expect_download() as pending:
        phone.get_by_text("Printed page (PDF)").click()
    assert Path(pending.value.path()).read_bytes().startswith(b"%PDF")


def test_a_second_visitor_sees_nothing_of_the_first(phone, address):
    phone.goto(address)
    phone.get_by_text("Which cam is this?").wait_for()
    phone.wait_for_timeout(1500)
    assert phone.locator(".cd-banner").count() == 0


def test_a_file_that_is_no_photo_is_told_so(phone, address, tmp_path):
    (tmp_path / "notes.jpg").write_bytes(b"shopping list")
    phone.goto(address)
    phone.get_by_text("Which cam is this?").wait_for()
    phone.locator("input[type=file]").set_input_files(tmp_path / "notes.jpg")
    phone.get_by_text("notes.jpg is no photo").wait_for()


@pytest.mark.parametrize("name", ["compare", "list", "free", "photo"])
def test_every_page_opens_and_fits_a_phone(phone, address, name):
    phone.goto(f"{address}/{name}")
    phone.locator(".cd-lead h1, h1, h2").first.wait_for()
    phone.wait_for_timeout(1200)
    assert phone.locator("[data-testid=stException]").count() == 0
    assert fits_the_width(phone)
