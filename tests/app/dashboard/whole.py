"""What the window makes when first asked for: some pages, and a form for each kind of source."""

from app.live.opening import KINDS


def whole(window):
    """Return the window with all of its pages."""
    pages = (window.source_page, window.drives_page, window.report_page, window.describe_page)
    assert all(page.window() is window for page in pages)
    return window


def kinds_of_sources(window):
    """Show the form of each kind of source, one after the other, and name the kind."""
    for kind in KINDS.values():
        window.show_sources()
        window.source_page.show_address(f"{kind.scheme}:")
        yield kind.scheme
