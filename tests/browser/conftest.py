"""A browser without window, and pages of the invented study for it to open."""

import importlib.util
import re
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from reports import render

QUIET = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--enable-logging=stderr",
]
# tells, as attributes of the page, what a reader with this window would meet
PROBE = """<script>
window.addEventListener("load", () => setTimeout(() => {
  const root = document.documentElement, over = root.scrollWidth - root.clientWidth;
  const noted = { width: innerWidth, over, asked: performance.getEntriesByType("resource").length };
  Object.assign(root.dataset, noted);
  parent.postMessage(noted, "*");
}, 3000));
</script>"""
# a window is never narrower than 500 pixels; a frame may be
FRAME = """<!DOCTYPE html><iframe src="copy.html{fragment}" width="{width_px}" height="800" style="border:0"></iframe>
<script>
addEventListener("message", (event) => Object.assign(document.documentElement.dataset, event.data));
</script>"""


@dataclass(frozen=True)
class Opened:
    """What a browser made of a page: its elements after scripts ran, and what it complained of."""

    dom: str
    complaints: tuple[str, ...]

    def noted(self, name: str) -> int:
        """A number the probe left."""
        found = re.search(rf'data-{name}="(-?\d+)"', self.dom)
        assert found, f"the probe left no {name}: did the page load?"
        return int(found[1])


def _made_up_study() -> object:
    path = Path(__file__).parents[1] / "reports" / "made_up_study.py"
    spec = importlib.util.spec_from_file_location("made_up_study", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def chromium() -> str:
    found = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if not found:
        pytest.skip("no chromium on this machine: the page was not opened in a browser")
    return found


@pytest.fixture(scope="session")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_text(render(_made_up_study().make_study()), encoding="utf-8")  # type: ignore[attr-defined]
    return path


@pytest.fixture
def visit(chromium: str, tmp_path: Path) -> Callable[..., Opened]:
    """Open a page in a window or frame so wide, with a fragment of its address and with further script run in it."""

    def _visit(path: Path, fragment: str = "", width_px: int = 1280, script: str = "") -> Opened:
        copy = tmp_path / "copy.html"
        text = path.read_text(encoding="utf-8")
        before, _, after = text.rpartition("</body>")
        copy.write_text(f"{before}{PROBE}<script>{script}</script></body>{after}", encoding="utf-8")
        address = copy.as_uri() + fragment
        if width_px < 500:
            frame = tmp_path / "frame.html"
            frame.write_text(FRAME.format(fragment=fragment, width_px=width_px), encoding="utf-8")
            address = frame.as_uri()
        command = [
            chromium, *QUIET, f"--user-data-dir={tmp_path / 'profile'}", "--window-size=1280,900",
            "--virtual-time-budget=20000", "--dump-dom", address,
        ]  # fmt: skip
        done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)
        complaints = [line for line in done.stderr.splitlines() if "CONSOLE" in line]
        return Opened(done.stdout, tuple(complaints))

    return _visit
