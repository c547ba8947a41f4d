"""Bring the catalogues up to date with the code: ``python -m tests.languages [CODE ...]``.

Of each language (those that there are, unless codes are named, which may be new) the catalogue
``app/languages/CODE.po`` gets the texts that are new, loses those that are gone, and is compiled.
"""

import sys

from app.language import ENGLISH, FOLDER, languages
from tests.languages.catalogues import compiled, missing, read, updated, written


def main(codes: list[str]) -> int:
    for code in codes or [each for each in languages() if each != ENGLISH]:
        catalogue = updated(read(code), code)
        (FOLDER / f"{code}.po").write_bytes(written(catalogue))
        (FOLDER / f"{code}.mo").write_bytes(compiled(catalogue))
        lacking = missing(catalogue)
        print(f"{code}: {len(catalogue)} texts, {len(lacking)} of them not translated")
        for words in lacking:
            print(f"  {words}")
    return 0


sys.exit(main(sys.argv[1:]))
