"""The virtual drive into an array: a capture, and what is true of it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from instruments.source import Role, check_roles
from instruments.virtual.digitiser import Digitiser
from instruments.virtual.drive import VirtualDrive
from instruments.virtual.params import VirtualParams
from instruments.virtual.truth import Truth

DEFAULT_ROLES = (Role.PLUS, Role.MINUS, Role.INDEX)


def simulate(
    params: VirtualParams,
    roles: tuple[Role, ...] = DEFAULT_ROLES,
    *,
    rate_hz: float | None = None,
    seconds: float = 3.0,
) -> tuple[NDArray[np.float32], Truth]:
    """Return a capture of the virtual drive, the same for the same arguments.

    Parameters
    ----------
    params : VirtualParams
        What the drive is like.
    roles : tuple of Role
        One a column.
    rate_hz : float, optional
        Frames a second; that of `params` when not given.
    seconds : float
        Length.

    Returns
    -------
    samples_v : numpy.ndarray
        float32, shape (frames, roles), C-contiguous, in volts.
    truth : Truth
        What is true over the whole capture.

    Raises
    ------
    AddressError
        When the roles do not fit together.
    """
    check_roles(roles, ",".join(roles))
    rate_hz = params.rate if rate_hz is None else rate_hz
    drive = VirtualDrive(params)
    samples_v, _ = digitiser_for(params, drive, roles, rate_hz).take(0, round(rate_hz * seconds))
    return samples_v, drive.truth(0.0, seconds)


def digitiser_for(
    params: VirtualParams, drive: VirtualDrive, roles: tuple[Role, ...], rate_hz: float
) -> Digitiser:
    """Return the input that `params` describe, on `drive`."""
    return Digitiser(
        drive,
        roles,
        rate_hz,
        low_corner_hz=params.low_corner_hz,
        threshold_v=params.detector_threshold_v,
        bits=params.bits,
        full_scale_v=params.full_scale_v,
    )
