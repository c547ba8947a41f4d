"""Probes tell what is reached, and by which test; the program does what it did."""

import ast
import traceback

import pytest

from tests.mutations.probes import PROBE, probed

SOURCE = '''
def f(a, b=3):
    """A docstring."""
    if a == 1:
        x = [each for each in range(b) if each]
    elif a == 2:
        raise KeyError
    else:
        try:
            x = 1 / (a - 4)
        except ZeroDivisionError:
            x = 0
        finally:
            a += 1
    for each in x if a == 1 else ():
        while each:
            each -= 1
    else:
        match a:
            case 7 if b > 3:
                def g(): return b
                x = g()
            case _:
                class G:
                    h = 1
    return x, a
'''


def telling():
    """The function, and the lines of which probes have told."""
    lines = []
    numbers = {}
    for node in ast.walk(ast.parse(SOURCE)):
        if isinstance(node, ast.stmt):
            numbers[node.lineno, node.col_offset] = [node.lineno]
    names = {PROBE: lines.append}
    exec(compile(probed(SOURCE, numbers), "module.py", "exec"), names)
    lines.clear()
    return names["f"], lines


@pytest.mark.parametrize(
    ("arguments", "result", "reached"),
    [
        ((1,), ([1, 2], 1), {3, 4, 5, 15, 16, 17, 19, 24, 25, 26}),
        ((3,), (-1.0, 4), {3, 4, 6, 9, 10, 14, 15, 19, 24, 25, 26}),
        ((4,), (0, 5), {3, 4, 6, 9, 10, 12, 14, 15, 19, 24, 25, 26}),
        ((6, 4), (4, 7), {3, 4, 6, 9, 10, 14, 15, 19, 21, 22, 26}),
    ],
)
def test_each_statement_tells_before_it_runs(arguments, result, reached):
    function, lines = telling()
    assert (function(*arguments), function.__doc__) == (result, "A docstring.")
    assert set(lines) == reached


def test_a_traceback_names_the_lines_of_the_file():
    function, lines = telling()
    with pytest.raises(KeyError) as caught:
        function(2)
    assert traceback.extract_tb(caught.tb)[-1].lineno == lines[-1] == 7
