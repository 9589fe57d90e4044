"""The owner's stories in a real browser: nothing wrong in the console, nothing from outside, nothing hard to reach."""

from __future__ import annotations

import pytest
from axe_playwright_python.sync_playwright import Axe

from logbook.dashboard import PAGES, create_app
from tests.dashboard import samples
from tests.dashboard.conftest import answers_from

pytestmark = pytest.mark.browser

PHONE = {"viewport": {"width": 390, "height": 844}, "is_mobile": True, "has_touch": True}
LAPTOP = {"viewport": {"width": 1440, "height": 900}}
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}
"""Web Content Accessibility Guidelines 2.2, levels A and AA, as far as axe-core can check them."""


@pytest.fixture(
    params=[(PHONE, "light"), (PHONE, "dark"), (LAPTOP, "light"), (LAPTOP, "dark")],
    ids=lambda view: f"{view[0]['viewport']['width']}-{view[1]}",
)
def reader(browser, request):
    """A browser of one size and scheme that tells at the end whether anything went wrong."""
    device, scheme = request.param
    yield from watched(browser, device, scheme)


@pytest.fixture
def laptop(browser):
    yield from watched(browser, LAPTOP, "light")


def watched(browser, device, scheme, expected=()):
    """A page that must come through without trouble but for what a test itself brings about."""
    context = browser.new_context(**device, color_scheme=scheme, locale="en-GB", timezone_id="America/Lima")
    page = context.new_page()
    troubles, requests = [], []
    page.on("console", lambda message: troubles.append(message.text) if message.type in {"error", "warning"} else None)
    page.on("pageerror", lambda error: troubles.append(str(error)))
    page.on("request", lambda sent: requests.append(sent.url))
    yield page
    home = "/".join(page.url.split("/")[:3])
    context.close()
    assert [trouble for trouble in troubles if not any(words in trouble for words in expected)] == []
    assert [url for url in requests if not url.startswith((home, "data:", "blob:"))] == []


def visit(page, url):
    page.goto(url)
    settled(page)


def settled(page):
    page.wait_for_selector("#content .page")
    page.wait_for_load_state("networkidle")


def until(page, expression, arg=None):
    """Wait until an expression holds; asked from outside, as the page's policy forbids evaluation inside it."""
    for _ in range(200):
        if page.evaluate(expression, arg):
            return
        page.wait_for_timeout(50)
    raise AssertionError(f"never came true: {expression}")


def no_trouble_reading(page):
    """Nothing sticks out sideways, and axe finds nothing.

    The width is the device's: a phone's window grows with what sticks out of it.
    """
    assert page.evaluate("document.documentElement.scrollWidth") <= page.viewport_size["width"]
    found = Axe().run(page, options=RULES).response["violations"]
    assert [(item["id"], [node["html"] for node in item["nodes"]]) for item in found] == []


QUESTIONS = [page.path.replace("<pack>", "1") for page in PAGES if "<pack>" in page.path]
OTHERS = ["/", "/pack/2", "/pack/3", "/pack/4", "/pack/5", "/imports", "/settings"]


def test_every_page_is_clean_on_phone_and_laptop_light_and_dark(reader, full_url):
    for path in [*QUESTIONS, *OTHERS]:
        visit(reader, full_url + path)
        for menu in reader.locator("details:visible:not(.contents-narrow) > summary").all():
            menu.click()

        no_trouble_reading(reader)


def test_a_long_name_without_a_blank_stays_on_the_sheet(reader, serve_live):
    health = samples.full("Donaudampfschifffahrtsgesellschaftskapitänsmützenbatterieohneleerzeichen")
    url = serve_live(create_app(answers_from({1: health})))

    for path in ["/", "/imports", *QUESTIONS]:
        visit(reader, url + path)

        no_trouble_reading(reader)


def test_an_address_that_leads_nowhere_is_a_clean_page_too(browser, full_url):
    for page in watched(browser, PHONE, "light", expected=("status of 404",)):
        for path, words in (("/pack/77", "There is no such pack"), ("/nowhere", "There is no page at this address.")):
            visit(page, full_url + path)

            assert words in page.text_content("main")
            no_trouble_reading(page)


