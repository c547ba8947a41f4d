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


def all_pages(window, wait):
    """Show each page and each view of the needle's, one after the other, and name it.

    `wait` lets the window go on until what it is given returns True.
    """
    yield from kinds_of_sources(window)
    for show in (
        window.show_drives,
        window.show_help,
        window.show_practice,
        window.show_debrief,
        window.show_probe,
    ):
        show()
        yield show.__name__
    report = window.report_page
    window.show_own_report()
    wait(lambda: report.refresh() or report.is_whole)
    yield "report"
    report.ask_to_describe()
    yield "descriptions"
    window.show_needle()
    large = window.needle_page.large
    window.needle_page.toggle_large()
    for picker in (large.seen, large.decay, large.fold):
        for place in range(picker.count()):
            picker.setCurrentIndex(place)
            yield f"large trace, {picker.currentText()}"
        picker.setCurrentIndex(0)
    large._now.show()
    yield "large trace, back"
    large._now.hide()
    window.needle_page.leave_large()
