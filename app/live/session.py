"""One open source at a time, its analysis, and the newest result.

Threads: the methods are for the caller's thread (the window's or the terminal's); they return at
once, :meth:`Session.close` within two seconds. The work is done in the threads of
:mod:`app.live.running`.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import partial

from app.analysis.findings import Want
from app.analysis.reading import Message, Side
from app.live.measure import AnyAnalyser, EnvelopeOptions
from app.live.measuring import Taken, Wanted
from app.live.running import Run
from app.live.view import Controls, Listed, Listing, View
from app.profiles import Profile
from instruments.addresses import attached_sources, open_address
from instruments.source import Source, SourceRequest, parse_roles

Opener = Callable[[str, SourceRequest], Source]
"""Returns the source behind an address, not yet open; raises a SourceError."""


class Session:
    """Opens a source, runs the analysis, holds the newest view.

    Parameters
    ----------
    profile : Profile
        Disk and limits.
    options : EnvelopeOptions, optional
        What is stated about an envelope column. The first source opened must have one then; in
        later ones, which the user may choose for practice, it counts where there is one.
    opener : callable, optional
        From an address to a source.
    """

    def __init__(
        self,
        profile: Profile,
        options: EnvelopeOptions | None = None,
        opener: Opener = open_address,
    ) -> None:
        self.profile = profile
        self._options = options or EnvelopeOptions()
        self._opener = opener
        self._run: Run | None = None
        self._opened: tuple[str, str | None] | None = None
        self._is_first = True

    def open(self, address: str, roles: str | None = None) -> None:
        """Close what is open and open `address` in the background; :meth:`view` tells the rest.

        Parameters
        ----------
        address : str
            For example ``sim:``.
        roles : str or None
            As ``--roles`` has them; None leaves them to the source.
        """
        run = Run(
            address,
            partial(_make, self._opener, address, roles),
            self.profile,
            self._options,
            strict=self._is_first,
        )
        self._is_first, self._opened = False, (address, roles)
        before, self._run = self._run, run
        run.start(before)

    def use(self, profile: Profile) -> None:
        """Measure by another class of drive from now on; what is open is opened again."""
        self.profile = profile
        if self._run is not None and self._opened is not None:
            self.open(*self._opened)

    def close(self) -> None:
        """Stop all threads; done within two seconds. May be called again."""
        run, self._run = self._run, None
        if run is not None:
            run.stop()

    def view(self) -> View:
        """Return the newest snapshot."""
        return self._run.view() if self._run is not None else View()

    @property
    def error(self) -> Exception | None:
        """What made the source fail: a SourceError, or the exception of a fault in the program."""
        return self._run.error if self._run is not None else None

    @property
    def controls(self) -> Controls | None:
        """The virtual drive's controls, when that is the source."""
        return self._run.controls if self._run is not None else None

    def take(self, want: Want, turns: int = 10, track: int | None = None, side: int = 0) -> None:
        """Begin a measurement beside the live needle, in place of one under way.

        Only what is sampled after this call counts. :meth:`taken` tells how far it has come.

        Parameters
        ----------
        want : Want
            What is to be found.
        turns : int
            Whole turns wanted.
        track, side : int or None, int
            Where the head stands, as far as that is known.
        """
        if self._run is not None:
            wanted = Wanted(want, turns, track, side)
            self._run.measurements.take(wanted, time.monotonic())

    def taken(self) -> Taken | None:
        """Return how far the measurement has come, None where none was asked for."""
        return self._run.taken() if self._run is not None else None

    def cancel_take(self) -> None:
        """Let go of a measurement under way, or of what came of it."""
        if self._run is not None:
            self._run.measurements.cancel()

    def begin_teaching(self) -> Message | None:
        """Remember the balance now; the person then nudges outward and calls :meth:`teach`.

        Returns what is missing when nothing can be remembered.
        """
        return self._teach(lambda analyser: analyser.begin_teaching())

    def teach(self, side: Side) -> Message | None:
        """Learn the sign from the change since :meth:`begin_teaching`.

        Parameters
        ----------
        side : Side
            Where the head has gone since.

        Returns
        -------
        Message or None
            What to do when nothing could be learned.
        """
        return self._teach(lambda analyser: analyser.teach(side))

    def cancel_teaching(self) -> None:
        """Forget a teaching under way."""
        self._teach(_forget_teaching)

    def listed(self) -> Listing:
        """Return what can be opened now.

        May take three seconds: call it from a worker.
        """
        found = attached_sources()
        return Listing(
            tuple(Listed(address, title) for address, title in found.sources), found.hints
        )

    def _teach(self, what: Callable[[AnyAnalyser], Message | None]) -> Message | None:
        return self._run.analysing.teach(what) if self._run is not None else None


def _make(opener: Opener, address: str, roles: str | None) -> Source:
    wanted = parse_roles(roles) if roles is not None else None
    return opener(address, SourceRequest(roles=wanted))


def _forget_teaching(analyser: AnyAnalyser) -> None:
    analyser.cancel_teaching()
