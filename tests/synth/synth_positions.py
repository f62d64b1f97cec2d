"""Positions and a helper that several tests share."""

import numpy as np

from deblend.synth.reflectors import Reflector


def spread(seed: int = 0, shots: int = 12, channels: int = 20) -> tuple[np.ndarray, np.ndarray]:
    random = np.random.default_rng(seed)
    source = np.stack(
        [np.linspace(0, 800, shots), random.uniform(-80, 80, shots), np.full(shots, 6.0)], axis=1
    )
    behind = np.stack(
        [
            -150.0 - 25.0 * np.arange(channels),
            2.0 * np.arange(channels),
            np.full(channels, 9.0),
        ],
        axis=1,
    )
    return source, source[:, None, :] * np.array([1.0, 0.0, 0.0]) + behind[None]


def one_arrival(reflector: Reflector, source: np.ndarray, receiver: np.ndarray) -> np.ndarray:
    (arrival,) = reflector.arrivals(source, receiver)
    return arrival.time_s
