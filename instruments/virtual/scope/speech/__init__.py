"""The speeches of the virtual scope: what a model's commands do, and how it answers."""

from collections.abc import Mapping

from instruments.virtual.scope.speech.common import Interpreter
from instruments.virtual.scope.speech.gwinstek import GwInstek
from instruments.virtual.scope.speech.infiniivision import InfiniiVision
from instruments.virtual.scope.speech.lecroy import LeCroy
from instruments.virtual.scope.speech.owon import Owon
from instruments.virtual.scope.speech.rigol import Rigol
from instruments.virtual.scope.speech.rigol_older import RigolOlder
from instruments.virtual.scope.speech.rohde import Hameg, Rohde
from instruments.virtual.scope.speech.siglent import Siglent
from instruments.virtual.scope.speech.siglent_older import SiglentOlder, SiglentOldest
from instruments.virtual.scope.speech.tektronix import Tektronix
from instruments.virtual.scope.speech.tektronix_older import TektronixOlder

SPEECHES: Mapping[str, type[Interpreter]] = {
    "gwinstek": GwInstek,
    "hameg": Hameg,
    "infiniivision": InfiniiVision,
    "lecroy": LeCroy,
    "owon": Owon,
    "rigol": Rigol,
    "rigol-older": RigolOlder,
    "rohde": Rohde,
    "siglent": Siglent,
    "siglent-older": SiglentOlder,
    "siglent-oldest": SiglentOldest,
    "tektronix": Tektronix,
    "tektronix-older": TektronixOlder,
}
"""By the name in a model's file."""

__all__ = ["SPEECHES"]
