"""How light becomes pixels: uneven lamps, blur, sharpening programs, stripes, noise, compression."""

from __future__ import annotations

import cv2
import numpy as np

from pipeline.records import Float
from pipeline.simulate.noise import Array, Random

LEAST_SIGMA = 0.3  # px: the library refuses to blur by nothing
SIGMA_WHEN_SHRUNK = 4.0  # px


def blurred(light: Float, sigma_px: float) -> Float:
    """The same light out of focus; any number of channels. Broad blurs are worked out on a smaller picture."""
    shrink = max(int(sigma_px / SIGMA_WHEN_SHRUNK), 1)
    if shrink == 1:
        return np.asarray(cv2.GaussianBlur(light, (0, 0), max(sigma_px, LEAST_SIGMA)), np.float32).reshape(light.shape)
    height, width = light.shape[:2]
    small_size = (max(width // shrink, 1), max(height // shrink, 1))
    small = cv2.resize(light, small_size, interpolation=cv2.INTER_AREA)
    soft = cv2.resize(cv2.GaussianBlur(small, (0, 0), sigma_px / shrink), (width, height))
    return np.asarray(soft, np.float32).reshape(light.shape)


def sharpened(light: Float, radius_px: float, amount: float) -> Float:
    """As a scanner's program sharpens: edges get a dark and a bright seam."""
    return np.asarray(light + np.float32(amount) * (light - blurred(light, radius_px)), np.float32)


def uneven(random: Random, shape: tuple[int, ...], slope: float, bend: float) -> Float:
    """(row, column, 1) factor of light: brighter towards one side (`slope`) and in the middle (`bend`)."""
    across = np.linspace(-1, 1, shape[1], dtype=np.float32)[None]
    down = np.linspace(-1, 1, shape[0], dtype=np.float32)[:, None]
    turn = random.uniform(0, 2 * np.pi)
    side = across * np.float32(np.cos(turn)) + down * np.float32(np.sin(turn))
    middle = random.uniform(-0.4, 0.4, 2)
    far = (across - np.float32(middle[0])) ** 2 + (down - np.float32(middle[1])) ** 2
    return np.asarray(1 + np.float32(slope) * side - np.float32(bend) * (far - 0.5), np.float32)[..., None]


def stripes(random: Random, width: int, strength: float) -> Float:
    """(1, column, 1) gains of the sensor's columns: fine everywhere, and now and then a whole stripe."""
    gains = 1 + np.float32(strength) * random.standard_normal(width).astype(np.float32)
    for _ in range(int(random.poisson(0.6))):
        first = int(random.integers(width))
        gains[first : first + int(random.integers(1, 4))] *= np.float32(1 + random.normal(0, 12 * strength))
    return np.asarray(gains[None, :, None], np.float32)


def encoded(light: Float, gamma: float) -> Float:
    """Light, 0 to 1, as a program writes it."""
    return np.asarray(np.clip(light, 0, 1) ** np.float32(1 / gamma), np.float32)


def to_pixels(random: Random, picture: Float, noise: float, bits: int, grain_px: float = 0.0) -> Array:
    """uint8 or uint16 from a picture (row, column, channel), 0 to 1, with noise; `grain_px` above 0: in clumps."""
    grain = random.standard_normal(picture.shape, dtype=np.float32)
    if grain_px > 0:
        grain = blurred(grain, grain_px)
        grain /= max(float(grain.std()), 1e-6)
    top = 2**bits - 1
    pixels = np.clip(picture + np.float32(noise) * grain, 0, 1) * top + 0.5
    return np.asarray(pixels.astype(np.uint8 if bits == 8 else np.uint16))


def compressed(pixels: Array, quality: int) -> Array:
    """The same 8-bit pixels (row, column, channel) after a JPEG file of a quality from 1 to 100."""
    ok, file = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not ok:
        raise ValueError("the picture cannot be compressed")
    again = cv2.imdecode(file, cv2.IMREAD_COLOR if pixels.shape[2] == 3 else cv2.IMREAD_GRAYSCALE)
    return np.asarray(again).reshape(pixels.shape)
