"""The virtual scope: the virtual drive behind a digital scope's commands, on real sockets.

It imitates models of scopes, each from its maker's guides and public drivers and none from the
scope driver; digitises as they do, clips at its rails, and fails on request. It is the
demonstration for people without a scope, and what the scope driver is tested against.
"""

from instruments.virtual.scope.scope import FAMILIES, MODELS, Fault, VirtualScope, states_of
from instruments.virtual.scope.server import TRANSPORTS, ScopeServer, serve

__all__ = [
    "FAMILIES",
    "MODELS",
    "TRANSPORTS",
    "Fault",
    "ScopeServer",
    "VirtualScope",
    "serve",
    "states_of",
]
