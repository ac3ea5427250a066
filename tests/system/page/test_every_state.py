"""Every state of the page, at a desk and on a phone, in light and dark: pictures that people look at, and what holds in all.

The pictures lie in the test's own folder, two a state; or in `states` of the one that PEAKWHITE_ARTEFACTS names, all.
"""

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page

from said import Said

SIZES = {"desk": (1280, 800), "phone": (390, 844)}
LEVEL = ("peak_white_mv", "low_mv", "high_mv", "u95_mv", "aim_mv", "off_aim_mv", "zone", "verdict", "average_mv")
NONE = dict.fromkeys((*LEVEL, "decidable"))
IN = {
    "peak_white_mv": 694.6,
    "low_mv": 680.0,
    "high_mv": 709.0,
    "off_aim_mv": 0.1,
    "zone": "on-target",
    "verdict": "leave-it",
}
VAGUE = {
    "peak_white_mv": 700.0,
    "low_mv": 590.0,
    "high_mv": 790.0,
    "u95_mv": 110.0,
    "aim_mv": 657.0,
    "zone": "on-target",
}
UNDECIDABLE = VAGUE | {"verdict": "unsure", "decidable": False}
TERMINATION = {
    "code": "termination-missing",
    "text": "Sync and white are about twice nominal: likely no 75-ohm termination.",
    "test": "Put a 75-ohm terminator on the tee: the level should halve.",
}
DEAD = {"code": "channel-dead", "text": "Nothing comes here: likely its probe is off.", "test": "Swap two probes."}
DARK = {"code": "white-not-in-record", "text": "No flat white was seen: likely a dark picture.", "test": "Show white."}
FULL = {"code": "book-full", "text": "the bench book's disk is full", "do": "make room on it", "since": None}

Change = Callable[[dict[str, Any]], None]
Tell = Callable[[Said, Page], object]


def red(**fields: Any) -> Change:
    """So the red channel."""
    return lambda reading: reading["channels"][0].update(fields)


def colours(**fields: Any) -> Change:
    """So all colours."""

    def change(reading: dict[str, Any]) -> None:
        for channel in reading["channels"][:3]:
            channel.update(fields)

    return change


def sync(state: str, **fields: Any) -> Change:
    """So the sync, and so the colours; nothing else of a sync is known where there is none."""

    def change(reading: dict[str, Any]) -> None:
        reading["sync"].update(state=state)
        colours(**fields)(reading)
        if state == "none":
            reading["sync"].update(channel=None, line_rate_hz=None, system=None, field=None)
            reading["match"] = None

    return change


def reads(change: Change = lambda _: None, then: Tell = lambda *_: None) -> Tell:
    """Such readings came for a while; `then` something happens."""

    def tell(said: Said, page: Page) -> None:
        said.say_for_a_while(page, change)
        then(said, page)

    return tell


def is_told(state: str, **more: Any) -> Tell:
    """The scope is in that state."""
    return lambda said, _: said.status(state, **more)


def silent_for(ms: int, then: Tell = lambda *_: None) -> Tell:
    """Readings came, then nothing for so long."""

    def fall_silent(said: Said, page: Page) -> None:
        page.clock.run_for(ms)
        then(said, page)

    return reads(then=fall_silent)


def presses(key: str) -> Tell:
    """Somebody presses that key."""
    return lambda _, page: page.keyboard.press(key)


def keeps_a_mark(_: Said, page: Page) -> None:
    page.keyboard.press(" ")
    page.wait_for_selector("[data-toast]:not([hidden])")


STATES: dict[str, tuple[str, Tell]] = {
    "nothing-attached": ("scope-absent", is_told("absent")),
    "searching": ("scope-connecting", is_told("connecting")),
    "no-trigger": ("scope-waiting-for-trigger", is_told("waiting-for-trigger", text="no edge came on CH4")),
    "no-reading-yet": ("no-reading", is_told("ready")),
    "too-high": ("clear", reads()),
    "on-aim": ("clear", reads(colours(**IN))),
    "no-sync": ("sync-none", reads(sync("none", **NONE))),
    "looks-like-blanking": ("sync-blanking-only", reads(sync("blanking-only"))),
    "vertical-interval": ("sync-vertical-interval", reads(sync("vertical-interval", held=True, age_s=3.0))),
    "held": ("held", reads(red(held=True, age_s=12.0))),
    "no-white-yet": ("white-not-in-record", reads(colours(**NONE, hints=[DARK]))),
    "dead-channel": ("channel-dead", reads(red(**NONE, hints=[DEAD]))),
    "clipped": ("clipped", reads(red(clipped=True, decidable=False, verdict="unsure"))),
    "not-decidable": ("undecidable", reads(colours(**UNDECIDABLE))),
    "check-the-hookup": ("termination-missing", reads(lambda reading: reading.update(hints=[TERMINATION]))),
    "two-viewers": ("clear", reads(then=is_told("ready", viewers=2))),
    "frozen": ("frozen", reads(then=presses("f"))),
    "mark-kept": ("clear", reads(then=keeps_a_mark)),
    "no-reading-for-two-seconds": ("no-reading", silent_for(2600)),
    "scope-lost": ("scope-lost", silent_for(2600, is_told("lost", text="192.0.2.7: the connection broke off"))),
    "daemon-lost": ("daemon-lost", silent_for(5600)),
    "problem": ("book-full", reads(then=is_told("ready", problems=[FULL]))),
    "side-by-side": ("clear", reads(colours(**IN), presses("0"))),
}

