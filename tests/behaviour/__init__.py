"""What the program does, seen from outside: recorded into plain files, and compared.

``python -m tests.behaviour record FOLDER [--root CHECKOUT]`` and
``python -m tests.behaviour compare OLD NEW``. Nothing here imports the program: it is run as a
process and its files are read, so a recording stands however the modules are laid out.
"""
