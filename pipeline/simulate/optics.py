"""How much light a bone returns, and how the scanner records it.

Light in a scattering layer after Kubelka and Munk (1931): with optical thickness S·X, and absorption K a share of S,
reflectance over black R = 1 / (a + b coth(b S X)) and transmittance T = b / (a sinh(b S X) + b cosh(b S X)), where
a = 1 + K/S and b = sqrt(a² - 1). All light is linear, 0 to 1.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from pipeline.records import Float
from pipeline.simulate.noise import Array, Random, cloud
from pipeline.simulate.variety import Level

THICKEST = 16.0  # optical thickness beyond which nothing changes any more
LUT_STEPS = 4096
ABSORPTION = (0.010, 0.045)  # K as a share of S for green light: clean to yellowed bone
TINT = (0.6, 1.0, 2.2)  # absorption of red, green and blue against green
BLACK_RETURN = (0.004, 0.035)  # what a black backing returns
WHITE_RETURN = (0.62, 0.90)  # what a white backing returns
LAMP = (0.70, 0.95)  # brightness of the light table
FRONT_ON_WHITE = (0.08, 0.22)  # share of the light scattered back that reaches the sensor beside the bright backing
FRONT_ON_BLACK = 0.95  # the same over a black backing, where nothing outshines the bone
GAIN = (0.88, 1.06)  # exposure
GAMMAS = (1.8, 2.0, 2.2, 2.2, 2.4)  # of scanners' programs, the usual one twice
STREAKS = (0.0, 0.3)  # gain of the sensor's columns, share of the noise
BLUR_BY_DPI = (
    (300, 600, 1200),
    (0.75, 1.0, 1.35),
)  # blur in pixels, against 600 dpi: optics do not follow the sampling
COPY_MIDDLE = (0.52, 0.64)  # brightness that a photocopier takes for middle grey
COPY_STEEPNESS = (2.6, 4.0)
TONER = 0.05  # unevenness of the toner
GLOSS = 0.012  # mirrored off the surface everywhere


@dataclass(frozen=True, slots=True, kw_only=True)
class Lighting:
    """How one scan is lit. `name` as in the make `layered`."""

    name: str
    backing: float
    """Light of the empty bed: returned by the backing, or sent by the light table."""
    front: float
    """Share of the light scattered back by the bone that the sensor gets."""
    absorption: float
    channels: int

    @property
    def reflected(self) -> bool:
        """Opaque zones are bright."""
        return self.name == "dark"


def draw_lighting(random: Random, name: str, channels: int) -> Lighting:
    """Lighting of one scan."""
    backing = {"dark": BLACK_RETURN, "white": WHITE_RETURN, "photocopy": WHITE_RETURN, "transmitted": LAMP}[name]
    front = {"dark": FRONT_ON_BLACK, "transmitted": 0.0}.get(name, random.uniform(*FRONT_ON_WHITE))
    return Lighting(
        name=name,
        backing=random.uniform(*backing),
        front=front,
        absorption=random.uniform(*ABSORPTION),
        channels=channels,
    )


def shine(optical: Float, backing: Float, shade: Float, lighting: Lighting) -> Float:
    """Light (row, column, channel) that a bone sends to the sensor.

    `optical` (row, column) optical thickness; `backing` (row, column, channel) light of the bed below;
    `shade` (row, column) factor of the light scattered back, from the slope of the surface.
    """
    step = np.clip(optical * np.float32(LUT_STEPS / THICKEST), 0, LUT_STEPS - 1).astype(np.uint16)
    out = np.empty(backing.shape, np.float32)
    for channel in range(backing.shape[2]):
        tint = TINT[channel] if backing.shape[2] == 3 else 1.0
        back, through = _kubelka_munk(lighting.absorption * tint)
        if lighting.name == "transmitted":
            out[..., channel] = np.take(through, step) * backing[..., channel]
        else:
            out[..., channel] = (
                np.take(back * np.float32(lighting.front), step) * shade
                + np.take(through**2, step) * backing[..., channel]
            )
            out[..., channel] += GLOSS
    return out


def _kubelka_munk(absorption: float) -> tuple[Float, Float]:
    """Reflectance over black and transmittance at LUT_STEPS optical thicknesses."""
    a = 1 + absorption
    b = np.sqrt(a * a - 1)
    depth = b * np.maximum(np.arange(LUT_STEPS) / LUT_STEPS * THICKEST, 1e-4)
    return (
        np.asarray(1 / (a + b / np.tanh(depth)), np.float32),
        np.asarray(b / (a * np.sinh(depth) + b * np.cosh(depth)), np.float32),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Scanner:
    """How one scan is recorded."""

    dpi: int
    blur_px: float
    noise: float
    """Standard deviation, share of full brightness as encoded."""
    gain: float
    slope: tuple[float, float, float]
    """Unevenness of the light: across, down, and towards the corners."""
    gamma: float
    streaks: float
    """Standard deviation of the columns' gains."""
    bits: int


