"""First level: from the beginning of a cold page load to the first painted level, against the running demo.

Chromium is running and the daemon has readings; every load is of a new browser context, so that nothing is kept from before.
Yardstick, in turn with it: the same browser loads a bare page that opens a bare socket and paints one number.
"""

import statistics
import tempfile
from pathlib import Path

from playwright.sync_api import Browser
from tests.bench.bare_page import bare_page
from tests.bench.live import started

LOADS = 20
FLOOR_RATE_HZ = 1000.0
PROBE = Path(__file__).with_name("first_level.js")


def first_level(browser: Browser) -> list[dict[str, object]]:
    """A row of the page and one of the bare page."""
    with (
        tempfile.TemporaryDirectory() as folder,
        started("peakwhite.daemon", "demo", "--port", "0", "--no-browser", state=folder) as (_, url),
        bare_page(FLOOR_RATE_HZ, (1.0, 1.0)) as bare_url,
    ):
        loaded_ms(browser, url.strip(), "[data-number]")
        pairs = [
            (loaded_ms(browser, url.strip(), "[data-number]"), loaded_ms(browser, bare_url, "p")) for _ in range(LOADS)
        ]
    page_ms, bare_ms = zip(*pairs, strict=True)
    return [_row("page", page_ms), _row("bare page", bare_ms)]


def loaded_ms(browser: Browser, url: str, levels: str) -> float:
    """From the beginning of a cold load of that address to the first digit painted in an element that `levels` selects."""
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    page = context.new_page()
    page.add_init_script(f'globalThis.levels = "{levels}";\n{PROBE.read_text()}')
    page.goto(url)
    page.wait_for_function("() => globalThis.firstLevelMs", timeout=60_000)
    painted_ms: float = page.evaluate("firstLevelMs")
    context.close()
    return painted_ms


def _row(what: str, times_ms: tuple[float, ...]) -> dict[str, object]:
    return {
        "what": f"first level, {what}",
        "loads": len(times_ms),
        "least_ms": round(min(times_ms)),
        "painted_p50_ms": round(statistics.median(times_ms)),
        "most_ms": round(max(times_ms)),
    }
