"""What follows from the positions of sources and receivers: azimuth, midpoint, feathering."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from deblend.errors import InputError
from deblend.model.geometry import Geometry, shooting_direction
from deblend.model.shots import Shots


def midpoint_m(shots: Shots, geometry: Geometry) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """East and north halfway from source to receiver, (shot, channel), in m; NaN if unknown."""
    return (
        0.5 * (shots.x_m[:, None] + geometry.receiver_x_m),
        0.5 * (shots.y_m[:, None] + geometry.receiver_y_m),
    )


def azimuth_deg(shots: Shots, geometry: Geometry) -> NDArray[np.float64]:
    """Direction from source to receiver clockwise from north, (shot, channel); NaN if unknown."""
    east = geometry.receiver_x_m - shots.x_m[:, None]
    north = geometry.receiver_y_m - shots.y_m[:, None]
    return np.asarray(np.degrees(np.arctan2(east, north)) % 360.0, dtype=np.float64)


def feathering_deg(shots: Shots, geometry: Geometry) -> NDArray[np.float64]:
    """Angle between the streamer and the line behind the vessel, (shot,), positive to starboard.

    The streamer is the straight line fitted to the receivers of a shot by least squares. NaN where
    fewer than two receivers have positions.
    """
    ahead = shooting_direction(shots)
    if ahead is None:
        raise InputError(
            "the source positions do not tell the shooting direction",
            remedy="Give positions of at least two shots of a source at different places.",
        )
    starboard = np.array([ahead[1], -ahead[0]])
    angle = np.full(len(shots), np.nan)
    for shot in range(len(shots)):
        place = np.stack([geometry.receiver_x_m[shot], geometry.receiver_y_m[shot]], axis=1)
        place = place[np.isfinite(place).all(axis=1)]
        if len(place) < 2:
            continue
        centred = place - place.mean(axis=0)
        along = np.linalg.svd(centred, full_matrices=False)[2][0]
        along = along if along @ ahead < 0 else -along
        angle[shot] = np.degrees(np.arctan2(along @ starboard, -(along @ ahead)))
    return angle
