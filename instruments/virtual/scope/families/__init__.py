"""The command families, one module each."""

from collections.abc import Mapping

from instruments.virtual.scope.families.a1 import A1
from instruments.virtual.scope.families.a2 import A2, A2Older
from instruments.virtual.scope.families.b import B
from instruments.virtual.scope.families.base import Interpreter
from instruments.virtual.scope.families.c1 import C1
from instruments.virtual.scope.families.c2 import C2
from instruments.virtual.scope.families.c3 import C3
from instruments.virtual.scope.families.d import D

INTERPRETERS: Mapping[str, type[Interpreter]] = {
    "A1": A1,
    "A2": A2,
    "A2-older": A2Older,
    "B": B,
    "C1": C1,
    "C2": C2,
    "C3": C3,
    "D": D,
}
"""By the family's name."""

__all__ = ["INTERPRETERS"]