def test_the_first_visit_to_an_empty_logbook_is_told_how_to_begin(reader, empty_url):
    visit(reader, empty_url)

    assert "No pack is in this logbook yet." in reader.text_content("main")
    no_trouble_reading(reader)


def test_a_pack_is_reached_by_keyboard_and_its_heading_gets_the_focus(laptop, full_url):
    visit(laptop, full_url)

    laptop.get_by_role("link", name="House", exact=True).focus()
    laptop.keyboard.press("Enter")
    laptop.wait_for_selector("h1:text('House')")
    until(laptop, "document.activeElement.tagName === 'H1'")

    assert laptop.url.endswith("/pack/1")
    assert laptop.title() == "House: At a glance · logbook"


def test_a_link_can_be_shared_and_reloaded(laptop, full_url):
    visit(laptop, f"{full_url}/pack/2")
    before = laptop.text_content("main")
    laptop.reload()
    settled(laptop)

    assert laptop.text_content("main") == before
    assert "sudden loss" in before


def test_light_and_dark_can_be_switched_and_the_choice_is_kept(laptop, full_url):
    visit(laptop, full_url)

    laptop.get_by_role("button", name="Dark").click()
    laptop.wait_for_selector("html[data-mantine-color-scheme=dark]")
    laptop.reload()
    settled(laptop)

    assert laptop.get_attribute("html", "data-mantine-color-scheme") == "dark"
    no_trouble_reading(laptop)


def test_a_finger_scrolls_the_page_over_a_chart(browser, full_url):
    for page in watched(browser, PHONE, "light"):
        visit(page, f"{full_url}/pack/1")
        page.locator(".graph-box").first.scroll_into_view_if_needed()
        box = page.locator(".graph-box").first.bounding_box()
        before = page.evaluate("window.scrollY")
        swipe_up(page, box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)

        until(page, f"window.scrollY > {before} + 60")


def swipe_up(page, x, y, distance=150):
    """A finger that moves up, as the browser gets it from a touch screen."""
    session = page.context.new_cdp_session(page)
    session.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [{"x": x, "y": y}]})
    for step in range(1, 11):
        point = {"x": x, "y": y - distance * step / 10}
        session.send("Input.dispatchTouchEvent", {"type": "touchMove", "touchPoints": [point]})
    session.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})


def test_no_chart_offers_to_send_it_anywhere(laptop, full_url):
    visit(laptop, f"{full_url}/pack/1")
    laptop.wait_for_selector(".js-plotly-plot .main-svg")

    titles = laptop.locator("[data-title]").evaluate_all("found => found.map(item => item.dataset.title)")
    assert not [title for title in titles if "share" in title.lower() or "cloud" in title.lower()]


def test_the_page_prints_without_its_controls(laptop, full_url):
    visit(laptop, f"{full_url}/pack/1")
    laptop.emulate_media(media="print", color_scheme="light")

    assert not laptop.locator(".top").is_visible()
    assert laptop.locator(".sentence").first.is_visible()


MOST_BYTES = 1_200_000


def test_the_first_page_is_light_and_nothing_jumps_while_it_comes(browser, full_url):
    """1.2 MB on the wire; a layout shift below 0.1 is called good by the Core Web Vitals."""
    for page in watched(browser, LAPTOP, "light"):
        page.add_init_script(
            "window.shift = 0; new PerformanceObserver(list => list.getEntries().forEach(entry => "
            "{ if (!entry.hadRecentInput) window.shift += entry.value; })).observe({type: 'layout-shift', buffered: true})"
        )
        visit(page, f"{full_url}/pack/1")
        page.wait_for_selector(".js-plotly-plot .main-svg")
        page.wait_for_timeout(300)
        names = page.evaluate("performance.getEntriesByType('resource').map(entry => entry.name)")
        assert any("assets/plotly-cartesian.min.js" in name for name in names)
        assert not any("package_data/plotly" in name for name in names)
        sizes = "performance.getEntriesByType('resource').reduce((sum, entry) => sum + entry.transferSize, 0)"

        assert 0 < page.evaluate(sizes) <= MOST_BYTES
        assert page.evaluate("window.shift") < 0.1