LOOK = """() => {
  const rgb = c => c.match(/[\\d.]+/g).map(Number);
  const light = c => { const [r, g, b] = c.map(v => v / 255).map(v => v <= .04045 ? v / 12.92 : ((v + .055) / 1.055) ** 2.4);
    return .2126 * r + .7152 * g + .0722 * b; };
  const ground = e => { for (; e; e = e.parentElement) { const c = rgb(getComputedStyle(e).backgroundColor);
    if ((c[3] ?? 1) === 1) return c; } return [255, 255, 255]; };
  const poor = [], small = [], places = {};
  for (const e of document.querySelectorAll('h1, h2, p, span, a, kbd, button, label, output, text')) {
    const own = [...e.childNodes].some(n => n.nodeType === 3 && n.data.trim()), style = getComputedStyle(e);
    if (!own || e.closest('.unseen, dialog, noscript, .paper') || !e.getClientRects().length || style.visibility === 'hidden') continue;
    const behind = ground(e), seen = Number(style.opacity), size = parseFloat(style.fontSize);
    const ink = rgb(e.tagName === 'text' ? style.fill : style.color).slice(0, 3).map((v, n) => v * seen + behind[n] * (1 - seen));
    const [a, b] = [light(ink), light(behind)].sort((x, y) => y - x);
    if ((a + .05) / (b + .05) < (size >= 24 ? 3 : 4.5)) poor.push([e.textContent, style.color, behind]);
    if (size < 14) small.push(e.textContent);
  }
  for (const name of ['.top', '.notice', '.view-links', '.actions', '.match', '.sync-line', '[data-open-cautions]'])
    places[name] = document.querySelector(name).getBoundingClientRect();
  for (const name of ['.words', '.detail', '.rule', '.name', '.unit'])
    document.querySelectorAll(`.channel ${name}`).forEach((e, n) => places[`${n} ${name}`] = e.getBoundingClientRect());
  for (const name in places) { const { x, y, height } = places[name]; places[name] = [x, y, height].map(Math.round).join(' '); }
  return { poor, small, places, wide: document.documentElement.scrollWidth }; }"""

HEARS_ITS_SIZE = "() => new Promise(heard => new ResizeObserver(heard).observe(document.body))"
"""Observers are told in the order in which they began: once this one is told, the page's own know of another size."""


@pytest.fixture(scope="module")
def page_and_frames(lasting_demo: Any, open_lasting_page: Any) -> tuple[Any, Said]:
    """A page whose frames are the test's, and its clock: it stands unless it is run on."""
    said = Said.of(lasting_demo)
    return said.open(open_lasting_page, lasting_demo.url), said


ALL_PICTURES = "PEAKWHITE_ARTEFACTS" in os.environ
FEW = (("desk", "light"), ("phone", "dark"))


@pytest.fixture(scope="module")
def pictures(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the pictures go."""
    named = os.environ.get("PEAKWHITE_ARTEFACTS")
    folder = Path(named) / "states" if named else tmp_path_factory.mktemp("states")
    folder.mkdir(parents=True, exist_ok=True)
    return folder


@pytest.fixture(scope="module")
def usual_places() -> dict[str, Any]:
    """Where everything stood in the first state, in each size."""
    return {}


@pytest.mark.parametrize("name", STATES)
def test_every_state_is_said_in_its_place_and_can_be_read(
    page_and_frames: tuple[Any, Said], pictures: Path, usual_places: dict[str, Any], name: str
) -> None:
    seen, said = page_and_frames
    page: Page = seen.page
    seen.reset()
    for action in ("freeze", "abreast"):
        if page.get_attribute(f'[data-action="{action}"]', "aria-pressed") == "true":
            page.click(f'[data-action="{action}"]')
    said.begin_anew()
    page.evaluate("document.querySelector('[data-toast]').hidden = true")
    situation, tell = STATES[name]
    tell(said, page)
    page.clock.run_for(300)
    seen.situation(situation)
    for size, (width, height) in SIZES.items():
        page.set_viewport_size({"width": width, "height": height})
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)
            page.evaluate(HEARS_ITS_SIZE)
            page.clock.run_for(60)
            if ALL_PICTURES or (size, scheme) in FEW:
                page.screenshot(path=pictures / f"{name}-{size}-{scheme}.png")
            found = page.evaluate(LOOK)
            assert found["poor"] == [] and found["small"] == [] and found["wide"] == width, (size, scheme)
        if name != "side-by-side":
            assert found["places"] == usual_places.setdefault(size, found["places"])
