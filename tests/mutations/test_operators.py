"""The operators: each does to a line what its name says, and prose is let be."""

import ast

import pytest

from tests.mutations.operators import made, mutations


def after(source, operator):
    """The texts that an operator makes of a source."""
    found = [each for each in mutations("module.py", source) if each.operator == operator]
    return [made(each, source)[1] for each in found]


@pytest.mark.parametrize(
    ("operator", "before", "afters"),
    [
        ("compare swapped", "f(a < b)", ["f(a > b)"]),
        ("compare swapped", "f(a >= b)", ["f(a <= b)"]),
        ("compare swapped", "f(a == b)", ["f(a != b)"]),
        ("compare swapped", "f(a is not b)", ["f(a is b)"]),
        ("compare swapped", "f(a not in b)", ["f(a in b)"]),
        ("compare swapped", "f(a < b != c)", ["f(a > b != c)", "f(a < b == c)"]),
        ("boundary moved", "f(a < b >= c)", ["f(a <= b >= c)", "f(a < b > c)"]),
        ("arithmetic swapped", "f((a + b) * c)", ["f((a + b) / c)", "f((a - b) * c)"]),
        ("arithmetic swapped", "f(a // b, a % b, a ** b)", ["f(a * b, a % b, a ** b)",
         "f(a // b, a * b, a ** b)", "f(a // b, a % b, a * b)"]),
        ("bits swapped", "f(a & b)", ["f(a | b)"]),
        ("sign dropped", "f(-a)", ["f(a)"]),
        ("constant changed", "f(3, 0.5, 0)", ["f(6, 0.5, 0)", "f(3, 1.0, 0)", "f(3, 0.5, 1)"]),
        ("flag inverted", "f(True, a=False)", ["f(False, a=False)", "f(True, a=True)"]),
        ("flag inverted", "f(zip(a, b, strict=False))", ["f(zip(a, b, strict=True))"]),
        ("and/or swapped", "f(a and b or c)", ["f((a and b) and c)", "f((a or b) or c)"]),
        ("not dropped", "f(not a)", ["f(a)"]),
        ("condition inverted", "f(a if b else c)", ["f(a if not b else c)"]),
        ("condition inverted", "f([a for a in b if a])", ["f([a for a in b if not a])"]),
        ("keyword argument dropped", "f(a, b=1, **c)", ["f(a, **c)"]),
        ("statement deleted", "f(a)", ["pass"]),
        ("statement deleted", "a.b = c", ["pass"]),
        ("statement deleted", "a += c", ["pass"]),
        ("extreme swapped", "f(min(a), np.floor(b))", ["f(max(a), np.floor(b))",
         "f(min(a), np.ceil(b))"]),
        ("call dropped", "f(abs(a), np.sqrt(b))", ["f(a, np.sqrt(b))", "f(abs(a), b)"]),
    ],
)  # fmt: skip
def test_an_operator_changes_one_thing(operator, before, afters):
    assert after(before, operator) == afters


@pytest.mark.parametrize(
    ("returns", "neutral"),
    [("bool", "False"), ("int", "0"), ("float", "0.0"), ("tuple[int, ...]", "()"),
     ("str", "''"), ("float | None", "None"), ("Reading", "None")],
)  # fmt: skip
def test_what_is_returned_is_replaced_by_the_neutral_of_its_type(returns, neutral):
    (text,) = after(f"def f() -> {returns}:\n    return a.b", "return replaced")
    assert text == f"def f() -> {returns}:\n    return {neutral}"


@pytest.mark.parametrize("returned", ["False", "None", "OK", ""])
def test_what_is_neutral_already_is_not_replaced(returned):
    assert not after(f"def f() -> bool:\n    return {returned}", "return replaced")


@pytest.mark.parametrize(
    "source",
    [
        '"""A docstring of 3 lines."""',
        "import a",
        "from a import b as c",
        "a: Literal[3] = b",
        "def f(a: Literal[3]) -> Literal[-1]: ...",
        "@dataclass(frozen=True)\nclass A: ...",
        "__all__ = [a + b]",
        "logging.info(a, exc_info=True)",
        'a = f"{b + 1:.2f}"',
        'a = "b" + c',
        "A = Bee | Cee | None",
        "if TYPE_CHECKING:\n    a(3)",
        "a = b",
        "a = zip(b, c, strict=True)",
    ],
)
def test_prose_types_and_imports_are_let_be(source):
    assert mutations("module.py", source) == []


def test_every_mutation_is_another_program():
    """Over a module of some length: this one."""
    with open(__file__) as file:
        source = file.read()
    texts = [made(each, source) for each in mutations("module.py", source)]
    assert all(before != mutated for before, mutated in texts)
    assert len({mutated for _, mutated in texts}) == len(texts)
    for _, mutated in texts:
        ast.parse(mutated)


def found_at(source, line):
    return [each for each in mutations("module.py", source) if each.line == line]


def test_a_mutation_knows_the_place_that_shows_whether_it_is_reached():
    source = "A = 3\ndef f(a=4):\n    if (a >\n            5):\n        g(6)\n    return a\n"
    assert {each.names for each in found_at(source, 1)} == {frozenset({"A"})}
    assert {each.place for each in found_at(source, 2)} == {(3, 4)}
    assert {each.place for each in found_at(source, 4)} == {(3, 4)}
    assert {each.place for each in found_at(source, 5)} == {(5, 8)}
    assert all(each.names is None for line in range(2, 6) for each in found_at(source, line))
