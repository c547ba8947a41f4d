"""What a report is made of: plain blocks that a page and a printer lay out, each in its way."""

from __future__ import annotations

from dataclasses import dataclass

from app.job.model import Verdict


@dataclass(frozen=True, slots=True)
class Figure:
    """A drawing.

    Attributes
    ----------
    svg : str
        SVG with ``viewBox``; holds nothing that a user typed.
    width, height : float
        Of its view box.
    caption : str
        Stands below it, and tells what is seen to whom sees it not.
    """

    svg: str
    width: float
    height: float
    caption: str


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of cells, each a text or a verdict.

    Attributes
    ----------
    head : tuple of str
        Titles of the columns; empty for none.
    rows : tuple of tuple of (str or Verdict)
        As many cells a row as columns.
    widths : tuple of float
        Of the columns, as parts of the whole; they sum to 1.
    titles : tuple of int
        Columns that name what stands beside them.
    fine : bool
        Set in small print.
    """

    head: tuple[str, ...]
    rows: tuple[tuple[str | Verdict, ...], ...]
    widths: tuple[float, ...]
    titles: tuple[int, ...] = ()
    fine: bool = False


@dataclass(frozen=True, slots=True)
class Figures:
    """Drawings side by side, all of one height."""

    items: tuple[Figure, ...]


@dataclass(frozen=True, slots=True)
class Lines:
    """Sentences, one below the other."""

    items: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Signature:
    """Places to be filled in by hand."""

    labels: tuple[str, ...]


Block = Table | Figures | Lines | Signature


@dataclass(frozen=True, slots=True)
class Section:
    """Blocks under a title."""

    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class Report:
    """A job's report.

    Attributes
    ----------
    title, identity, job : str
        What it is, of which drive, and of which job.
    lead : str
        What came of the job, in a sentence.
    verdict : Verdict
        The same as a mark.
    virtual : bool
        Whether it is of the virtual drive, which has to be seen on every page.
    sections : tuple of Section
        The rest, in order.
    """

    title: str
    identity: str
    job: str
    lead: str
    verdict: Verdict
    virtual: bool
    sections: tuple[Section, ...]
