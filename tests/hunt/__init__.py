"""A hunt for readings that are valid and wrong, by a signal model of its own.

``python -m tests.hunt`` draws captures of many classes, measures them as the commands do, compares
each reading with what is true of the signal, and prints what it found. It imports nothing of the
analysis and nothing of the virtual drive: :mod:`~tests.hunt.patterns` says what a head sees during
a turn, :mod:`~tests.hunt.signal` makes samples of it, :mod:`~tests.hunt.spoilers` spoil them,
:mod:`~tests.hunt.classes` name what is drawn, :mod:`~tests.hunt.through` measures,
:mod:`~tests.hunt.judge` compares, :mod:`~tests.hunt.report` prints. Classes that were written after
the analysis, by somebody who had not read it, stand apart in :mod:`~tests.hunt.further`,
and those of the live needle in :data:`~tests.hunt.live.FURTHER_LIVE`.
"""
