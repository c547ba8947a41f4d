"""A report on paper: PDF, and its pages as pictures."""

from app.printing.pages import PAPERS, PrintFault, pages_of, write_pdf

__all__ = ["PAPERS", "PrintFault", "pages_of", "write_pdf"]
