"""The notebooks in JupyterLab: each runs on the demo, knobs are followed, and a decision reaches the flock."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from selection.records.flock import read_flock

pytestmark = pytest.mark.slow

NAMES = ["start_here", "bird"]
"""Those whose controls no other test here turns; tests/test_notebooks.py runs all, without a browser."""
PATIENCE = 400_000
"""Milliseconds for a whole notebook on a busy machine."""

OPEN = """async path => {
    const app = window.jupyterapp;
    await app.commands.execute('docmanager:open', {path, factory: 'Notebook'});
    const panel = app.shell.currentWidget;
    await panel.context.ready;
    await panel.sessionContext.ready;
    // the kernel's indicator alone lies: it is idle before anything can be sent to it
    const kernel = () => panel.sessionContext.session?.kernel;
    while (!(kernel()?.connectionStatus === 'connected' && kernel()?.status === 'idle'))
        await new Promise(done => setTimeout(done, 100));
}"""
RUN = """async () => {
    const app = window.jupyterapp;
    await app.commands.execute('notebook:run-all-cells');
    return app.shell.currentWidget.content.model.sharedModel.cells
        .filter(cell => cell.cell_type === 'code')
        .map(cell => ({
            source: cell.source,
            count: cell.execution_count,
            errors: cell.outputs.filter(o => o.output_type === 'error').map(o => `${o.ename}: ${o.evalue}`),
            shown: cell.outputs.length,
        }));
}"""


TOLD = "[...document.querySelectorAll('.widget-html')].map(widget => widget.innerText)"
IDLE = "window.jupyterapp.shell.currentWidget.sessionContext.session.kernel.status === 'idle'"


@pytest.fixture
def page(browser, lab: str):
    page = browser.new_page(viewport={"width": 1500, "height": 1000})
    page.set_default_timeout(PATIENCE)
    page.goto(f"{lab}/lab?reset")
    page.wait_for_function("window.jupyterapp !== undefined")
    page.evaluate("async () => { await window.jupyterapp.restored; }")
    yield page
    page.evaluate("async () => { await window.jupyterapp.serviceManager.sessions.shutdownAll(); }")
    page.close()


def run(page, name: str) -> list[dict]:
    """Open a notebook, run all of it, and what came of its code cells."""
    page.evaluate(OPEN, f"notebooks/{name}.ipynb")
    return page.evaluate(RUN)


@pytest.mark.parametrize("name", NAMES)
def test_a_notebook_runs_on_the_demo_without_an_error(page, name: str):
    cells = run(page, name)
    assert not [error for cell in cells for error in cell["errors"]]
    assert all(cell["count"] for cell in cells)
    assert sum(cell["shown"] > 0 for cell in cells) >= 3


def test_the_evening_from_a_knob_to_a_settled_flock(page, checkout: Path):
    cells = run(page, "selection_meeting")
    assert not [error for cell in cells for error in cell["errors"]]
    page.get_by_text("No verdict changes.").wait_for(state="attached")

    pullets = page.get_by_label("Pullets", exact=True)
    before = page.locator(".widget-html table").first.inner_text()
    page.get_by_label("Show the").select_option("pullets")
    pullets.fill(str(int(pullets.input_value()) + 1))
    pullets.press("Enter")
    page.wait_for_function(
        "() => [...document.querySelectorAll('.widget-html')].some(w => /Pullets: .* kept as well/.test(w.innerText))"
    )
    page.wait_for_function(
        "() => document.querySelector('.widget-html table').innerText.split(/\\bkeep\\b|look again/).length > 5"
    )
    assert page.locator(".widget-html table").first.inner_text() != before

    bird = page.get_by_label("Bird", exact=True).nth(1)
    chosen = bird.evaluate("select => select.options[select.selectedIndex].text")
    page.get_by_label("Decided", exact=True).select_option("sell")
    page.get_by_label("Who", exact=True).first.fill("Ann")
    page.get_by_label("Why", exact=True).fill("too tame by half")
    page.get_by_role("button", name="Record the decision").click()
    page.wait_for_selector("text=decisions: 1 taken")
    made = read_flock(checkout / "demo" / "flock").decisions
    made = made[made["why"] == "too tame by half"].iloc[-1]
    assert made["bird"] in chosen
    assert (made["decided"], made["who"], made["why"]) == ("sell", "Ann", "too tame by half")

    page.get_by_role("button", name="Settle what stands").click()
    page.wait_for_selector("text=hold the meeting again, then settle: nothing was recorded")
    first = page.locator("#first-page")
    assert "too tame by half" not in first.inner_text()
    page.get_by_role("button", name="Hold it again and show all pages anew").first.click()
    page.wait_for_function("document.querySelector('#first-page').innerText.includes('too tame by half')")
    assert "Out of date" not in page.locator(".jp-Notebook").inner_text()

    grid = page.locator(".in-grid input")
    for at in range(grid.count() - 1):
        grid.nth(at).fill(str(4 + at % 3))
    page.wait_for_function(IDLE)
    began = time.monotonic()
    grid.last.fill("5")
    page.wait_for_selector("text=By these points")
    assert time.monotonic() - began < 3, "the choice follows the points as they are typed"
    page.get_by_label("Judge", exact=True).fill("Ann")
    page.get_by_role("button", name="Record these looks").click()
    page.wait_for_function(f"{TOLD}.some(words => /scores: \\d+ taken/.test(words))")
    page.wait_for_function(f"{TOLD}.filter(words => /What changes/.test(words)).length > 1")
    flock = checkout / "demo" / "flock"
    assert (read_flock(flock).scores["judge"] == "Ann").sum() >= 2

    page.get_by_label("Who", exact=True).last.fill("Bob")
    page.get_by_role("button", name="Settle what stands").click()
    page.wait_for_function(f"{TOLD}.some(words => /settled/.test(words))")
    settled = read_flock(flock).decisions
    assert (settled["who"] == "Bob").sum() > 10
    page.get_by_role("button", name="Take all of it back").click()
    page.wait_for_function(f"{TOLD}.some(words => /taken back/.test(words))")
    assert not (read_flock(flock).decisions["who"] == "Bob").any()

    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="no axe: pip install '.[dev]'")
    found = axe.Axe().run(page, context=".jp-OutputArea-output").response["violations"]
    assert [
        (v["id"], v["nodes"][0]["html"]) for v in found if v["impact"] in ("moderate", "serious", "critical")
    ] == []
