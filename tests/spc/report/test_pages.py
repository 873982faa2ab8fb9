"""Pages as paper shows them: every page of the PDF is drawn and looked at by its ink."""

import shutil
import subprocess

import numpy as np
import pytest
from PIL import Image

from spc.report.render import render

pytestmark = pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="pdftoppm (poppler) is not installed")


@pytest.mark.parametrize(("paper", "size_mm"), [("A4", (210, 297)), ("Letter", (215.9, 279.4))])
def test_every_page_has_ink_inside_its_margins_and_a_number_at_its_foot(content, tmp_path, paper, size_mm):
    (tmp_path / "r.pdf").write_bytes(render(content, "pdf", paper=paper))
    dpi = 50
    subprocess.run(["pdftoppm", "-r", str(dpi), "-gray", "r.pdf", "p"], cwd=tmp_path, check=True)
    pages = sorted(tmp_path.glob("p-*.pgm"))
    assert len(pages) >= 4
    for page in pages:
        dark = np.asarray(Image.open(page)) < 150
        assert dark.shape == pytest.approx((size_mm[1] * dpi / 25.4, size_mm[0] * dpi / 25.4), abs=1.5)
        margin = round(10 * dpi / 25.4)
        assert not dark[:, :margin].any() and not dark[:, -margin:].any()
        assert not dark[: round(12 * dpi / 25.4)].any()
        foot = dark[-round(13 * dpi / 25.4) :]
        assert foot[:, -round(50 * dpi / 25.4) :].any()
        assert dark.mean() > 0.002
