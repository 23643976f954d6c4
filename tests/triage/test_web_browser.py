"""The shop page in a real browser: a phone from the camera button to the corrected result."""

from __future__ import annotations

import re
import shutil

import pytest

from tests.triage.shop import half_size, served
from triage.web.photo_pages import STAGES

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
PAGES = (
    "/",
    "/samples",
    "/samples/1",
    "/compare?before=1&after=2",
    "/machines",
    "/machines/1",
    "/card",
    "/settings",
    "/shop",
    "/filters",
)
SIZES = ((360, 740), (820, 1180), (1280, 800))
playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed (extra `test`)")
if CHROMIUM is None:
    pytest.skip("no Chromium on this computer (Debian: apt-get install chromium)", allow_module_level=True)


@pytest.fixture(scope="module")
def chromium():
    with playwright.sync_playwright() as started:
        running = started.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield running
        running.close()


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """The page, open to the network where this computer is on one that phones could share."""
    options = ("--share",) if _on_a_network() else ()
    with served(tmp_path_factory.mktemp("shop"), *options) as running:
        yield running


def _on_a_network() -> bool:
    from triage.errors import UserError
    from triage.web.serve import _own_address

    try:
        return bool(_own_address())
    except UserError:
        return False


@pytest.fixture(scope="module")
def address(shop):
    """The page's address on its own computer."""
    return shop.address


@pytest.fixture(scope="module")
def phone(chromium, shop):
    """A phone that was paired and has photographed two samples, and what its console complained of."""
    base = shop.link.split("/pair/")[0] or shop.address
    context = chromium.new_context(
        base_url=base, viewport={"width": 360, "height": 740}, has_touch=True, is_mobile=True
    )
    page = context.new_page()
    page.complaints = []
    page.on("console", lambda told: page.complaints.append(told.text) if told.type == "error" else None)
    page.on("pageerror", lambda error: page.complaints.append(str(error)))
    if shop.link:
        page.goto(shop.link)
        page.get_by_role("button", name="Pair this phone").click()
        page.wait_for_url(f"{base}/")
    page.stages = set()
    for name in ("before", "after"):
        page.goto("/")
        photo = half_size(f"pressure_washer_PW-07_{name}.jpg")
        file = {"name": f"{name}.jpg", "mimeType": "image/jpeg", "buffer": photo}
        page.set_input_files("#camera", file)
        page.wait_for_url("**/photos/*")
        page.stages.add(page.inner_text(".stages .now"))
        page.fill("[name=unit]", "PW-07")
        page.check("[value=tank]")
        page.check("[name=noticed][value=none]")
        page.get_by_role("button", name=re.compile("Keep these answers")).click()
        page.wait_for_url("**/samples/*", timeout=90_000)
    yield page
    context.close()


def test_the_photo_becomes_a_sample_of_its_machine_with_what_was_noticed(phone):
    phone.goto("/samples/2")

    assert phone.inner_text("h1") == "PW-07"
    assert phone.is_checked("#answers [name=noticed][value=none]")
    assert phone.complaints == []
    assert phone.stages <= set(STAGES)  # what it said while it was at work


@pytest.mark.usefixtures("phone")
def test_a_phone_is_let_in_by_its_code_only(chromium, shop):
    if not shop.link:
        pytest.skip("this computer is on no network that phones could share")
    context = chromium.new_context(base_url=shop.link.split("/pair/")[0])
    stranger = context.new_page()
    stranger.goto("/samples/1")
    told = stranger.inner_text("main")
    stranger.goto(shop.link)  # used up by the phone
    stranger.get_by_role("button", name="Pair this phone").click()
    late = stranger.inner_text("main")
    context.close()

    assert "scan the code" in told
    assert "PW-07" not in told + late
    assert "used or is too old" in late


def test_report_and_card_come_as_pdfs_to_print(phone):
    import pypdfium2

    report, card = (phone.request.get(path) for path in ("/samples/1/report.pdf", "/card.pdf"))
    text = pypdfium2.PdfDocument(report.body())[0].get_textpage().get_text_range()

    assert "PW-07" in text
    assert "What we found" in text
    assert re.search(r'filename="PW-07_.*_sample-1.pdf"', report.headers["content-disposition"])
    assert len(pypdfium2.PdfDocument(card.body())) >= 1


def test_a_piece_is_tapped_renamed_and_left_out(phone):
    phone.goto("/samples/1")
    phone.wait_for_selector(".photo path")
    piece = phone.evaluate("known.pieces.find((each) => !each.small && !each.edge)")
    place = phone.evaluate(
        """(piece) => {
            svg.scrollIntoView({ block: "center" });
            const frame = svg.getBoundingClientRect();
            return [frame.left + (piece.x - box[0]) / box[2] * frame.width,
                    frame.top + (piece.y - box[1]) / box[3] * frame.height];
        }""",
        piece,
    )
    phone.touchscreen.tap(*place)
    told = phone.inner_text("[data-told]")
    before = counted(phone)
    phone.fill("[name=who]", "AB")
    phone.select_option("[data-piece] [name=kind]", "rubber")
    phone.get_by_role("button", name="Correct the kind").click()
    phone.get_by_text("said to be rubber crumb. Kept").wait_for()
    phone.get_by_role("button", name="Forget this kind").click()
    phone.get_by_text("Forgotten; the piece is again what it looks like").wait_for()
    gone = phone.get_by_role("button", name="Forget this kind").is_visible()
    phone.get_by_role("button", name="Leave it out").click()
    phone.get_by_text("Left out. Kept").wait_for()

    assert "µm" in told
    assert " in)" in told
    assert not gone
    assert counted(phone) == before - 1
    assert phone.complaints == []


