"""The page of the real demo, and of the real daemon beside a real simulated scope, in a real browser."""

import signal
from collections.abc import Iterator
from typing import Any

import pytest

from said import Said, reading_of

ROLES = ("red", "green", "blue")
SIZES = [(1280, 800), (390, 844), (320, 700)]


def scale_of(page: Any, role: str, which: str = "") -> tuple[float, float]:
    """Pixels at 0 mV and pixels a millivolt, from where `which` numerals of the rule stand (least squares)."""
    ticks = page.eval_on_selector_all(
        f'[data-channel="{role}"] [data-tick]{which}',
        "all => all.map(e => { const r = e.getBoundingClientRect(); return [Number(e.textContent), r.left + r.width / 2] })",
    )
    assert len(ticks) >= 3
    mean_mv = sum(mv for mv, _ in ticks) / len(ticks)
    mean_x = sum(x for _, x in ticks) / len(ticks)
    slope = sum((mv - mean_mv) * (x - mean_x) for mv, x in ticks) / sum((mv - mean_mv) ** 2 for mv, _ in ticks)
    return mean_x - slope * mean_mv, slope


def live_channel(demo: Any, role: str) -> dict[str, Any]:
    """The channel in the newest reading that has levels, asked over REST."""
    while True:
        reading = demo.json("GET", "api/v1/reading")
        channel: dict[str, Any] = next(channel for channel in reading["channels"] if channel["role"] == role)
        if channel["peak_white_mv"] is not None:
            return channel


def test_the_first_visit_shows_the_cautions_and_the_button_shows_them_again(
    bench: Any, open_page: Any, eventually: Any
) -> None:
    seen = open_page(bench.url, read=False)
    page = seen.page
    page.wait_for_selector("dialog[data-cautions][open]")
    said = bench.json("GET", "api/v1/cautions")
    assert page.locator("[data-cautions-items] li").all_inner_texts() == said["items"]
    assert "First put a 75-ohm terminator on the output" in seen.text("dialog[data-cautions]")
    assert not page.locator("[data-help]").is_visible()
    page.click("[data-close-cautions]")
    page.reload()
    seen.wait_for_levels()
    assert not page.locator("dialog[data-cautions]").is_visible()
    page.click("[data-open-cautions]")
    assert page.locator("dialog[data-cautions]").is_visible()
    eventually(lambda: said["note"] in seen.text("[data-cautions-note]"))


def test_cautions_that_were_sent_away_with_escape_are_not_read(bench: Any, open_page: Any) -> None:
    seen = open_page(bench.url, read=False)
    page = seen.page
    sheet = "dialog[data-cautions][open]"
    for _ in range(2):
        page.wait_for_selector(f"{sheet} li")
        page.keyboard.press("Escape")
        page.click("[data-open-cautions]")
        assert seen.text("[data-close-cautions]") == "Back to the levels"
        page.click("[data-close-cautions]")
        page.reload()
    page.wait_for_selector(sheet)
    assert seen.text("[data-close-cautions]") == "I have read this"


@pytest.fixture(scope="module")
def lasting_page(lasting_demo: Any, open_lasting_page: Any) -> Any:
    """A page of the module's demo."""
    return open_lasting_page(lasting_demo.url)


@pytest.fixture
def shown(bench: Any, lasting_page: Any) -> Any:
    """That page as it was opened, with levels on every ruler, for tests that do not care what was there before."""
    lasting_page.reset()
    lasting_page.wait_for_levels()
    return lasting_page


def size(seen: Any, width: int, height: int) -> None:
    """Give the page that size, and wait until its rules are engraved anew."""
    seen.page.set_viewport_size({"width": width, "height": height})
    seen.page.wait_for_function(
        "() => [...document.querySelectorAll('[data-rule]')]"
        ".every(e => e.clientWidth === Number(e.querySelector('svg').getAttribute('width')))"
    )


