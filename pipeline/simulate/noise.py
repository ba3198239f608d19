"""Smooth random curves and clouds, from which every irregularity of a drawn bone is made."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.records import Float

Random = np.random.Generator
Array = NDArray[Any]
CUBIC_GAIN = 1.25  # cubic interpolation between grid points loses a fifth of the spread


def ripple(random: Random, samples: int, wavelength: float) -> Float:
    """A closed random curve (samples,) around a circle, mean 0, standard deviation 1.

    `wavelength` in samples: shorter waves are absent, longer ones fade in steadily.
    """
    highest = max(1, int(samples / max(wavelength, 2.0)))
    order = np.arange(1, highest + 1)
    spectrum = np.zeros(samples // 2 + 1, np.complex128)
    strength = np.exp(-0.5 * (1.5 * order / highest) ** 2)
    spectrum[1 : highest + 1] = strength * (random.standard_normal(highest) + 1j * random.standard_normal(highest))
    curve = np.fft.irfft(spectrum, samples)
    spread = curve.std()
    return np.asarray(curve / spread if spread > 0 else curve, np.float32)


def cloud(random: Random, shape: tuple[int, int], grain: tuple[float, float]) -> Float:
    """A random field of `shape` (row, column), mean 0, standard deviation near 1; `grain` in pixels (row, column)."""
    coarse = tuple(int(np.ceil(s / max(g, 1.0))) + 3 for s, g in zip(shape, grain, strict=True))
    seeds = random.standard_normal(coarse, dtype=np.float32)
    step_y, step_x = (1.0 / max(g, 1.0) for g in grain)
    start_y, start_x = 1.0 + 0.5 * random.random(2)
    field = cv2.warpAffine(
        seeds,
        np.array([[step_x, 0, start_x], [0, step_y, start_y]], np.float32),
        (shape[1], shape[0]),
        flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REFLECT,
    )
    return np.asarray(field * np.float32(CUBIC_GAIN), np.float32)


def ease(x: Array) -> Float:
    """0 below 0, 1 above 1, and a half cosine between."""
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.clip(x, 0, 1)), np.float32)