def test_an_area_is_drawn_by_two_taps_left_out_and_counted_again(phone):
    phone.goto("/samples/1")
    phone.wait_for_selector(".photo path")
    before = counted(phone)
    phone.get_by_text("Leave out an area", exact=True).click()
    phone.wait_for_selector(".photo svg.drawing")  # the browser tells of an opened box a moment later
    frame = phone.locator(".photo svg").bounding_box()
    for part in (0.2, 0.6):
        phone.touchscreen.tap(frame["x"] + part * frame["width"], frame["y"] + part * frame["height"])
    phone.fill("[data-area-form] [name=who]", "AB")
    phone.get_by_role("button", name="Leave this area out").click()
    phone.get_by_text("That area is left out").wait_for()
    without = counted(phone)
    left = phone.evaluate("known.areas[0].map(Math.round)")
    phone.get_by_role("button", name="Count area 1 again").click()
    phone.get_by_text("Area 1 is counted again").wait_for()

    assert without < before == counted(phone)
    assert left[3] == pytest.approx(0.4 * phone.evaluate("whole[2]"), rel=0.03)
    assert phone.complaints == []


def test_an_area_is_dragged_with_a_mouse(chromium, address, phone):
    context = chromium.new_context(base_url=address, viewport={"width": 1280, "height": 900})
    page = context.new_page()
    page.goto("/samples/2")
    page.wait_for_selector(".photo path")
    page.get_by_text("Leave out an area", exact=True).click()
    page.wait_for_selector(".photo svg.drawing")  # the browser tells of an opened box a moment later
    frame = page.locator(".photo svg").bounding_box()
    middle = [frame["x"] + frame["width"] / 2, frame["y"] + frame["height"] / 2]
    page.mouse.move(*middle)
    page.mouse.down()
    page.mouse.move(middle[0] + 60, middle[1] + 40, steps=4)
    page.mouse.up()
    drawn = page.locator(".photo rect.drawn").bounding_box()
    context.close()

    assert phone.complaints == []
    assert (drawn["width"], drawn["height"]) == pytest.approx((60, 40), abs=4)


def counted(page) -> int:
    return int(re.findall(r"we counted (\d+) piece", page.inner_text("#findings"))[0])


def test_before_and_after_are_compared(phone):
    phone.goto("/compare?before=1&after=2")

    assert phone.inner_text(".headline").startswith("Cleaner")


def test_a_broken_line_is_told_and_the_photo_sent_again(phone):
    phone.goto("/")
    fails = []

    def cut(route):
        if len(fails) < 1:
            fails.append(route.request.url)
            route.abort()
        else:
            route.continue_()

    phone.route("**/photos/*/0", cut)
    photo = half_size("pressure_washer_PW-07_after.jpg")
    phone.set_input_files("#camera", {"name": "a.jpg", "mimeType": "image/jpeg", "buffer": photo})
    phone.get_by_text("Trying again by itself").wait_for()
    phone.wait_for_url("**/photos/*")
    phone.unroute("**/photos/*/0")

    assert len(fails) == 1


@pytest.mark.usefixtures("phone")
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_page_has_a_serious_fault_for_screen_readers_or_runs_over_its_edge(chromium, address, scheme):
    axe = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="axe is not installed (extra `test`)"
    ).Axe()
    faults, passed = [], 0
    context = chromium.new_context(base_url=address, color_scheme=scheme, bypass_csp=True)
    page = context.new_page()
    for path in PAGES:
        page.goto(path)
        page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
        found = axe.run(page).response
        passed += len(found["passes"])
        faults += [f"{path}: {each['id']}" for each in found["violations"] if each["impact"] != "minor"]
        for width, height in SIZES:
            page.set_viewport_size({"width": width, "height": height})
            if page.evaluate("document.documentElement.scrollWidth > innerWidth"):
                faults.append(f"{path} is wider than {width}")
    context.close()

    assert passed > 50
    assert faults == []


@pytest.mark.usefixtures("phone")
def test_targets_are_big_enough_for_gloves(chromium, address):
    context = chromium.new_context(base_url=address, viewport={"width": 360, "height": 740})
    page = context.new_page()
    small = []
    for path in PAGES:
        page.goto(path)
        small += page.evaluate(
            """() => [...document.querySelectorAll("button, .button, nav a, select, summary, .chip, .big")]
                .filter((each) => each.offsetParent && each.getBoundingClientRect().height < 47.5)
                .map((each) => each.textContent.trim())"""
        )
    context.close()

    assert small == []