def each_size(seen: Any) -> Iterator[tuple[int, int]]:
    """The page in each of the sizes."""
    for width, height in SIZES:
        size(seen, width, height)
        yield width, height


def test_all_rulers_lie_inside_the_viewport(shown: Any) -> None:
    for width, height in each_size(shown):
        rules = shown.page.locator("[data-rule]")
        assert rules.count() == 3
        for box in (rules.nth(n).bounding_box() for n in range(3)):
            assert box is not None
            assert box["width"] > 0.6 * width and box["height"] > 40
            assert box["x"] >= 0 and box["x"] + box["width"] <= width
            assert box["y"] >= 0 and box["y"] + box["height"] <= height


def test_no_text_is_smaller_than_14_pixels_and_none_is_cut_off_sideways(shown: Any) -> None:
    for width, _ in each_size(shown):
        small = shown.page.evaluate(
            """() => { const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT); const found = [];
            while (walk.nextNode()) { const e = walk.currentNode.parentElement;
              if (!walk.currentNode.data.trim() || e.closest('.unseen, noscript, template, script')) continue;
              if (parseFloat(getComputedStyle(e).fontSize) < 14) found.push(walk.currentNode.data); }
            return found; }"""
        )
        assert small == []
        assert shown.page.evaluate("document.documentElement.scrollWidth") <= width


def test_words_on_a_rule_stand_in_their_own_band_and_are_never_cut(shown: Any) -> None:
    seen_words = set()
    for _ in each_size(shown):
        found = shown.page.evaluate(
            """() => [...document.querySelectorAll('[data-rule]')].flatMap(rule => {
            const span = e => { const r = e.getBoundingClientRect(); return [r.left, r.right]; };
            const band = word => span(rule.querySelector(`[data-band="${word.dataset.zoneWord}"]`));
            return [...rule.querySelectorAll('[data-zone-word]')].map(e => [e.textContent, span(e), band(e)])
              .concat([...rule.querySelectorAll('[data-window], [data-aim-flag]')].filter(e => e.getClientRects().length)
              .map(e => [e.textContent, span(e), span(rule)])); })"""
        )
        for words, (left, right), (low, high) in found:
            assert low <= left and right <= high, words
            seen_words.add(words.split()[0])
    assert {"dim", "over", "aim"} <= seen_words


def test_the_notice_is_one_line_high_on_the_smallest_phone(shown: Any) -> None:
    shown.page.set_viewport_size({"width": 320, "height": 700})
    box = shown.page.locator("[data-notice]").bounding_box()
    assert box is not None and box["height"] <= 44


def test_the_sheet_of_the_cautions_explains_how_to_read_the_page(shown: Any) -> None:
    shown.page.click("[data-open-cautions]")
    said = shown.text("dialog[data-cautions]")
    for word in ("How to read this page", "Box", "Bright core", "Trail", "Triangle", "Thin lines", "Untied", "Average"):
        assert word in said


def test_the_number_in_focus_is_an_eighth_of_the_viewport_high(shown: Any) -> None:
    height = shown.page.evaluate(
        """() => { const e = document.querySelector('.focused [data-number]'), s = getComputedStyle(e);
        const pen = document.createElement('canvas').getContext('2d');
        pen.font = `${s.fontWeight} ${s.fontSize} ${s.fontFamily}`;
        return pen.measureText('1').actualBoundingBoxAscent; }"""
    )
    assert height >= 0.12 * 800


