"""What bones lie on, and the light that comes back from them: on black, on white, on a light table.

Light is weakened exponentially on its way through bone; what bone takes from it, it scatters back.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.records import Float
from pipeline.simulate.noise import Random, cloud
from pipeline.simulate.tray import Corner, Stuff

LIGHT = {"dark": (0.0, 0.035), "white": (0.6, 0.95), "transmitted": (0.6, 1.15)}
"""Light of the empty bed, where 1 is the brightest that a sensor records."""
ALBEDO = {"dark": (0.55, 0.95), "white": (0.08, 0.3), "transmitted": (0.0, 0.0)}
"""Light that comes back from thick bone itself. On white the exposure is for the backing, and bone looks dark."""
TINT = (1.05, 1.0, 0.87)  # of old bone
ABSORPTION = (0.8, 1.0, 1.35)  # of red, green and blue light on its way through, against green
CLOUDY = (0.0, 0.06)  # unevenness of the backing


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanBed:
    """The bed of one scan."""

    lighting: str
    """`dark`, `white` or `transmitted`."""
    light: float
    albedo: float
    cloudy: float
    channels: int

    @property
    def bright_winters(self) -> bool:
        """Translucent zones are brighter than opaque ones."""
        return self.lighting != "dark"

    @property
    def stuff(self) -> Stuff:
        """Light from labels, ink and dust."""
        if self.lighting == "dark":
            return Stuff(paper=0.75, ink=0.03, pencil=0.6, dust=0.45)
        paper = 0.8 if self.lighting == "white" else 0.45 * self.light
        return Stuff(paper=paper, ink=0.03, pencil=0.05, dust=0.1)

    def bed(self, random: Random, size: Corner) -> Float:
        """Light (row, column, channel) of the empty bed of a width and height."""
        width, height = size
        uneven = 1 + np.float32(self.cloudy) * cloud(random, (height, width), (height / 3, width / 3))
        return np.repeat(np.float32(self.light) * np.maximum(uneven, 0.1)[..., None], self.channels, axis=2)

    def shine(self, optical: Float, shade: Float) -> tuple[Float, Float]:
        """Light (row, column, channel) from bone of an optical thickness (row, column), and the share of the bed's
        light that passes it; `shade` is a factor of what is scattered back."""
        there_and_back = np.exp(-2 * np.maximum(optical, 0))
        scattered = np.float32(self.albedo) * (1 - there_and_back) * shade
        tint = np.array(TINT if self.channels == 3 else (1.0,), np.float32)
        light = scattered[..., None] * tint
        passes = np.sqrt(there_and_back) if self.lighting == "transmitted" else there_and_back
        if self.lighting == "transmitted" and self.channels == 3:  # what bone takes, it takes from blue first
            light = (passes[..., None] ** np.array(ABSORPTION, np.float32) - passes[..., None]) * np.float32(self.light)
        return np.asarray(light, np.float32), np.asarray(passes, np.float32)


def draw_backing(random: Random, lighting: str, channels: int) -> ScanBed:
    """A bed for one scan."""
    return ScanBed(
        lighting=lighting,
        light=random.uniform(*LIGHT[lighting]),
        albedo=random.uniform(*ALBEDO[lighting]),
        cloudy=random.uniform(*CLOUDY),
        channels=channels,
    )
