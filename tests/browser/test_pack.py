"""The pack in a real browser: no error, no sideways scrolling on a phone, nothing cut in print, open to everyone."""

from __future__ import annotations

import pytest

from tests.show import held

PdfReader = pytest.importorskip("pypdf", reason="no pypdf: pip install '.[dev]'").PdfReader

pytestmark = pytest.mark.slow

PHONE, TABLE = 390, 1200
WIDTHS = {PHONE: (360, PHONE), TABLE: (768, 1024, TABLE, 1280)}
"""Widths that are tried for each of the two, in CSS pixels."""
A4_HEIGHT = 1122
"""Height of an A4 page in CSS pixels at 96 to the inch."""


@pytest.fixture(params=[TABLE, PHONE], ids=["laptop", "phone"])
def pack(browser, request):
    """The pack open at one width, with everything folded opened, and what its console said."""
    page = browser.new_page(viewport={"width": request.param, "height": 900})
    said: list[str] = []
    page.on("console", lambda message: said.append(f"{message.type}: {message.text}"))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on(
        "request",
        lambda asked: asked.url.startswith(("file:", "data:")) or said.append(f"asked for {asked.url}"),
    )
    page.goto((held.pack_folder() / "meeting.html").as_uri())
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    yield page, said, request.param
    page.close()


def test_it_opens_without_a_word_on_the_console_and_asks_the_network_for_nothing(pack):
    _, said, _ = pack
    assert said == []


def test_nothing_scrolls_sideways(pack):
    page, _, device = pack
    for width in WIDTHS[device]:
        page.set_viewport_size({"width": width, "height": 900})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        wider = page.evaluate(
            """width => [...document.querySelectorAll('main *')]
                .filter(e => e.getBoundingClientRect().right > width + 1 && !e.closest('thead'))
                .map(e => e.outerHTML.slice(0, 120))""",
            width,
        )
        assert wider == [], width


def test_nothing_runs_over_the_edge_of_a_card(pack):
    page, _, _ = pack
    over = page.evaluate(
        """() => [...document.querySelectorAll('.card, .sheet, .first')].flatMap(card => {
            const edge = card.getBoundingClientRect().right + 1;
            return [...card.querySelectorAll('*')]
                .filter(e => e.getBoundingClientRect().right > edge)
                .map(e => `${card.id}: ${e.outerHTML.slice(0, 80)}`);
        })"""
    )
    assert over == []


LABELS = """() => [...document.querySelectorAll('svg')].filter(s => s.getBoundingClientRect().width).flatMap(svg => {
    const edge = svg.getBoundingClientRect(), found = [];
    const words = [...svg.querySelectorAll('text')].filter(t => t.textContent.trim())
        .map(t => [t.textContent, t.getBoundingClientRect()]);
    words.forEach(([word, a], i) => {
        if (a.left < edge.left - 1 || a.right > edge.right + 1 || a.top < edge.top - 1 || a.bottom > edge.bottom + 1.5)
            found.push(`cut: ${word}`);
        words.slice(i + 1).forEach(([other, b]) => {
            const x = Math.min(a.right, b.right) - Math.max(a.left, b.left);
            const y = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
            // a line's box is higher than its letters: two lines may share that much
            if (x > 1 && y > 2.5) found.push(`${word} on ${other}`);
        });
    });
    return found;
})"""


def test_no_label_of_a_picture_lies_on_another_or_is_cut(pack):
    page, _, device = pack
    for width in WIDTHS[device]:
        page.set_viewport_size({"width": width, "height": 900})
        assert page.evaluate(LABELS) == [], width


def test_every_link_of_the_contents_leads_somewhere(pack):
    page, _, _ = pack
    lost = page.evaluate(
        "[...document.querySelectorAll('nav a')].filter(a => !document.querySelector(a.getAttribute('href'))).length"
    )
    assert lost == 0


def test_a_phone_shows_the_first_page_and_opens_what_is_asked_for(browser):
    """Not eighty screens at once: the first page lies open, and a link of the contents opens its section."""
    page = browser.new_page(viewport={"width": PHONE, "height": 844})
    page.goto((held.pack_folder() / "meeting.html").as_uri())
    lie_open = page.locator("details.section[open] > summary").all_inner_texts()
    assert [text.strip(" ▴▾") for text in lie_open] == ["Read this first"]
    assert page.evaluate("document.documentElement.scrollHeight") < 12 * 844
    page.get_by_role("link", name="Clutches").click()
    assert page.locator("details.section:has(#clutches)").get_attribute("open") is not None
    page.set_viewport_size({"width": TABLE, "height": 900})
    page.reload()
    assert page.evaluate("[...document.querySelectorAll('details.section')].every(d => d.open)")
    page.close()


def test_nothing_serious_stands_in_the_way_of_any_reader(pack):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="no axe: pip install '.[dev]'")
    page, _, _ = pack
    found = axe.Axe().run(page).response["violations"]
    serious = [
        (v["id"], v["nodes"][0]["html"]) for v in found if v["impact"] in ("moderate", "serious", "critical")
    ]
    assert serious == []


def test_in_print_every_card_is_whole_and_no_table_is_cut(browser, tmp_path):
    """The browser keeps a block whole where it fits a page: so each must be no higher, and no table wider."""
    page = browser.new_page(viewport={"width": 703, "height": A4_HEIGHT})  # A4 less its margins of 12 mm
    page.emulate_media(media="print")
    page.goto((held.pack_folder() / "meeting.html").as_uri())
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    assert page.evaluate("[...document.querySelectorAll('details')].every(d => d.open)")
    high = page.evaluate(
        """most => [...document.querySelectorAll('.card, .sheet, figure:not(.policies), .policy, .first')]
            .filter(e => e.getBoundingClientRect().height > most || getComputedStyle(e).breakInside !== 'avoid')
            .map(e => [e.className, e.getBoundingClientRect().height])""",
        A4_HEIGHT - 100,
    )
    assert [e for e in high if e[0] != "first"] == []
    wide = page.evaluate(
        "[...document.querySelectorAll('table')].filter(t => t.getBoundingClientRect().right > innerWidth + 1).length"
    )
    assert wide == 0
    orphans = page.evaluate(
        """[...document.querySelectorAll('h2, h3, caption')]
            .filter(h => getComputedStyle(h).breakAfter !== 'avoid').length"""
    )
    assert orphans == 0
    printed = tmp_path / "meeting.pdf"
    page.pdf(path=printed, prefer_css_page_size=True, print_background=True)
    pages = [_filled(sheet) for sheet in PdfReader(printed).pages]
    assert all(share >= 1 / 3 for share in pages[:-1]), pages
    page.close()


def _filled(sheet) -> float:
    """How far down a printed page its text goes, its foot left out, as a share of the height."""
    high, lowest = float(sheet.mediabox.height), []

    def seen(text, matrix, place, *_):
        at = matrix[3] * place[5] + matrix[5]
        if text.strip() and at > 0.06 * high:
            lowest.append(at)

    sheet.extract_text(visitor_text=seen)
    return 1 - min(lowest, default=high) / high
