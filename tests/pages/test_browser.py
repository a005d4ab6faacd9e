"""The page in a real Chromium: upload an example photo on a phone's screen and read the clock positions off it."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
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


class Wire:
    """The network between browser and page, which can be cut and mended: a relay on a port of its own."""

    def __init__(self, to_port: int) -> None:
        self.to_port, self.port, self.ends = to_port, 0, []
        self.mend()

    def mend(self) -> None:
        self.listener = socket.create_server(("127.0.0.1", self.port), reuse_port=False)
        self.port = self.listener.getsockname()[1]
        threading.Thread(target=self._accept, args=(self.listener,), daemon=True).start()

    def cut(self) -> None:
        for end in (self.listener, *self.ends):
            self._close(end)
        self.ends = []

    def _accept(self, listener: socket.socket) -> None:
        while True:
            try:
                near, _ = listener.accept()
                far = socket.create_connection(("127.0.0.1", self.to_port))
            except OSError:
                return
            self.ends += [near, far]
            for one, other in ((near, far), (far, near)):
                threading.Thread(target=self._pump, args=(one, other), daemon=True).start()

    def _pump(self, one: socket.socket, other: socket.socket) -> None:
        try:
            while data := one.recv(65536):
                other.sendall(data)
        except OSError:
            pass
        self._close(one)
        self._close(other)

    @staticmethod
    def _close(end: socket.socket) -> None:
        with contextlib.suppress(OSError):
            end.shutdown(socket.SHUT_RDWR)
        end.close()


@pytest.fixture
def wire(address) -> Iterator[Wire]:
    relay = Wire(int(address.rpartition(":")[2]))
    yield relay
    relay.cut()


def upload(page, address: str, photo: Path, coin: str = "") -> None:
    page.goto(f"{address}/?coin={coin}" if coin else address)
    page.get_by_text("Which cam is this?").wait_for()
    page.locator("input[type=file]").set_input_files(photo)
    page.locator(".cd-banner").wait_for()


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
    phone.get_by_alt_text(re.compile("Clock face with")).wait_for()
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


def test_the_answer_is_on_a_phones_first_screen(phone, address):
    path, label = example()
    upload(phone, address, path, label.scale_reference)
    phone.get_by_alt_text(re.compile("Clock face with")).wait_for()
    box = phone.locator(".cd-banner").bounding_box()
    assert box["y"] + box["height"] < PHONE["height"]


def test_one_tap_tells_that_the_other_side_was_up(phone, address):
    path, label = example()
    options = ReadOptions(coin=label.scale_reference)
    reading = read_photo(open_photo(path), options)
    other = "plug" if reading.facing.label == "screw" else "screw"
    turned = read_photo(open_photo(path), replace(options, facing=other))
    # Seen from the other side an angle a reads as 360 - a: geometry of a mirror through 12 and 6 o'clock.
    angles = [sorted(h.angle_deg.value for h in r.holes if h.angle_deg is not None) for r in (reading, turned)]
    assert [360.0 - a for a in reversed(angles[1])] == pytest.approx(angles[0], abs=3.0)
    upload(phone, address, path, label.scale_reference)
    # Asked with both clock faces where the photo leaves it open, else a line under the one that was read.
    tap = phone.locator(f".st-key-tell-read-facing-{other} button, .st-key-other-side button")
    tap.wait_for()
    assert fits_the_width(phone)
    tap.click()
    phone.get_by_text(f"You said: the {other} side was up.").wait_for()
    for hole in turned.holes:
        assert hole.position in phone.locator(".cd-banner b").inner_text()
    phone.get_by_role("button", name="Take it back").click()
    tap.wait_for()


def test_coin_is_named_by_a_tap_and_known_at_the_next_visit(phone, address):
    path, _ = example()
    upload(phone, address, path)
    phone.get_by_text("Which coin lies beside it?").wait_for()
    phone.get_by_role("button", name="US quarter").click()
    phone.locator(".cd-banner span").get_by_text("mm").wait_for()
    again = phone.context.new_page()
    again.goto(address)
    again.get_by_text("Which cam is this?").wait_for()
    again.wait_for_function("() => document.querySelector('[role=combobox]')?.value.startsWith('US quarter')")


def test_photo_and_answers_outlive_a_look_at_another_page(phone, address):
    path, label = example()
    upload(phone, address, path, label.scale_reference)
    before = phone.locator(".cd-banner b").inner_text()
    phone.locator(".st-key-all-pages").get_by_role("link", name="My list").click()
    phone.get_by_role("heading", name="My list").wait_for()
    phone.locator(".st-key-all-pages").get_by_role("link", name="Read a photo").click()
    phone.locator(".cd-banner b").wait_for()
    assert phone.locator(".cd-banner b").inner_text() == before


def test_a_cut_connection_is_told_and_nothing_is_lost(phone, wire):
    path, label = example()
    upload(phone, f"http://127.0.0.1:{wire.port}", path, label.scale_reference)
    phone.get_by_role("button", name="Printed page (PDF)").wait_for()
    before = phone.locator(".cd-banner b").inner_text()
    wire.cut()
    phone.get_by_text("connecting").or_(phone.get_by_text("Connection error")).first.wait_for()
    assert phone.locator(".cd-banner b").inner_text() == before  # what was read stays on the screen
    wire.mend()
    phone.get_by_text("connecting").or_(phone.get_by_text("Connection error")).first.wait_for(state="hidden")
    phone.get_by_text("Inches beside the millimetres").click()
    phone.get_by_text(re.compile(r" in\)")).first.wait_for()  # the page works on, with the same photo
    assert phone.locator(".cd-banner b").inner_text() == before


def test_nothing_is_fetched_from_elsewhere(phone, address):
    asked: list[str] = []
    phone.on("request", lambda request: asked.append(request.url))
    path, label = example()
    upload(phone, address, path, label.scale_reference)
    phone.get_by_role("button", name="Printed page (PDF)").wait_for()
    assert asked
    assert not [url for url in asked if not url.startswith((address, "data:", "blob:"))]


NAMELESS = """() => [...document.querySelectorAll('button, input:not([type=hidden]), select, textarea, a[href]')]
  .filter(e => e.offsetParent !== null)
  .filter(e => !(e.getAttribute('aria-label') || e.textContent?.trim() || e.labels?.length ||
                 e.getAttribute('aria-labelledby') || e.title || e.closest('label')))
  .map(e => e.outerHTML.slice(0, 160))"""
PALE = """() => {
  const lum = c => { const [r, g, b] = c.map(v => (v /= 255) <= .04045 ? v / 12.92 : ((v + .055) / 1.055) ** 2.4);
                     return .2126 * r + .7152 * g + .0722 * b; };
  const rgba = s => (s.match(/[\\d.]+/g) || []).map(Number);
  const ground = e => { for (; e; e = e.parentElement) { const c = rgba(getComputedStyle(e).backgroundColor);
                        if (c.length === 3 || c[3] === 1) return c.slice(0, 3); } return [255, 255, 255]; };
  const found = [];
  for (const e of document.querySelectorAll('[data-testid=stMain] *')) {
    if (![...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim())) continue;
    if (e.offsetParent === null || e.closest('svg, [disabled], [aria-disabled=true], style, script')) continue;
    const c = rgba(getComputedStyle(e).color), [a, b] = [lum(c.slice(0, 3)), lum(ground(e))].sort((x, y) => y - x);
    const large = parseFloat(getComputedStyle(e).fontSize) >= 24, ratio = (a + .05) / (b + .05);
    if (c.length < 4 && ratio < (large ? 3 : 4.5)) found.push([ratio.toFixed(2), e.textContent.trim().slice(0, 60)]);
  }
  return found; }"""


def test_a_reading_can_be_used_without_eyes_and_without_a_mouse(phone, address):
    path, label = example()
    upload(phone, address, path, label.scale_reference)
    phone.get_by_role("button", name="Printed page (PDF)").wait_for()
    phone.wait_for_timeout(1000)
    assert phone.evaluate(NAMELESS) == []  # WCAG 2.2, 4.1.2
    assert phone.evaluate("() => [...document.images].filter(i => !i.alt).map(i => i.src.slice(0, 80))") == []  # 1.1.1
    assert phone.evaluate(PALE) == []  # 1.4.3
    assert phone.locator("h1").count() == 1
    assert phone.evaluate("() => document.documentElement.lang") == "en"  # 3.1.1
    fold = phone.locator("summary").first
    fold.focus()
    phone.keyboard.press("Enter")
    phone.get_by_text("Coin beside the part").wait_for()
    phone.keyboard.press("Tab")
    assert phone.evaluate("() => document.activeElement.closest('[data-testid=stExpander]') !== null")  # 2.1.1
    small = phone.evaluate(
        "() => [...document.querySelectorAll('[data-testid=stMain] .stButton button')].filter(b => b.offsetParent)"
        ".map(b => b.getBoundingClientRect().height).filter(h => h < 24)"
    )
    assert small == []  # 2.5.8: targets of at least 24 CSS pixels
