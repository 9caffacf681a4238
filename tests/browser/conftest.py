"""A real browser, and JupyterLab served from a copy of the checkout; skipped with a message where there is none."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

from selection.records.intake.recording import record

ROOT = Path(__file__).resolve().parents[2]
BROWSERS = ("chromium", "chromium-browser", "google-chrome")
STARTS_WITHIN = 90
"""Seconds in which the lab must answer, on a busy machine."""


@pytest.fixture(scope="session")
def browser():
    """A headless browser of this machine."""
    playwright = pytest.importorskip("playwright.sync_api", reason="no playwright: pip install '.[dev]'")
    found = next((path for name in BROWSERS if (path := shutil.which(name))), None)
    if found is None:
        pytest.skip("no browser on this machine: install chromium")
    with playwright.sync_playwright() as engine:
        browser = engine.chromium.launch(executable_path=found, args=["--no-sandbox", "--disable-gpu"])
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def checkout(tmp_path_factory) -> Path:
    """A folder with the notebooks, the demo's forms, and the demo recorded as a flock."""
    root = tmp_path_factory.mktemp("checkout")
    shutil.copytree(
        ROOT / "notebooks", root / "notebooks", ignore=shutil.ignore_patterns(".ipynb_checkpoints")
    )
    shutil.copytree(ROOT / "demo" / "forms", root / "demo" / "forms")
    assert record(root / "demo" / "flock", root / "demo" / "forms").status == 0
    return root


@pytest.fixture(scope="session")
def lab(checkout: Path) -> Iterator[str]:
    """The address of a JupyterLab of its own: own port, configuration, data and runtime folders."""
    port = _free_port()
    own = {name: str(checkout / ".jupyter" / name) for name in ("config", "data", "runtime", "ipython")}
    environment = os.environ | {
        "JUPYTER_CONFIG_DIR": own["config"],
        "JUPYTER_DATA_DIR": own["data"],
        "JUPYTER_RUNTIME_DIR": own["runtime"],
        "IPYTHONDIR": own["ipython"],
        "PYTHONPATH": str(ROOT),
    }
    _settings(Path(own["config"]))
    command = [
        sys.executable, "-m", "jupyterlab", "--no-browser", "--allow-root", f"--port={port}", "--port-retries=0",
        f"--ServerApp.root_dir={checkout}", "--IdentityProvider.token=", "--LabApp.expose_app_in_browser=True",
    ]  # fmt: skip
    with (checkout / "lab.log").open("wb") as log:
        server = subprocess.Popen(command, env=environment, stdout=log, stderr=log, cwd=checkout)
    try:
        address = f"http://127.0.0.1:{port}"
        _wait_for(f"{address}/api", server, checkout / "lab.log")
        yield address
    finally:
        server.terminate()
        server.wait(30)


def _settings(config: Path) -> None:
    """Have the lab draw every cell, not those in sight alone, and ask no questions of its own."""
    wanted = {
        "notebook-extension/tracker": '{"windowingMode": "none"}',
        "apputils-extension/notification": '{"fetchNews": "false", "checkForUpdates": false}',
    }
    for name, text in wanted.items():
        path = config / "lab" / "user-settings" / "@jupyterlab" / f"{name}.jupyterlab-settings"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _wait_for(address: str, server: subprocess.Popen, log: Path) -> None:
    """Until the server answers; its own words where it ends instead."""
    end = time.monotonic() + STARTS_WITHIN
    while time.monotonic() < end:
        if server.poll() is not None:
            pytest.fail(f"the lab ended:\n{log.read_text()[-2000:]}")
        try:
            with urllib.request.urlopen(address, timeout=2):
                return
        except OSError:
            time.sleep(0.3)
    pytest.fail(f"the lab did not answer in {STARTS_WITHIN} s:\n{log.read_text()[-2000:]}")
