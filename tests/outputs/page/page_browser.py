"""A real Chromium without a network, and all that it asks for or complains of."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
NEEDED = "Chromium is not installed here (DEVELOPERS.md, what some tests need)"
DESK, PHONE = (1440, 900), (390, 844)


@dataclass
class Opened:
    """A page in the browser."""

    page: Page
    requests: list[str] = field(default_factory=list)
    stopped: set[str] = field(default_factory=set)
    """Requests that the page's own policy stopped."""
    complaints: list[str] = field(default_factory=list)
    """Errors, warnings, dialogs."""

    def texts(self, selector: str) -> list[str]:
        return [" ".join(text.split()) for text in self.page.locator(selector).all_inner_texts()]

    def rows(self) -> list[str]:
        """The parcels in the list, from the top."""
        return self.page.locator("#parcels tbody button").all_text_contents()

    def choose(self, parcel: str, zone: str | None = None) -> None:
        self.page.evaluate(
            "id => [...document.querySelectorAll('#parcels tbody button')].find(b => b.textContent === id).click()",
            parcel,
        )
        if zone is not None:
            self.page.evaluate(
                "id => [...document.querySelectorAll('.zones button')].find("
                "b => b.querySelector('b').textContent === id).click()",
                zone,
            )


@contextmanager
def opened(file: Path, size: tuple[int, int] = DESK, scheme: str = "light", after: str = "") -> Iterator[Opened]:
    """A file opened from the disk, the network cut. after: what follows its name."""
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        context = browser.new_context(viewport={"width": size[0], "height": size[1]}, color_scheme=scheme)
        context.set_offline(True)
        page = context.new_page()
        found = Opened(page)
        page.on("request", lambda request: found.requests.append(request.url))
        page.on("requestfailed", lambda failed: found.stopped.update([failed.url] if failed.failure == "csp" else []))
        page.on("console", lambda said: found.complaints.append(f"{said.type}: {said.text}"))
        page.on("pageerror", lambda error: found.complaints.append(str(error)))
        page.on("dialog", lambda dialog: (found.complaints.append(dialog.message), dialog.dismiss()))
        page.goto(file.as_uri() + after)
        yield found
        browser.close()
