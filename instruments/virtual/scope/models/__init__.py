"""The command families that the virtual scope speaks."""

from collections.abc import Mapping

from instruments.virtual.scope.models.a1 import A1
from instruments.virtual.scope.models.a2 import A2, A2Older
from instruments.virtual.scope.models.b import B
from instruments.virtual.scope.models.c1_c2 import C1, C2
from instruments.virtual.scope.models.c3 import C3
from instruments.virtual.scope.models.common import Interpreter
from instruments.virtual.scope.models.d import D

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
