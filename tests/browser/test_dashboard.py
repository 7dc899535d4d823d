"""What a person does with the dashboard, done in a real Chromium."""

from __future__ import annotations

import re

import pytest
from playwright.sync_api import Locator, Page, expect

from tests.browser.conftest import HOSTILE, Tab, settled

SEEN = re.compile(r"([\d.]+) to ([\d.]+) s in view")


def drag(page: Page, picture: str, start: float, end: float) -> None:
    """Across the first lane of a picture, from one share of its width to another."""
    area = page.locator(f"#{picture} .nsewdrag").first
    area.scroll_into_view_if_needed()
    box = area.bounding_box()
    assert box is not None
    y = box["y"] + 0.5 * box["height"]
    page.mouse.move(box["x"] + start * box["width"], y)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.5 * (start + end) * box["width"], y, steps=4)
    page.mouse.move(box["x"] + end * box["width"], y, steps=4)
    page.mouse.up()


def in_view(page: Page) -> tuple[float, float]:
    found = SEEN.search(page.locator("#view-words").inner_text())
    assert found is not None
    return float(found[1]), float(found[2])


def axis_range(page: Page, picture: str = "traces") -> list[float]:
    """What the picture itself shows."""
    found = page.evaluate(f"() => document.querySelector('#{picture} .js-plotly-plot').layout.xaxis.range")
    return [float(value) for value in found]


def ask(page: Page, name: str) -> float | None:
    """A number in the address."""
    found = re.search(rf"[?&]{name}=([\d.]+)", page.url)
    return float(found[1]) if found else None


def wait_address(page: Page, name: str) -> None:
    page.wait_for_function("name => new URLSearchParams(location.search).has(name)", arg=name)


def figure(card: Locator) -> str:
    return card.locator(".headline").inner_text()


def test_from_the_list_to_the_demo_drive(tab: Tab) -> None:
    """Answers come first, then traces, exposure, voltage, laps; each answer has an interval and its basis."""
    page = tab.open("/")
    expect(page.locator("tr", has_text="Seedling-tray cart")).to_contain_text(
        "left fuse: close to its limits, margin", timeout=20_000
    )
    page.get_by_role("link", name="2026-05-04 09:15").click()
    page.wait_for_url("**/run/demo-cart")
    cards = page.locator(".card")
    expect(cards.first).to_contain_text("Left fuse, 40 A")
    expect(cards.first).to_contain_text("95 %:")
    cards.first.locator("summary").click()
    expect(cards.first).to_contain_text("sensor gain")
    for picture in ("traces", "overview", "exposure", "volts", "laps-picture", "command"):
        page.wait_for_selector(f"#{picture} .trace, #{picture} .heatmaplayer image")
    heads = page.locator("main h2").all_inner_texts()
    assert heads == [
        "Answers", "Traces", "How much current, for how long", "Voltage against current", "Laps",
        "How it was driven", "Findings and cautions", "All figures",
    ]  # fmt: skip
    expect(page.locator("#laps")).to_contain_text("9 complete laps")
    expect(page.locator("#part-words")).to_contain_text("whole run")


def test_zoom_is_in_the_address_and_survives_a_reload(tab: Tab) -> None:
    page = tab.drive()
    before = page.evaluate("() => history.length")
    drag(page, "traces", 0.4, 0.6)
    wait_address(page, "see_from")
    expect(page.locator("#view-words")).not_to_contain_text("0.00 to")
    first = in_view(page)
    assert 90 < first[0] < first[1] < 190
    assert [ask(page, "see_from"), ask(page, "see_to")] == pytest.approx(first, abs=0.01)
    # A zoom replaces the address: it is no step to go back to.
    assert page.evaluate("() => history.length") == before
    page.reload()
    page.wait_for_selector("#traces .scatterlayer .trace")
    expect(page.locator("#view-words")).to_contain_text(f"{first[0]:.2f} to {first[1]:.2f} s")
    assert axis_range(page) == pytest.approx(first, abs=0.01)
    # A zoom changes what is seen, not what is computed.
    expect(page.locator("#part-words")).to_contain_text("whole run")
    page.get_by_role("button", name="Fit", exact=True).click()
    expect(page.locator("#view-words")).to_contain_text("0.00 to")
    assert ask(page, "see_from") is None


def test_a_peak_is_drawn_at_every_zoom(tab: Tab) -> None:
    """The maximum battery current of the drive, one sample of 141 000, is in the picture of the whole run."""
    page = tab.drive()
    maximum = "() => Math.max(...document.querySelector('#traces .js-plotly-plot').calcdata[0].map(p => p.y || 0))"
    whole = page.evaluate(maximum)
    page.locator(".card", has_text="Main fuse").get_by_text("Show in traces").click()
    wait_address(page, "see_from")
    expect(page.locator("#view-words")).not_to_contain_text("0.00 to")
    settled(page)
    assert page.evaluate(maximum) == pytest.approx(whole, abs=1e-3)