def test_the_slider_stands_where_the_reading_says_on_the_engraved_scale(
    bench: Any, shown: Any, eventually: Any
) -> None:
    bench.json("PUT", "api/v1/demo/trimmers/blue", {"percent": 93.0})
    for role, mv in (("red", 750.0), ("green", 714.3), ("blue", 664.3)):
        shown.wait_for_level(role, mv)
        shown.page.wait_for_selector(f'[data-channel="{role}"] [data-rule][data-scale="whole"]')

    def stands(role: str) -> bool:
        zero, slope = scale_of(shown.page, role)
        channel = live_channel(bench, role)
        slider = shown.page.locator(f'[data-channel="{role}"] [data-slider]').bounding_box()
        at = (slider["x"], slider["x"] + slider["width"], middle_of_core(shown, role))
        levels = (channel["low_mv"], channel["high_mv"], channel["peak_white_mv"])
        wanted = [zero + slope * mv for mv in levels]
        return bool(at == pytest.approx(wanted, abs=1.5 + 0.6 * slope))

    for role in ROLES:
        eventually(lambda role=role: stands(role))  # the next reading comes between two looks, and the rule may glide


def middle_of_core(seen: Any, role: str) -> float:
    """Pixel at which the bright core stands."""
    core = seen.page.locator(f'[data-channel="{role}"] [data-core]').bounding_box()
    return float(core["x"] + core["width"] / 2)


def test_near_the_aim_the_rule_opens_up_and_a_millivolt_shows_and_it_closes_when_the_level_leaves(
    bench: Any, shown: Any, eventually: Any
) -> None:
    rule = '[data-channel="red"] [data-rule]'
    shown.page.wait_for_selector(f'{rule}[data-scale="whole"]')
    bench.json("PUT", "api/v1/demo/trimmers/red", {"percent": 97.6})
    shown.page.wait_for_selector(f'{rule}[data-scale="opened"]')
    shown.wait_for_level("red", 697.1)
    shown.page.wait_for_function("() => document.querySelectorAll('[data-channel=red] [data-tick].opened').length >= 3")

    def has_opened() -> bool:
        zero, slope = scale_of(shown.page, "red", ".opened")
        level = live_channel(bench, "red")["peak_white_mv"]
        return slope > 10 and middle_of_core(shown, "red") == pytest.approx(zero + slope * level, abs=1.5 + 0.6 * slope)

    eventually(has_opened)  # the rule glides
    assert shown.page.locator(f"{rule} [data-band]").count() == 4
    bench.json("PUT", "api/v1/demo/trimmers/red", {"percent": 105.0})
    shown.page.wait_for_selector(f'{rule}[data-scale="whole"]')


def test_the_number_follows_a_trimmer_turned_on_the_page_and_is_that_of_the_live_reading(
    bench: Any, open_page: Any, eventually: Any
) -> None:
    seen = open_page(bench.url)
    seen.wait_for_levels()
    seen.wait_for_level("green", 714.3)
    before = seen.number("green")
    for _ in range(4):
        seen.page.click('[data-trimmer="green"] [data-step="-1"]')
    assert seen.text('[data-trimmer="green"] output') == "98.0 %"
    eventually(lambda: abs(seen.number("green") - (before - 0.02 * 714.3)) <= 2)
    eventually(lambda: abs(live_channel(bench, "green")["peak_white_mv"] - seen.number("green")) <= 1)
    assert bench.json("GET", "api/v1/demo")["trimmers"]["green"]["percent"] == 98.0


def test_zone_and_words_change_as_the_level_passes_each_edge(bench: Any, shown: Any) -> None:
    for percent, words, zone in (
        (106.0, r"^\d+ mV too high$", "over"),
        (98.5, r"^may still be over by up to \d+ mV$", ""),
        (97.2, "^on aim: leave it$", "on-target"),
        (96.5, "^in: leave it$", "on-target"),
        (90.0, "^in, but dim: leave it$", "dim"),
        (75.0, r"^\d+ mV too low$", "too-low"),  # at 80 % a 50-ohm load would explain it
    ):
        bench.json("PUT", "api/v1/demo/trimmers/red", {"percent": percent})
        shown.page.wait_for_function(
            """([words, zone]) => { const red = document.querySelector('[data-channel="red"]');
            return new RegExp(words).test(red.querySelector('[data-words]').textContent.replace(/\\s/g, ' '))
                && red.dataset.zone === zone; }""",
            arg=[words, zone],
        )


