"""Sensors of many kinds: how light becomes pixels."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.records import Float
from pipeline.simulate.noise import Array, Random, cloud
from pipeline.simulate.plan import Plan
from pipeline.simulate.variety import Range

GAMMA = (1.0, 2.4)  # of the scanner's program: from none to steep
GAIN = (0.8, 1.1)  # exposure
BLACK = (0.0, 0.05)  # level of darkness as encoded
GRAIN = (0.0, 1.5)  # noise that grows with the light, against the noise of the dark
COARSE_CHANCE = 0.2  # that the optics resolve less than the file's resolution
COARSE = (1.2, 2.0)  # how much less
SHARPENED_CHANCE = 0.3  # that the scanner's program sharpens
SHARPENED = (0.3, 1.2)
SHARPEN_PX = (0.8, 2.5)
SQUEEZED_CHANCE = 0.3  # that the picture was once a strongly compressed JPEG
QUALITY = (45, 90)
STREAKS = (0.0, 0.5)  # gain of the sensor's columns, share of the noise
BANDS = (0.0, 0.8)  # slow changes of the lamp from row to row, share of the noise
BAND_ROWS = 12.0  # length of such a change
CAST = 0.06  # standard deviation of the logarithm of a colour's gain
BLUR_BY_DPI = ((300, 600, 1200), (0.75, 1.0, 1.35))  # against 600 dpi: optics do not follow the sampling


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensor:
    """How one scan is recorded. Noise and streaks are shares of full brightness as encoded."""

    blur_px: float
    coarse: float
    """How much less than the file's resolution the optics resolve; 1 for all of it."""
    gain: float
    black: float
    gamma: float
    lamp: tuple[float, float, float]
    """Unevenness of the light: across, down, and towards the corners."""
    noise: float
    grain: float
    """Noise in full light, added to that."""
    streaks: float
    """Standard deviation of the columns' gains."""
    bands: float
    """The same of the rows'."""
    sharpen: float
    sharpen_px: float
    quality: int | None
    """Of a JPEG that the picture once was."""
    cast: tuple[float, float, float]
    """Gains of red, green and blue."""
    bits: int


def draw_sensor(random: Random, plan: Plan, gamma: Range = GAMMA) -> Sensor:
    """A sensor for a scan as planned."""
    level = plan.level
    noise = random.uniform(*level.noise)
    colour = np.exp(random.normal(0, CAST, 3))
    return Sensor(
        blur_px=random.uniform(*level.blur_px) * float(np.interp(plan.dpi, *BLUR_BY_DPI)),
        coarse=random.uniform(*COARSE) if plan.dpi > 300 and random.random() < COARSE_CHANCE else 1.0,
        gain=random.uniform(*GAIN),
        black=random.uniform(*BLACK),
        gamma=random.uniform(*gamma),
        lamp=(random.normal(0, level.uneven), random.normal(0, level.uneven), random.normal(0, level.uneven)),
        noise=noise,
        grain=noise * random.uniform(*GRAIN),
        streaks=noise * random.uniform(*STREAKS),
        bands=noise * random.uniform(*BANDS),
        sharpen=random.uniform(*SHARPENED) if random.random() < SHARPENED_CHANCE else 0.0,
        sharpen_px=random.uniform(*SHARPEN_PX),
        quality=int(random.integers(*QUALITY)) if random.random() < SQUEEZED_CHANCE else None,
        cast=(float(colour[0]), float(colour[1]), float(colour[2])),
        bits=plan.bits,
    )


def shoot(random: Random, light: Float, sensor: Sensor) -> Array:
    """The picture (row, column, channel), uint8 or uint16, of light (row, column, channel), 0 to 1."""
    height, width, channels = light.shape
    if sensor.coarse > 1:
        small = (max(round(width / sensor.coarse), 1), max(round(height / sensor.coarse), 1))
        light = np.asarray(
            cv2.resize(cv2.resize(light, small, interpolation=cv2.INTER_AREA), (width, height)), np.float32
        )
    light = np.asarray(cv2.GaussianBlur(light, (0, 0), sensor.blur_px), np.float32).reshape(height, width, channels)
    light *= _uneven(random, height, width, sensor)[..., None]
    if channels == 3:
        light *= np.array(sensor.cast, np.float32)
    np.clip(light, 0, 1, out=light)
    light = np.asarray(cv2.pow(light, 1 / sensor.gamma), np.float32).reshape(height, width, channels)
    light = np.float32(sensor.black) + np.float32(1 - sensor.black) * light
    if sensor.sharpen > 0:
        soft = np.asarray(cv2.GaussianBlur(light, (0, 0), sensor.sharpen_px), np.float32).reshape(light.shape)
        light += np.float32(sensor.sharpen) * (light - soft)
        np.clip(light, 0, 1, out=light)
    light += (np.float32(sensor.noise) + np.float32(sensor.grain) * np.sqrt(light)) * random.standard_normal(
        light.shape, dtype=np.float32
    )
    np.clip(light, 0, 1, out=light)
    if sensor.quality is not None:
        light = _squeezed(light, sensor.quality)
    top = 2**sensor.bits - 1
    return np.asarray(light * top + 0.5, np.uint8 if sensor.bits == 8 else np.uint16)


def _uneven(random: Random, height: int, width: int, sensor: Sensor) -> Float:
    """(row, column) gain of lamp and sensor."""
    across = np.linspace(-1, 1, width, dtype=np.float32)[None]
    down = np.linspace(-1, 1, height, dtype=np.float32)[:, None]
    a, b, c = (np.float32(s) for s in sensor.lamp)
    uneven = np.float32(sensor.gain) * (1 + a * across + b * down + c * (across**2 + down**2 - 0.7))
    uneven *= 1 + np.float32(sensor.streaks) * random.standard_normal((1, width), dtype=np.float32)
    uneven *= 1 + np.float32(sensor.bands) * cloud(random, (height, 1), (BAND_ROWS, 1.0))
    return np.asarray(np.maximum(uneven, 0.2), np.float32)


def _squeezed(light: Float, quality: int) -> Float:
    """The picture after it was a JPEG."""
    file = cv2.imencode(".jpg", np.asarray(light * 255 + 0.5, np.uint8), [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    back = np.asarray(cv2.imdecode(file, cv2.IMREAD_UNCHANGED), np.float32)
    return np.asarray((back / 255).reshape(light.shape), np.float32)
