"""The report in a real browser engine: shown as it should be, and nothing run or fetched."""

import http.server
import re
import subprocess
import threading

import numpy as np
import pytest
from PySide6.QtGui import QImage

from app.report.content import report_of
from app.report.html import page_of
from tests.app.book.museum import HISTORY, HOSTILE, hostile, made_virtual, record, solid_grey

SCRIPT = "<script>document.title = 'ran'; document.body.append('scripted')</script>"


@pytest.fixture
def browser(tmp_path):
    """Return what runs the browser once on a page, with a profile of its own."""

    def run(markup, *options):
        page = tmp_path / "report.html"
        page.write_text(markup, encoding="utf-8")
        words = [
            "chromium",
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-dev-shm-usage",
            "--no-first-run",
            f"--user-data-dir={tmp_path / 'profile'}",
            *options,
            page.as_uri(),
        ]
        return subprocess.run(words, check=True, capture_output=True, timeout=90).stdout.decode()

    return run


@pytest.fixture
def asked():
    """Serve on this machine; yields the port and the paths that were asked for."""
    paths = []

    class Handler(http.server.BaseHTTPRequestHandler):
        def do_GET(self):
            paths.append(self.path)
            self.send_error(404)

        def log_message(self, *_):
            pass

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield server.server_port, paths
    server.shutdown()
    thread.join()
    server.server_close()


def test_hostile_words_stay_words(browser):
    dumped = browser(page_of(report_of(hostile(record(), HOSTILE), HISTORY)), "--dump-dom")
    assert "<script" not in dumped
    assert "<img" not in dumped
    assert "&lt;script&gt;document.title='owned'&lt;/script&gt;" in dumped
    (title,) = re.findall(r"<title>(.*?)</title>", dumped, re.DOTALL)
    assert title.startswith("Alignment report: &lt;/style&gt;")
    assert dumped.count("<section") == dumped.count("</section>") > 10


@pytest.mark.few(1)
@pytest.mark.parametrize("with_policy", [True, False])
def test_the_policy_holds_even_where_markup_got_in(browser, asked, with_policy):
    """The same page without its policy runs and fetches: the test would see it."""
    port, paths = asked
    markup = page_of(report_of(record()))
    if not with_policy:
        markup = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", markup)
    address = f"http://127.0.0.1:{port}"
    slipped = f'{SCRIPT}<img src="{address}/image"><link rel="stylesheet" href="{address}/style">'
    dumped = browser(markup.replace("</body>", f"{slipped}</body>"), "--dump-dom")
    ran = "<title>ran</title>" in dumped
    assert (ran, bool(paths)) == ((False, False) if with_policy else (True, True))


@pytest.mark.few(1)
@pytest.mark.parametrize("is_virtual", [True, False])
def test_the_virtual_drive_is_marked_on_every_printed_page(browser, tmp_path, is_virtual):
    job = made_virtual(record()) if is_virtual else record()
    printed = tmp_path / "printed.pdf"
    browser(
        page_of(report_of(job, HISTORY)),
        "--no-pdf-header-footer",
        f"--print-to-pdf={printed}",
    )
    subprocess.run(
        ["pdftoppm", "-r", "50", "-gray", "-png", printed, tmp_path / "page"], check=True
    )
    pages = sorted(tmp_path.glob("page*.png"))
    assert 2 <= len(pages) <= 6
    for page in pages:
        marked = solid_grey(grey(QImage(str(page))))
        assert marked.any() == is_virtual
        if is_virtual:
            down, across = np.nonzero(marked)
            assert np.ptp(down) > 0.6 * marked.shape[0]
            assert np.ptp(across) > 0.6 * marked.shape[1]


def test_the_page_is_shown_with_its_style_and_drawings(browser, tmp_path):
    shot = tmp_path / "shot.png"
    browser(
        page_of(report_of(record(), HISTORY)),
        "--hide-scrollbars",
        "--window-size=900,2600",
        f"--screenshot={shot}",
    )
    picture = grey(QImage(str(shot)))
    assert picture.shape == (2600, 900)
    dark = picture < 100
    # Titles' lines go across the text's width, which the style alone makes.
    lines = np.flatnonzero(dark.mean(axis=1) > 0.6)
    assert lines.size >= 8
    assert 0.01 < dark.mean() < 0.2
    # A screen is wider than the text, which stands in its middle.
    across = np.flatnonzero(dark.any(axis=0))
    assert across[0] > 60
    assert across[-1] < 840


def grey(image):
    image = image.convertToFormat(QImage.Format.Format_Grayscale8)
    rows = np.frombuffer(image.constBits(), np.uint8).reshape(image.height(), -1)
    return rows[:, : image.width()].copy()