def test_the_ruler_opens_for_a_level_far_outside(bench: Any, shown: Any, eventually: Any) -> None:
    bench.json("PUT", "api/v1/demo/trimmers/red", {"percent": 140.0})
    eventually(lambda: abs(shown.number("red") - 1000) < 5)
    rule = shown.page.locator('[data-channel="red"] [data-rule]').bounding_box()

    def inside() -> bool:
        slider = shown.page.locator('[data-channel="red"] [data-slider]').bounding_box()
        return bool(slider["x"] > rule["x"] and slider["x"] + slider["width"] < rule["x"] + rule["width"])

    eventually(inside)


def test_a_rule_is_a_meter_for_those_who_do_not_see_it(shown: Any, eventually: Any) -> None:
    meter = shown.page.get_by_role("meter", name="Red peak white in millivolts")
    eventually(lambda: meter.get_attribute("aria-valuenow") == str(shown.number("red")))
    low, high = float(meter.get_attribute("aria-valuemin")), float(meter.get_attribute("aria-valuemax"))
    assert low <= 600 and high >= 771
    eventually(lambda: "millivolts, over" in meter.get_attribute("aria-valuetext"))
    eventually(lambda: "Red" in shown.page.text_content("[data-announcer]"))


def test_every_control_is_reached_and_worked_by_keyboard(bench: Any, open_page: Any, eventually: Any) -> None:
    bench.json("PUT", "api/v1/demo/trimmers/red", {"percent": 105.0})
    seen = open_page(bench.url)
    seen.wait_for_levels()
    page = seen.page
    page.wait_for_function("document.querySelector('#trimmer-red')?.value === '105'")
    page.evaluate("document.activeElement.blur()")
    reached: list[str] = []
    for _ in range(40):
        page.keyboard.press("Tab")
        here = page.evaluate("document.activeElement.getAttribute('aria-label') ?? document.activeElement.id")
        if here == "trimmer-red" and here not in reached:
            page.keyboard.press("ArrowDown")
        reached.append(here)
    for role in ROLES:
        assert f"trimmer-{role}" in reached
        assert f"{role.capitalize()} trimmer up by 0.5 per cent" in reached
    eventually(lambda: bench.json("GET", "api/v1/demo")["trimmers"]["red"]["percent"] == 104.9)
    page.keyboard.press("3")
    assert page.get_attribute('[data-channel="blue"] [data-focus]', "aria-pressed") == "true"
    page.focus("[data-open-cautions]")
    page.keyboard.press("Enter")
    assert page.locator("dialog[data-cautions]").is_visible()
    page.keyboard.press("Escape")
    assert not page.locator("dialog[data-cautions]").is_visible()


def test_nothing_on_the_page_moves_while_levels_change(bench: Any, shown: Any) -> None:
    size(shown, 1280, 800)
    shown.page.evaluate(
        """() => { window.shifts = []; new PerformanceObserver(list => { for (const entry of list.getEntries())
        if (!entry.hadRecentInput) window.shifts.push([entry.value, entry.sources.map(s => s.node?.className ?? '')]); })
        .observe({ type: 'layout-shift' }); }"""
    )
    for percent, words in ((96.5, "leave it"), (75.0, "too low"), (105.0, "too high")):
        bench.json("PUT", "api/v1/demo/trimmers/red", {"percent": percent})
        shown.wait_for_words("red", words)
    assert shown.page.evaluate("window.shifts") == []


def test_numbers_are_written_with_a_point_in_a_german_browser(shown: Any) -> None:
    assert shown.page.evaluate("navigator.language") == "de-DE"
    assert shown.page.evaluate("(1.5).toLocaleString()") == "1,5"
    shown.page.wait_for_function("() => /105\\.0/.test(document.querySelector('[data-trimmer-value]').textContent)")
    assert shown.page.evaluate("document.body.innerText.match(/\\d,\\d/g)") is None
    shown.page.locator('[data-trimmer="blue"] input').fill("98.4")
    assert shown.text('[data-trimmer="blue"] [data-trimmer-value]') == "98.4 %"


