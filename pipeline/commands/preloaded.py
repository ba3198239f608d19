"""What children need, imported once by the process that they are forked from; all else they would import each anew."""

import gc

import imagecodecs
from PIL import Image
from skimage.segmentation import watershed

from pipeline.commands import first_pass, pictures_of_run

__all__ = ["first_pass", "pictures_of_run", "watershed"]

# These import their parts at first use.
Image.preinit()
CODECS = (imagecodecs.jpeg8_decode, imagecodecs.png_decode, imagecodecs.zlib_decode, imagecodecs.lzw_decode)

# A child that looks through the objects there are for garbage writes to their pages, and each is copied then.
gc.collect()
gc.freeze()
