"""Pictures of every screen of a running demonstration, into the ignored folder `screenshots/`.

    underlid demo --no-open &
    python dashboards/screenshots.py [--url http://127.0.0.1:8480] [--readme]

Phone and desk, light and dark. With `--readme` the pictures that the README shows are made anew as well.
Needs Playwright for Python (extra `test`) and Chromium.
"""

import argparse
import json
import shutil
import sys
import urllib.request
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, Page, sync_playwright

ROOT = Path(__file__).parents[1]
SHOTS = ROOT / "screenshots"
PICTURES = ROOT / "dashboards" / "pictures"
SIZES = {"phone": (390, 844), "desk": (1440, 900)}
README_BYTES = 150_000
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"]
ARGUMENTS += ["--disable-background-networking", "--disable-component-update", "--disable-sync"]


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--url", default="http://127.0.0.1:8480", help="address of the demonstration")
    parser.add_argument("--readme", action="store_true", help="make the README's pictures too")
    chosen = parser.parse_args()
    chromium = shutil.which("chromium")
    if chromium is None:
        print("There is no chromium on this machine; install Debian's package chromium.", file=sys.stderr)
        return 1
    try:
        worst = needy_bin(chosen.url)
        raw = raw_channel(chosen.url)
    except OSError as error:
        print(f"No demonstration answers at {chosen.url} ({error}); start `underlid demo`.", file=sys.stderr)
        return 1
    SHOTS.mkdir(exist_ok=True)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=ARGUMENTS)
        for size in SIZES:
            for scheme in ("light", "dark"):
                all_screens(browser, chosen.url, size, scheme, worst, raw)
        if chosen.readme:
            readme_pictures(browser, chosen.url)
        browser.close()
    print(f"{len(list(SHOTS.glob('*.png')))} pictures in {SHOTS}")
    return 0


def needy_bin(url: str) -> str:
    """The id of the bin whose alarm presses most, else of the first bin."""
    with urllib.request.urlopen(f"{url}/api/v1/alarms?show=live") as answer:
        alarms = json.load(answer)["items"]
    for alarm in alarms:
        if alarm["subject"]["kind"] == "bin":
            return str(alarm["subject"]["id"])
    with urllib.request.urlopen(f"{url}/api/v1/bins") as answer:
        return str(json.load(answer)["items"][0]["id"])


def raw_channel(url: str) -> int | None:
    """A raw moisture channel to show the calibration of, where a probe has one."""
    with urllib.request.urlopen(f"{url}/api/v1/probes") as answer:
        channels = [channel for probe in json.load(answer)["items"] for channel in probe["channels"]]
    return next((channel["id"] for channel in channels if channel["quantity"] == "moisture-raw"), None)


def open_page(browser: Browser, url: str, width: int, height: int, scheme: str, scale: float) -> Page:
    context = browser.new_context(
        base_url=url,
        viewport={"width": width, "height": height},
        color_scheme="dark" if scheme == "dark" else "light",
        device_scale_factor=scale,
        locale="en-GB",
        reduced_motion="reduce",
    )
    return context.new_page()


def settled(page: Page, path: str) -> None:
    page.goto(path)
    page.locator("main h1").wait_for(state="attached")
    page.wait_for_timeout(600)
    page.locator(".loading").first.wait_for(state="detached")