def test_every_level_is_a_meter_with_its_range_and_its_meaning_in_words(
    bench: Any, shown: Any, eventually: Any
) -> None:
    shown.wait_for_level("red", 750.0)

    def is_told(role: str) -> bool:
        meter = shown.page.get_by_role("meter", name=f"{role.capitalize()} peak white in millivolts")
        # one look: the next reading would change them between two
        low, high, now, words, number = meter.evaluate(
            """(meter, role) => [...['min', 'max', 'now'].map((which) => Number(meter.getAttribute(`aria-value${which}`))),
            meter.getAttribute('aria-valuetext'), document.querySelector(`[data-channel="${role}"] [data-number]`).textContent]""",
            role,
        )
        assert low < now < high and words.startswith(f"{now:.0f} millivolts, ")
        return bool(now == pytest.approx(float(number), abs=1))

    for role in ROLES:
        eventually(lambda role=role: is_told(role))  # the meter says a new level some frames after the number
    tree = shown.page.locator("[data-channels]").aria_snapshot()
    assert tree.count("meter ") == 3 and "img" not in tree


def test_a_listener_hears_what_a_level_means_and_not_every_millivolt(bench: Any, open_page: Any) -> None:
    said = Said.of(bench)
    seen = said.open(open_page, bench.url)
    seen.page.evaluate(
        """() => { window.heard = []; new MutationObserver(() => window.heard.push(document.querySelector('[data-announcer]').textContent))
        .observe(document.querySelector('[data-announcer]'), { childList: true, characterData: true, subtree: true }); }"""
    )
    for percent in (104.0, 103.6, 103.2, 102.8, 90.0):
        bench.json("PUT", "api/v1/demo/trimmers/red", {"percent": percent})
        said.take(reading_of(bench, percent))
        said.say_for_a_while(seen.page)
        seen.wait_for_level("red", percent * 7.143)
    heard = seen.page.evaluate("window.heard")
    assert "leave it" in heard[-1]
    assert len(heard) == len(set(heard)) <= 4 and not any(character.isdigit() for character in "".join(heard))


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_has_the_contrast_of_wcag_aa_in_both_schemes(shown: Any, scheme: str) -> None:
    shown.page.emulate_media(color_scheme=scheme)
    looked, poor = shown.page.evaluate(
        """() => { const rgb = c => c.match(/[\\d.]+/g).map(Number);
        const light = c => { const [r, g, b] = rgb(c).map(v => v / 255).map(v => v <= .04045 ? v / 12.92 : ((v + .055) / 1.055) ** 2.4);
          return .2126 * r + .7152 * g + .0722 * b; };
        const ground = e => { for (; e; e = e.parentElement) { const c = getComputedStyle(e).backgroundColor;
          if ((rgb(c)[3] ?? 1) === 1) return c; } return 'rgb(255, 255, 255)'; };
        const found = []; let looked = 0;
        for (const e of document.querySelectorAll('h1, h2, p, span, button, label, output, text')) {
          if (!e.textContent.trim() || e.closest('.unseen, dialog, noscript') || e.children.length > 1) continue;
          looked += 1;
          const style = getComputedStyle(e), ink = e.tagName === 'text' ? style.fill : style.color;
          const [a, b] = [light(ink), light(ground(e))].sort((x, y) => y - x);
          if ((a + .05) / (b + .05) < 4.5) found.push([e.textContent, ink, ground(e)]); }
        return [looked, found]; }"""
    )
    assert poor == []
    assert looked > 40


