"""How fast the screens are: `python tests/bench/screens.py`. Each figure beside its limit.

Against `underlid serve` and a headless Chromium with an empty cache: first and largest paint of the list of 40
bins, the chart on a bin's page, a year of readings each minute in that chart, and how many frames a second are
drawn while 500 bins scroll by. What script and style weigh is that of the built files.
"""

import argparse
import gzip
import statistics
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from playwright.sync_api import Browser, Page

sys.path.insert(0, str(Path(__file__).parents[1]))
from conftest import Service, wait_for
from underlid.model import Bin, Farm, Place, Position, Probe, Quantity, Reading, Subject, SubjectKind
from underlid.store import catalogue
from underlid.store.ledger import Ledger
from underlid.store.sqlite_readings import SqliteReadings
from underlid.web.app import STATIC
from web.screens import DESK, PHONE, chromium

LIMITS = {"first paint": 1.0, "largest paint": 1.5, "chart of a day": 1.0, "chart of a year": 0.5}
LEAST_FPS, MOST_KB = 50.0, 120.0
MINUTE_MS, DAY_MS = 60_000, 86_400_000
KINDS = (("temp", "Cel", Quantity.TEMPERATURE), ("moist", "%", Quantity.MOISTURE))

WATCH = """
window.seen = {canvases: []};
new MutationObserver(() => {
    const canvas = document.querySelector('.chart canvas');
    if (canvas !== null && canvas !== seen.canvas) { seen.canvas = canvas; seen.canvases.push(performance.now()); }
}).observe(document, {childList: true, subtree: true});
new PerformanceObserver(list => { for (const e of list.getEntries()) seen.largest = e.startTime; })
    .observe({type: 'largest-contentful-paint', buffered: true});
"""
SCROLL = """
seconds => new Promise(done => {
    const began = performance.now(), gaps = [];
    let last = began, way = 1;
    const step = now => {
        gaps.push(now - last);
        last = now;
        const before = scrollY;
        window.scrollBy(0, 30 * way);
        if (scrollY === before) way = -way;
        if (now - began < seconds * 1000) requestAnimationFrame(step);
        else done(gaps.slice(1));
    };
    requestAnimationFrame(step);
})
"""


def furnish(folder: Path, bins: int, year_of_first: bool) -> None:
    """Bins with a probe of two channels each and a day of readings; on demand a year each minute in the first."""
    folder.mkdir(parents=True)
    ledger, readings = Ledger(f"sqlite:///{folder / 'catalogue.db'}"), SqliteReadings(folder / "readings.db")
    now_ms = int(time.time() * 1000)
    with ledger.writing() as connection:
        catalogue.save_farm(connection, Farm("Walled garden", "Europe/Vienna"))
        catalogue.save_place(connection, Place("shed", "Potting shed", outdoors=False))
        for number in range(bins):
            bin_id = f"bed-{number}"
            began_ms = now_ms - 365 * DAY_MS
            bin_ = Bin(bin_id, f"Bed {number}", "shed", "eisenia-fetida", 0.6, 0.4, 0.3, 0.4, began_ms)
            catalogue.save_bin(connection, bin_)
            catalogue.save_probe(connection, Probe(f"p{number}", f"p{number}", began_ms))
            for kind in KINDS:
                channel = catalogue.register_channel(connection, f"p{number}", *kind)
                subject = Subject(SubjectKind.BIN, bin_id)
                catalogue.place_channel(connection, channel.id, subject, Position.TOP, began_ms)
    with ledger.reading() as connection:
        channels = catalogue.channels(connection)
    for channel in channels:
        minutes = 365 * 1440 if year_of_first and channel.probe_id == "p0" else 144
        step_ms = MINUTE_MS if minutes > 144 else 10 * MINUTE_MS
        times = now_ms - np.arange(minutes, dtype=np.int64)[::-1] * step_ms
        day = 2 * np.pi * times / DAY_MS
        values = 19 + 2 * np.sin(day) if channel.unit == "Cel" else 74 + np.sin(day / 30)
        rows = zip(times.tolist(), values.round(2).tolist(), strict=True)
        readings.add([Reading(channel.id, at, value, at) for at, value in rows])
    readings.close()
    ledger.close()