def test_brushing_computes_that_part_and_back(tab: Tab) -> None:
    page = tab.drive()
    card = page.locator(".card", has_text="Left fuse")
    whole = figure(card)
    drag(page, "overview", 0.1, 0.3)
    wait_address(page, "from")
    expect(page.locator("#part-words")).to_contain_text("of the run")
    begin, end = ask(page, "from"), ask(page, "to")
    assert begin is not None
    assert end is not None
    assert 20 < begin < end < 100
    expect(page.locator("#part-words")).to_contain_text(f"{begin:.2f} to {end:.2f} s".replace(" s", "\u00a0s"))
    settled(page)
    # The stall is not in this part: its margin is another one, and so are laps and traces.
    assert figure(card) != whole
    assert in_view(page) == pytest.approx((begin, end), abs=0.01)
    page.reload()
    expect(page.locator("#part-words")).to_contain_text("of the run")
    page.get_by_role("button", name="Whole run").click()
    expect(page.locator("#part-words")).to_contain_text("whole run")
    settled(page)
    assert figure(card) == whole
    assert "from=" not in page.url


def test_a_typed_part(tab: Tab) -> None:
    page = tab.drive()
    page.get_by_text("Type a part instead").click()
    page.locator("#type-from").fill("60")
    page.locator("#type-to").fill("90.5")
    page.get_by_role("button", name="Compute this part").click()
    expect(page.locator("#part-words")).to_contain_text("60.00 to 90.50")
    assert (ask(page, "from"), ask(page, "to")) == (60, 90.5)


def test_an_answer_leads_to_its_moment(tab: Tab) -> None:
    page = tab.drive()
    card = page.locator(".card", has_text="Left fuse")
    said = re.search(r"for ([\d.]+)\s?s at (\d+):(\d+)", card.locator(".sentence").inner_text())
    assert said is not None
    card.get_by_text("Show in traces").click()
    wait_address(page, "see_from")
    expect(page.locator("#view-words")).not_to_contain_text("0.00 to")
    low, high = in_view(page)
    moment = 60 * int(said[2]) + int(said[3])
    assert low < moment < high
    assert high - low < 10
    expect(page.locator("#traces-part h2")).to_be_in_viewport()


def test_moving_to_a_page_is_a_step_back(tab: Tab) -> None:
    """Back from the list restores the drive as it was left: part, view, fuse."""
    page = tab.drive("?from=100&to=200")
    drag(page, "traces", 0.3, 0.7)
    wait_address(page, "see_from")
    page.locator("#fuse").get_by_text("right, 40 A").click()
    wait_address(page, "fuse")
    address = page.url
    page.get_by_role("link", name="Logbook").click()
    expect(page.locator("h1")).to_have_text("Logbook")
    page.go_back()
    page.wait_for_selector("#traces .scatterlayer .trace")
    assert page.url == address
    assert in_view(page) == pytest.approx((ask(page, "see_from"), ask(page, "see_to")), abs=0.01)
    expect(page.locator("#part-words")).to_contain_text("100.00 to 200.00")
    expect(page.locator("#exposure .annotation").filter(has_text="right current")).to_be_visible()


def test_channels_are_chosen_in_the_address(tab: Tab) -> None:
    page = tab.drive("?show=left,right")
    assert page.locator("#traces .scatterlayer .trace").count() == 2
    page.locator("#traces-part summary", has_text="Channels").click()
    page.locator("#lanes").get_by_text("Temperature").click()
    page.wait_for_function("() => document.querySelectorAll('#traces .scatterlayer .trace').length === 4")
    assert "heat" in page.url


def test_laps_come_to_the_front(tab: Tab) -> None:
    page = tab.drive()
    page.wait_for_selector("#laps-picture .trace")
    page.locator("#laps-table button", has_text="3").first.click()
    expect(page.locator("#lap-words")).to_contain_text("In front: lap 3")
    assert ask(page, "lap") == 3
    page.locator("#laps .choice").get_by_text("left current").click()
    wait_address(page, "across")
    page.wait_for_selector("#laps-picture .ytitle:has-text('left current [A]')")


