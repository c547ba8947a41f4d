"""Catalogues of the window's languages: what there is to translate, and whether it is."""
