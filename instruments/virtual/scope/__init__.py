"""The virtual scope: the virtual drive behind a digital scope's commands, on real sockets.

It speaks eight command families, each with its own quirks, digitises with eight bits, clips at
its rails, and fails on request. It is the demonstration for people without a scope, and what the
scope driver is tested against.
"""

from instruments.virtual.scope.scope import FAMILIES, Fault, VirtualScope
from instruments.virtual.scope.server import TRANSPORTS, ScopeServer, serve

__all__ = ["FAMILIES", "TRANSPORTS", "Fault", "ScopeServer", "VirtualScope", "serve"]