def draw_scanner(random: Random, level: Level, dpi: int, bits: int) -> Scanner:
    """A scanner for bones of a level."""
    return Scanner(
        dpi=dpi,
        blur_px=random.uniform(*level.blur_px) * float(np.interp(dpi, *BLUR_BY_DPI)),
        noise=random.uniform(*level.noise),
        gain=random.uniform(*GAIN),
        slope=(random.normal(0, level.uneven), random.normal(0, level.uneven), random.normal(0, level.uneven)),
        gamma=float(random.choice(GAMMAS)),
        streaks=random.uniform(*STREAKS) * level.noise[1],
        bits=bits,
    )


def record(random: Random, light: Float, scanner: Scanner, photocopy: bool) -> Array:
    """The picture (row, column, channel), uint8 or uint16, of a bed of light; `light` is used up."""
    height, width, channels = light.shape
    light = _f32(cv2.GaussianBlur(light, (0, 0), scanner.blur_px)).reshape(height, width, channels)
    across = np.linspace(-1, 1, width, dtype=np.float32)[None]
    down = np.linspace(-1, 1, height, dtype=np.float32)[:, None]
    a, b, c = (np.float32(s) for s in scanner.slope)
    uneven = np.float32(scanner.gain) * (1 + a * across + b * down + c * (across**2 + down**2 - 0.7))
    uneven *= 1 + np.float32(scanner.streaks) * random.standard_normal((1, width), dtype=np.float32)
    light *= uneven[..., None]
    np.clip(light, 0, 1, out=light)
    light = _f32(cv2.pow(light, 1 / scanner.gamma)).reshape(height, width, channels)
    if photocopy:
        light = _photocopied(random, light)
    grain = random.standard_normal((height, width, channels), dtype=np.float32)
    grain *= np.float32(scanner.noise)
    light += grain
    top = 2**scanner.bits - 1
    np.clip(light, 0, 1, out=light)
    light *= top
    light += 0.5
    return light.astype(np.uint8 if scanner.bits == 8 else np.uint16)


def _f32(array: Array) -> Float:
    return np.asarray(array, np.float32)


def _photocopied(random: Random, light: Float) -> Float:
    """Steep contrast, soft toner, and specks."""
    height, width, _ = light.shape
    middle, steep = random.uniform(*COPY_MIDDLE), random.uniform(*COPY_STEEPNESS)
    copy = 0.5 + 0.5 * np.tanh(steep * (light - np.float32(middle)))
    toner = cloud(random, (height, width), (1.7, 1.7))[..., None]
    copy += np.float32(TONER) * toner * (0.3 + 2.5 * copy * (1 - copy))
    copy[random.random((height, width), dtype=np.float32) < 0.0015] = 0.15
    return np.asarray(cv2.GaussianBlur(copy, (0, 0), 0.6).reshape(light.shape), np.float32)
