"""Line: frames a second that the Line view draws while it is zoomed and panned without a break, 4 x 250 000 samples behind.

    python -m tests.bench line

Simulated scope, daemon and Chromium share the machine. A frame counts as drawn where the animation frame began to
draw on the canvas; times are those that the browser gives to animation frames, `script` is how long the page's own work of a frame
takes, `cpu` what of processor time all of Chromium's processes take for a frame, which other load of the machine disturbs
least. Yardstick: an empty loop of animation frames in a bare page of the same browser, with the daemon at work meanwhile.
"""

import json
import shutil
import statistics
import tempfile
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, Page, sync_playwright
from tests.bench.live import started

SAMPLES = 250_000
RATE_HZ = 10
LAST_S = 6.0
SINGLES = (0, 8)
"""How many single lines lie over the averaged one."""
BROWSER = ("--disable-background-networking", "--disable-component-update", "--disable-sync", "--no-first-run")
WATCH = Path(__file__).with_name("line_watch.js")


def run() -> dict[str, object]:
    """A row of the Line view, one of the empty loop, and their ratios."""
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    with (
        started("peakwhite.simulated_scope", "--clock", "real") as (_, line),
        tempfile.TemporaryDirectory() as folder,
        sync_playwright() as playwright,
    ):
        settings = Path(folder) / "bench.toml"
        settings.write_text(f'[scope]\nresource = "{json.loads(line)["scpi"]}"\n[live]\nrate_hz = {RATE_HZ}\n')
        serve = ("serve", "--config", str(settings), "--port", "0", "--no-browser")
        with started("tests.bench.deep_daemon", str(SAMPLES), *serve, state=folder) as (_, url):
            browser = playwright.chromium.launch(executable_path=path, args=list(BROWSER))
            drawn = [watched(line_page(browser, f"{url.strip()}#line", count), "turnAbout()") for count in SINGLES]
            bare = browser.new_page()
            bare.add_init_script(path=WATCH)
            bare.goto("data:text/html,<title>empty</title>")
            empty = watched(bare, "emptyLoop()")
            browser.close()
    rows = [{"what": f"line, {count} single lines", **row(one)} for count, one in zip(SINGLES, drawn, strict=True)]
    ratios = [round(one["drawn_per_s"] / row(empty)["frames_per_s"], 3) for one in map(row, drawn)]
    return {"line": [*rows, {"what": "empty loop", **row(empty)}], "line_drawn_to_empty_frames": ratios}


def line_page(browser: Browser, url: str, singles: int) -> Page:
    """The Line view with a line on it."""
    page = browser.new_page(viewport={"width": 1280, "height": 800})
    page.add_init_script(path=WATCH)
    page.goto(url)
    page.wait_for_selector("dialog[open]")
    page.click("[data-close-cautions]")
    page.select_option("[data-line-singles]", str(singles))
    said = "() => /mean of its highest flat/.test(document.querySelector('[data-line-why]').textContent)"
    page.wait_for_function(said, timeout=60_000)
    return page


def watched(page: Page, act: str) -> dict[str, Any]:
    """What the watch keeps while that is done: intervals and script times of all frames in ms, and how many were drawn."""
    processes = page.context.browser.new_browser_cdp_session()  # type: ignore[union-attr]

    def cpu_s() -> float:
        return sum(float(one["cpuTime"]) for one in processes.send("SystemInfo.getProcessInfo")["processInfo"])

    page.evaluate(f"watchFrames(0, () => {act})")
    before_s = cpu_s()
    kept: dict[str, Any] = page.evaluate(f"watchFrames({1000 * LAST_S}, () => {{}})")
    kept["cpu_s"] = cpu_s() - before_s
    page.close()
    return kept


def row(kept: dict[str, Any]) -> dict[str, float]:
    """Rate, intervals and the page's own work."""
    intervals_ms, script_ms = kept["intervals_ms"], kept["script_ms"]
    return {
        "drawn_per_s": round(kept["drawn"] / kept["took_s"], 1),
        "frames_per_s": round(len(intervals_ms) / kept["took_s"], 1),
        "interval_p99_ms": round(statistics.quantiles(intervals_ms, n=100)[98], 1),
        "longest_ms": round(max(intervals_ms), 1),
        "cpu_ms": round(1e3 * kept["cpu_s"] / len(kept["script_ms"]), 1),
        "script_p50_ms": round(statistics.median(script_ms), 2),
        "script_p99_ms": round(statistics.quantiles(script_ms, n=100)[98], 2),
    }


def main() -> None:
    """Print the figures."""
    print(json.dumps(run(), indent=1))


if __name__ == "__main__":
    main()