def test_tables_stand_beside_the_pictures(tab: Tab) -> None:
    page = tab.drive()
    for name, at_least in (("traces-table", 24), ("exposure-table", 40), ("volts-table", 10), ("command-table", 16)):
        page.locator(f"#{name}-asked").click()
        page.wait_for_selector(f"#{name} tbody tr")
        assert page.locator(f"#{name} tbody tr").count() >= at_least
    page.locator("#wires-figures-asked").click()
    expect(page.locator("#wires-figures")).to_contain_text("33 CFR 183.425")
    before = page.locator("#traces-table tbody tr").nth(3).inner_text()
    page.get_by_role("button", name="Zoom in").click()
    expect(page.locator("#traces-table tbody tr").nth(3)).not_to_have_text(before)


def test_how_it_was_driven(tab: Tab) -> None:
    """The stall at the bench leg, what braking recovered, and two lines of current by command; of a part, its own."""
    page = tab.drive()
    words = page.locator("#drive-words")
    expect(words).to_contain_text("left wheel, 1.1")
    expect(words).to_contain_text("Recovered charge")
    page.wait_for_selector("#command .trace")
    assert page.locator("#command .trace").count() == 2
    page = tab.drive("?from=20&to=100")
    expect(page.locator("#drive-words")).to_contain_text("Stalled under command")
    expect(page.locator("#drive-words")).not_to_contain_text("left wheel,")
    page.locator("#fuses-figures-asked").click()
    expect(page.locator("#fuses-figures")).to_contain_text("Local codes")


def test_light_and_dark(tab: Tab) -> None:
    """The system's theme is followed until one is chosen; the choice is remembered, pictures included."""
    page = tab.drive()

    def paper() -> str:
        return str(page.evaluate("() => getComputedStyle(document.body).backgroundColor"))

    def ink() -> str:
        return str(page.evaluate("() => document.querySelector('#traces .js-plotly-plot').layout.font.color"))

    assert paper() == "rgb(243, 241, 234)"
    page.emulate_media(color_scheme="dark")
    page.wait_for_function("() => document.querySelector('#traces .js-plotly-plot').layout.font.color === '#e9e5db'")
    assert paper() == "rgb(20, 24, 27)"
    page.get_by_role("button", name="Theme").click()
    page.wait_for_function("() => document.querySelector('#traces .js-plotly-plot').layout.font.color === '#1f262b'")
    page.reload()
    page.wait_for_selector("#traces .scatterlayer .trace")
    assert paper() == "rgb(243, 241, 234)"
    assert ink() == "#1f262b"


def test_hostile_names_are_only_words(tab: Tab) -> None:
    page = tab.open("/")
    expect(page.locator("tr", has_text="onerror")).to_be_visible()
    expect(page.locator(".unreadable")).to_contain_text("<script>")
    page = tab.drive(run_id="hostile")
    expect(page.locator("h1")).to_have_text(HOSTILE)
    expect(page.locator(".title .note")).to_contain_text(HOSTILE)
    page.wait_for_selector("#figures h3")
    assert page.evaluate("() => window.harmed") is None
    assert page.locator("main img, main script").count() == 0


@pytest.mark.parametrize("path", ["/run/nowhere", "/run/..%2F..%2Fetc", "/elsewhere"])
def test_an_address_of_nothing(tab: Tab, path: str) -> None:
    page = tab.open(path)
    expect(page.locator("main .message")).to_contain_text("To the list of runs")


def test_a_part_beyond_the_end(tab: Tab) -> None:
    """The error is said on the page, and the way back is there."""
    page = tab.open("/run/demo-cart?from=5000&to=6000")
    expect(page.locator("#cards .message")).to_contain_text("no samples between")
    page.get_by_role("button", name="Whole run").click()
    page.wait_for_selector(".card")


@pytest.mark.parametrize("path", ["/", "/run/demo-cart", "/run/demo-cart?from=100&to=160&see_from=120&see_to=130"])
def test_a_telephone_needs_no_sideways_scrolling(phone: Tab, path: str) -> None:
    page = phone.open(path)
    if path != "/":
        page.wait_for_selector("#laps-picture .trace")
        page.wait_for_selector("#figures h3")
    else:
        page.wait_for_selector(".runs")
    assert page.evaluate("() => document.documentElement.scrollWidth") <= 390
    wide = page.evaluate(
        """() => [...document.querySelectorAll('main *')].filter(e => !e.closest('.wide, svg, .js-plotly-plot'))
        .filter(e => e.getBoundingClientRect().right > 391).map(e => e.outerHTML.slice(0, 80))"""
    )
    assert wide == []


def test_it_prints(tab: Tab) -> None:
    """On paper there are answers and pictures, and nothing to press."""
    page = tab.drive()
    page.wait_for_selector("#exposure .trace")
    page.emulate_media(media="print")
    expect(page.locator(".card").first).to_be_visible()
    assert page.locator("button:visible, nav:visible").count() == 0
    assert page.pdf(prefer_css_page_size=True).startswith(b"%PDF")