def all_screens(browser: Browser, url: str, size: str, scheme: str, worst: str, raw: int | None) -> None:
    width, height = SIZES[size]
    page = open_page(browser, url, width, height, scheme, 2 if size == "phone" else 1)

    def shoot(name: str) -> None:
        page.screenshot(path=SHOTS / f"{name}-{size}-{scheme}.png")

    settled(page, "/")
    shoot("bins")
    page.mouse.wheel(0, 900)
    page.wait_for_timeout(400)
    shoot("bins-further")
    settled(page, f"/bins/{worst}")
    shoot("bin")
    page.get_by_role("heading", name="Course").scroll_into_view_if_needed()
    page.evaluate("document.querySelector('.course').scrollIntoView()")
    page.wait_for_timeout(300)
    shoot("bin-course")
    page.get_by_role("button", name="14 d").click()
    page.wait_for_timeout(1200)
    shoot("bin-course-14d")
    page.get_by_role("button", name="As a table").click()
    shoot("bin-table")
    page.get_by_role("button", name="Wetted", exact=True).click()
    page.evaluate("document.querySelector('.log-form').scrollIntoView({block: 'center'})")
    shoot("bin-log-form")
    page.evaluate("document.querySelector('.log').scrollIntoView()")
    page.locator(".log-list summary").first.click()
    page.locator(".log-details h3").wait_for()
    shoot("bin-log")
    page.locator(".log-details button").first.click()
    shoot("bin-log-correct")
    page.evaluate("document.querySelector('.facts').scrollIntoView()")
    shoot("bin-facts")
    page.evaluate("document.querySelector('.limits').scrollIntoView({block: 'end'})")
    shoot("bin-limits")
    page.get_by_role("button", name="Change limits").click()
    page.evaluate("document.querySelector('.limits').scrollIntoView()")
    shoot("bin-limits-change")
    page.goto("/")
    page.locator(".card-tub .card-link").first.click()
    page.locator(".now-tub").wait_for()
    page.wait_for_timeout(1200)
    shoot("feed-store")
    settled(page, "/round")
    shoot("round")
    settled(page, "/settings")
    shoot("settings")
    page.evaluate("document.querySelector('.targets').scrollIntoView({block: 'end'})")
    shoot("settings-targets")
    if raw is not None:
        settled(page, f"/channels/{raw}/calibration")
        shoot("calibration")
    settled(page, "/alarms")
    shoot("alarms")
    page.get_by_text("Readings and history").first.click()
    page.get_by_role("button", name="Shelve").first.click()
    page.wait_for_timeout(500)
    shoot("alarms-open")
    settled(page, "/probes")
    shoot("probes")
    page.mouse.wheel(0, 1200)
    page.wait_for_timeout(300)
    shoot("probes-further")
    page.evaluate("document.querySelectorAll('details.how').forEach(each => { each.open = true; })")
    page.mouse.wheel(0, 60_000)
    page.wait_for_timeout(600)
    shoot("probes-end")
    page.mouse.wheel(0, -70_000)
    page.get_by_role("button", name="Move").first.click()
    page.get_by_label("Where does it sit?").select_option("bin/new")
    page.wait_for_timeout(300)
    shoot("probes-place")
    for name in ("reports", "replay", "data", "users"):
        settled(page, f"/{name}")
        page.wait_for_timeout(800)
        shoot(name)
    settled(page, "/probes")
    twins = page.locator("a[href$='/twins']").first.get_attribute("href")
    settled(page, twins or "/probes")
    shoot("twins")
    settled(page, "/nowhere")
    shoot("not-found")
    # What the screens say of a farm without anything, without data, and without a connection.
    page.route("**/api/v1/bins*", lambda route: route.fulfill(json={"items": [], "next": None}))
    page.route("**/api/v1/feed-stores*", lambda route: route.fulfill(json={"items": [], "next": None}))
    page.route("**/api/v1/probes*", lambda route: route.fulfill(json={"items": [], "next": None}))
    settled(page, "/")
    shoot("empty")
    page.unroute("**/api/v1/bins*")
    problem = {"title": "Service Unavailable", "status": 503, "detail": "The store of readings is busy."}
    page.route("**/api/v1/bins*", lambda route: route.fulfill(status=503, json=problem))
    page.goto("/")
    page.wait_for_timeout(800)
    shoot("failure")
    page.unroute("**/api/v1/*")
    page.unroute_all()
    settled(page, "/")
    page.context.set_offline(True)
    page.wait_for_timeout(800)
    shoot("stale")
    page.context.close()


def readme_pictures(browser: Browser, url: str) -> None:
    PICTURES.mkdir(exist_ok=True)
    page = open_page(browser, url, 390, 844, "light", 1.5)
    settled(page, "/")
    page.screenshot(path=PICTURES / "bins-phone-light.png")
    page.context.close()
    page = open_page(browser, url, 1440, 900, "dark", 0.75)
    settled(page, f"/bins/{needy_bin(url)}")  # whose alarm may have come up only now
    page.wait_for_timeout(1200)
    page.screenshot(path=PICTURES / "bin-desktop-dark.png")
    page.context.close()
    for picture in PICTURES.glob("*.png"):
        # Flat colours: a palette holds them in a third of the bytes.
        Image.open(picture).convert("RGB").quantize(256, dither=Image.Dither.NONE).save(
            picture, optimize=True
        )
        if picture.stat().st_size > README_BYTES:
            raise SystemExit(f"{picture} is larger than {README_BYTES // 1000} kB.")


if __name__ == "__main__":
    sys.exit(main())
