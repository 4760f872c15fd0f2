"""The mail as a person opens it: Debian's chromium at the width of a telephone and of a window, light and dark."""

from __future__ import annotations

import base64
import re
from pathlib import Path

import pytest
from playwright.async_api import async_playwright

from daemon.core.outcome import Notice
from daemon.notify.compose import compose
from daemon.notify.exhibit import Exhibit
from daemon.notify.telling import Telling, Told
from daemon.plot.raster import png
from tests.support.mailserver import need
from tests.support.recordings import creamery

T0 = 1_793_797_200_000
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip
SVG = '<svg xmlns="http://www.w3.org/2000/svg" width="344" height="200"><rect width="344" height="200"/></svg>'
CONTRAST = """
() => {
  const light = c => { c = c / 255; return c <= 0.03928 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4 };
  const parts = s => s.match(/[\\d.]+/g).map(Number);
  const lum = ([r, g, b]) => 0.2126 * light(r) + 0.7152 * light(g) + 0.0722 * light(b);
  const ground = e => { for (; e; e = e.parentElement) { const c = parts(getComputedStyle(e).backgroundColor);
    if (c.length < 4 || c[3] > 0) return c }
    return matchMedia('(prefers-color-scheme: dark)').matches ? [0, 0, 0] : [255, 255, 255] };
  let least = 99;
  for (const e of document.body.querySelectorAll('*')) {
    if (![...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim())) continue;
    const a = lum(parts(getComputedStyle(e).color)), b = lum(ground(e));
    least = Math.min(least, (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05));
  }
  return least;
}
"""


def page() -> str:
    notice = Notice(
        1042, "raised", "B2", "conductivity_high", "", "high", T0, T0, 3422.0, 3300.0, "uS/cm",
        "3422 umho/cm, above the limit of 3300 umho/cm", "good", "unacknowledged",
    )  # fmt: skip
    telling = Telling(
        "news", "On call", "oncall@quillmarsh.example", (notice,), told=(Told("Facilities", T0),),
        next_told=Told("Plant manager", T0 + 1_800_000), token="1042-AB12-ABCDEFGHIJKLMNOPQRST",
    )  # fmt: skip
    picture = png(SVG, 344)
    shown = Exhibit(picture, 482, 280, "Trend of B2 conductivity", "", (("Highest", "3,499 umho/cm"),))
    message = compose(telling, creamery().plant, now_ms=T0, exhibit=shown, host="boilerhouse-pc")
    body = message.get_body(("html",))
    assert body is not None
    data = "data:image/png;base64," + base64.b64encode(picture).decode()
    return re.sub(r'cid:trend\.[^"]+', data, str(body.get_content()))


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [360, 800])
@pytest.mark.parametrize("pictures", [True, False])
async def test_it_fits_reads_and_begins_with_what_matters(
    tmp_path: Path, width: int, scheme: str, pictures: bool
) -> None:
    file = tmp_path / "mail.html"
    text = page()
    file.write_text(text if pictures else re.sub(r'src="data:[^"]+"', 'src=""', text), "utf-8")
    async with async_playwright() as p:
        browser = await p.chromium.launch(executable_path=need("chromium", "chromium"), args=list(FLAGS))
        try:
            view = await browser.new_page(viewport={"width": width, "height": 740}, color_scheme=scheme)  # type: ignore[arg-type]
            await view.goto(file.as_uri())
            assert await view.evaluate("document.documentElement.scrollWidth") == width  # nothing to scroll sideways
            assert await view.evaluate(CONTRAST) >= 4.5  # WCAG 2.1, 1.4.3
            for words in ("boiler B2", "Conductivity high", "3,422 umho/cm", "3,300", "Since", "Look at first"):
                box = await view.get_by_text(words).first.bounding_box()
                assert box is not None and box["y"] + box["height"] < 740, f"{words} is not on the first screen"
            if pictures:
                box = await view.locator("img").first.bounding_box()
                assert box is not None and box["x"] >= 0 and box["x"] + box["width"] <= width and box["width"] > 300
        finally:
            await browser.close()