def opened(browser: Browser, service: Service, size: dict[str, int], path: str) -> Page:
    """A page with an empty cache."""
    context = browser.new_context(
        base_url=service.url, viewport={"width": size["width"], "height": size["height"]}
    )
    page = context.new_page()
    page.add_init_script(WATCH)
    page.goto(path)
    return page


def paints(browser: Browser, service: Service, times: int) -> dict[str, list[float]]:
    found: dict[str, list[float]] = {"first paint": [], "largest paint": []}
    for number in range(times):
        page = opened(browser, service, PHONE if number % 2 else DESK, "/")
        page.locator(".card").first.wait_for()
        page.wait_for_timeout(1500)
        first = page.evaluate("performance.getEntriesByName('first-contentful-paint')[0].startTime")
        found["first paint"].append(first / 1000)
        found["largest paint"].append(page.evaluate("seen.largest") / 1000)
        page.context.close()
    return found


def charts(browser: Browser, service: Service, times: int) -> dict[str, list[float]]:
    found: dict[str, list[float]] = {"chart of a day": [], "chart of a year": []}
    for number in range(times):
        page = opened(browser, service, PHONE if number % 2 else DESK, "/bins/bed-0")
        page.locator(".chart canvas").wait_for()
        found["chart of a day"].append(page.evaluate("seen.canvases[0]") / 1000)
        page.wait_for_timeout(3000)  # until what a page just opened fetches once more is over
        clicked = page.evaluate(
            "() => { [...document.querySelectorAll('.spans button')].at(-1).click(); return performance.now(); }"
        )
        page.wait_for_timeout(2500)
        found["chart of a year"].append((page.evaluate("seen.canvases.at(-1)") - clicked) / 1000)
        page.context.close()
    return found


def frames(browser: Browser, service: Service) -> tuple[float, float]:
    """Frames a second while the list scrolls down and up, and the longest frame in ms."""
    page = opened(browser, service, PHONE, "/")
    page.locator(".card").first.wait_for()
    page.wait_for_timeout(4000)
    gaps: list[float] = page.evaluate(SCROLL, 8)
    page.context.close()
    return 1000 * len(gaps) / sum(gaps), max(gaps)


def weight_kb() -> float:
    built = [file for file in (STATIC / "assets").iterdir() if file.suffix in (".js", ".css")]
    return sum(len(gzip.compress(file.read_bytes())) for file in [*built, STATIC / "worker.js"]) / 1000


def running(folder: Path, bins: int, year: bool) -> Service:
    furnish(folder / "data", bins, year)
    service = Service(folder / "data")
    service.start()
    wait_for(
        lambda: all(each["condition"] is not None for each in service.items("/bins?limit=500")),
        "the bins",
        300,
    )
    return service


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--times", type=int, default=6, help="how often each page is opened")
    parser.add_argument("--days-only", action="store_true", help="leave out the year and the 500 bins")
    chosen = parser.parse_args()
    misses = 0

    def tell(what: str, value: float, limit: float, unit: str, more: str = "", least: bool = False) -> None:
        nonlocal misses
        holds = value >= limit if least else value <= limit
        misses += not holds
        bound = f"{'at least' if least else 'at most'} {limit:g} {unit}"
        print(f"{what:28} {value:7.2f} {unit:4} {bound:18} {'' if holds else 'MISSED '}{more}", flush=True)

    tell("script and style, gzipped", weight_kb(), MOST_KB, "kB")
    with tempfile.TemporaryDirectory() as folder, chromium() as browser:
        service = running(Path(folder) / "farm", 40, not chosen.days_only)
        found = paints(browser, service, chosen.times) | charts(browser, service, chosen.times)
        service.kill()
        for what, values in found.items():
            if not (chosen.days_only and what == "chart of a year"):
                spread = f"median of {len(values)}, {min(values):.2f} to {max(values):.2f}"
                tell(what, statistics.median(values), LIMITS[what], "s", spread)
        if not chosen.days_only:
            service = running(Path(folder) / "large", 500, False)
            fps, longest = frames(browser, service)
            service.kill()
            tell("500 bins scroll", fps, LEAST_FPS, "fps", f"longest frame {longest:.0f} ms", least=True)
    return 1 if misses else 0


if __name__ == "__main__":
    sys.exit(main())
