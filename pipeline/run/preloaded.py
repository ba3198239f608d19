"""What children need to read scans, imported once by the process that they are forked from; all else they would import
each anew. Interpolation for pictures is left to them: the first scan would wait for it."""

import gc

import imagecodecs
from PIL import Image
from skimage.segmentation import watershed

from pipeline.bone import read_bone
from pipeline.run import first_pass, pictures_of_run
from pipeline.scans import scan_file

__all__ = [
    "first_pass",
    "pictures_of_run",
    "read_bone",
    "scan_file",
    "watershed",
]

# These import their parts at first use.
Image.preinit()
for codec in ("jpeg8", "png", "zlib", "deflate", "lzw"):
    getattr(imagecodecs, f"{codec}_decode")

# A child that looks through the objects there are for garbage writes to their pages, and each is copied then.
gc.collect()
gc.freeze()
