"""The kinds of sources, each with a form that the window makes when it is first asked for."""

from app.live.opening import KINDS


def kinds_of_sources(window):
    """Show the form of each kind of source, one after the other, and name the kind."""
    for kind in KINDS.values():
        window.show_sources()
        window.source_page.show_address(f"{kind.scheme}:")
        yield kind.scheme
