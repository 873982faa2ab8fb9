"""Takes the pictures of the tour and of README again: `python -m tests.browser.take_pictures`, on the invented cell."""

import io
import os
import tempfile
from pathlib import Path

from PIL import Image
from playwright.sync_api import Page, sync_playwright

from demo_data.scenario import build
from tests.browser.conftest import FLAGS, chromium, screens, settled

FOLDER = Path(__file__).parents[2] / "dashboard" / "tour"
COLOURS = 128  # enough for flat colour and text, a quarter of the size
# Picture, address, window, pixels per point, the element that is shown ('' = the window).
PICTURES = (
    ("shift", "/", (1440, 900), 1.5, ""),
    ("lap", "/lap?lap=DI-1", (1440, 900), 1.5, ""),
    ("answer", "/lap?lap=DI-1", (860, 2400), 1.5, ".st-key-lap-side"),
    ("wall", "/?wall=1", (1920, 1080), 1.0, ""),
)


def take(page: Page, element: str) -> bytes:
    """The picture of an element, or of the window, once nothing on it moves any more."""
    settled(page)
    page.wait_for_timeout(1500)  # plots draw themselves after the page has run
    return page.locator(element).screenshot() if element else page.screenshot()


def main() -> None:
    """Build the invented cell, serve it, and write every picture."""
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        os.environ.setdefault("LAPCELL_CACHE", str(Path(folder) / "kept"))
        browser = playwright.chromium.launch(executable_path=chromium(), args=FLAGS)
        with screens(build(Path(folder)).store_path) as url:
            for name, address, (width, height), scale, element in PICTURES:
                context = browser.new_context(
                    viewport={"width": width, "height": height}, device_scale_factor=scale, color_scheme="light"
                )
                page = context.new_page()
                page.set_default_timeout(120_000)
                page.goto(url + address)
                page.wait_for_selector("h1")
                picture = Image.open(io.BytesIO(take(page, element))).convert("RGB")
                few = picture.quantize(COLOURS, dither=Image.Dither.NONE)
                few.save(FOLDER / f"{name}.png", optimize=True)
                print(f"{name}.png {picture.width} x {picture.height}")
                context.close()
        browser.close()


if __name__ == "__main__":
    main()