def test_a_scope_that_stops_answering_is_said_and_its_return_too(
    daemon: Any, simulated_scope: Any, open_page: Any, eventually: Any
) -> None:
    seen = open_page(daemon.url)
    seen.wait_for_levels()
    assert seen.page.locator("[data-trimmers]").is_hidden()
    simulated_scope.signal(signal.SIGSTOP)
    try:
        seen.situation("scope-lost")
        assert "Scope lost since" in seen.text("[data-notice-title]")
        seen.page.wait_for_selector('[data-channel="red"].stale')
        assert "no longer live" in seen.text('[data-channel="red"] [data-detail]')
    finally:
        simulated_scope.signal(signal.SIGCONT)
    seen.page.wait_for_selector('[data-channel="red"]:not(.stale)', timeout=30_000)
    eventually(lambda: seen.page.get_attribute("[data-notice]", "data-situation") != "scope-lost")


def test_a_scope_that_was_killed_is_said_with_what_to_do(daemon: Any, simulated_scope: Any, open_page: Any) -> None:
    seen = open_page(daemon.url)
    seen.wait_for_levels()
    simulated_scope.child.kill()
    seen.situation("scope-lost")
    assert len(seen.text("[data-notice-do]")) > 20


def test_a_page_without_any_scope_says_so_and_shows_its_empty_rules(children: Any, open_page: Any) -> None:
    daemon = children.daemon("serve", "--scope", "TCPIP0::127.0.0.1::1::SOCKET")
    seen = open_page(daemon.url)
    seen.situation("scope-absent")
    assert seen.page.locator("[data-rule]").count() == 3
    assert seen.text('[data-channel="red"] [data-number]') == "–"
    assert seen.text('[data-channel="red"] [data-words]') == "waiting for the scope"


@pytest.mark.timeout(300)
def test_a_lost_daemon_is_said_and_a_new_one_is_found_without_a_reload(
    children: Any, demo: Any, open_page: Any
) -> None:
    seen = open_page(demo.url)
    seen.wait_for_levels()
    seen.page.evaluate("window.kept = true")
    seen.page.keyboard.press("w")
    seen.page.wait_for_selector('[data-watch][aria-pressed="true"]')
    seen.page.click('[href="#hookup"]')
    seen.page.wait_for_function("() => /^Connected/.test(document.querySelector('[data-scope-state]').textContent)")
    seen.page.click('[href="#trim"]')
    seen.page.evaluate(
        """() => { window.seen = []; const notice = document.querySelector('[data-notice]');
        new MutationObserver(() => window.seen.push([notice.dataset.situation, document.querySelectorAll('.channel.stale').length]))
        .observe(notice, { attributes: true }); }"""
    )
    demo.child.kill()
    seen.situation("daemon-lost")
    assert seen.page.evaluate("window.seen").index(["no-reading", 3]) < seen.page.evaluate(
        "window.seen.findIndex(([situation]) => situation === 'daemon-lost')"
    )
    assert "Daemon lost since" in seen.text("[data-notice-title]")
    seen.page.click('[href="#hookup"]')
    seen.page.wait_for_function("() => /^Not known/.test(document.querySelector('[data-scope-state]').textContent)")
    assert seen.text("[data-scope-state]") == seen.text("[data-control-words]") == "Not known: daemon lost"
    assert seen.text("[data-hookup-hints]").startswith("No reading")
    seen.page.click('[href="#trim"]')
    assert seen.text("[data-caught]") == "not watching: daemon lost"
    children.start("again", "peakwhite.daemon", "demo", "--port", str(demo.port), "--no-browser")
    seen.page.wait_for_selector('[data-channel="red"]:not(.stale)', timeout=40_000)
    assert seen.page.evaluate("window.kept") is True
    seen.page.wait_for_function("() => /The watch is off/.test(document.querySelector('[data-toast]').textContent)")
    seen.wait_for_level("red", 750.0)
    seen.complaints[:] = [text for text in seen.complaints if "net::ERR_" not in text and "WebSocket" not in text]
