"""Faults of a scope's link: the branch of the tree of errors, and the one boundary.

Whatever a library raises while a scope is spoken to comes out of :func:`boundary` as one of::

    SourceLost
    +-- Late        no answer within the time allowed; what comes later would be taken for another
    +-- Garbled     an answer that cannot be meant; the record is dropped and taken again
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Event

from instruments.source import SourceError, SourceLost, SourceUnavailable

UDEV_RULES = (
    'SUBSYSTEM=="usb", ENV{DEVTYPE}=="usb_device", ENV{ID_USB_INTERFACES}=="*:fe03??:*", '
    'TAG+="uaccess"',
    'SUBSYSTEM=="usbmisc", KERNEL=="usbtmc*", TAG+="uaccess"',
)
"""What lets the person at the console use USB instruments; for a file numbered 60 to 72."""

_PERMISSION = (
    "this user may not open the USB device; put these two lines into "
    "/etc/udev/rules.d/65-usbtmc.rules, then plug the scope in again: " + " and ".join(UDEV_RULES)
)


class Late(SourceLost):
    """The scope did not answer within the time allowed."""


class Garbled(SourceLost):
    """The scope answered what cannot be meant."""


class Cancelled(SourceLost):
    """The source was closed while the scope was spoken to."""


class Deadline:
    """A moment after which nobody waits any more.

    Parameters
    ----------
    seconds : float
        From now.
    cancelled : threading.Event, optional
        Ends the waiting at once when set.
    """

    def __init__(self, seconds: float, cancelled: Event | None = None) -> None:
        self.seconds = seconds
        self._end_s = time.monotonic() + seconds
        self._cancelled = cancelled

    @property
    def left_s(self) -> float:
        """Seconds left, never below 0."""
        return max(0.0, self._end_s - time.monotonic())

    def check(self, what: str) -> float:
        """Return the seconds left.

        Raises
        ------
        Late
            When there are none.
        Cancelled
            When the source was closed.
        """
        if self._cancelled is not None and self._cancelled.is_set():
            raise Cancelled(f"{what}: it was closed while it was being read; open it again")
        return self.check_time(what)

    def check_time(self, what: str) -> float:
        """Return the seconds left, also of a source that was closed: an answer is read whole.

        Raises
        ------
        Late
            When there are none.
        """
        left_s = self.left_s
        if left_s <= 0:
            raise Late(
                f"{what}: no answer within {self.seconds:.3g} s; check that the scope is on "
                "and not busy in a menu"
            )
        return left_s

    def within(self, seconds: float) -> Deadline:
        """Return a deadline no later than this one."""
        return Deadline(min(seconds, self.left_s), self._cancelled)

    def pause(self, seconds: float) -> None:
        """Sleep, but no longer than to the end or until the source is closed."""
        seconds = min(seconds, self.left_s)
        if self._cancelled is None:
            time.sleep(seconds)
        else:
            self._cancelled.wait(seconds)


@contextmanager
def boundary(what: str) -> Iterator[None]:
    """Turn whatever a library raises into the tree of errors.

    Only calls of a library belong inside: a fault of our own would look like one of the scope.

    Parameters
    ----------
    what : str
        The scope, as messages begin.
    """
    try:
        yield
    except SourceError:
        raise
    except TimeoutError:
        raise Late(f"{what}: no answer in time; check that the scope is on and not busy") from None
    except Exception as fault:
        raise _translated(what, fault) from fault


def _translated(what: str, fault: Exception) -> SourceError:
    status = getattr(fault, "error_code", None)
    name = getattr(status, "name", "")
    words = f"{type(fault).__name__}: {fault}".splitlines()[0]
    if name == "error_timeout":
        return Late(f"{what}: no answer in time; check that the scope is on and not busy")
    if _about_permission(fault, name):
        return SourceUnavailable(f"{what}: {_PERMISSION}")
    if name in ("error_resource_not_found", "error_invalid_resource_name"):
        return SourceUnavailable(
            f"{what}: there is no such instrument; check the address, the cable and the power"
        )
    if "No backend available" in words or "libusb" in words:
        return SourceUnavailable(
            f"{what}: the USB library libusb is missing; install the package libusb-package, "
            "or reach the scope over its network port"
        )
    return SourceLost(f"{what}: the connection broke ({words}); check cable and power")


def _about_permission(fault: Exception, status: str) -> bool:
    words = str(fault).lower()
    number = getattr(fault, "errno", None)
    return (
        isinstance(fault, PermissionError)
        or number in (1, 13)
        or status in ("error_no_permission", "error_access_denied")
        or "access denied" in words
        or "insufficient permissions" in words
        or "permission denied" in words
    )
