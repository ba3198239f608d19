"""One thread a process, for linear algebra and for OpenCV: as many scans are read at once as there are processors, and
threads within each would only wait for one another."""

from __future__ import annotations

from collections.abc import Mapping

ONE_THREAD: Mapping[str, str] = dict.fromkeys(
    (
        "OMP_NUM_THREADS",
        "OPENBLAS_NUM_THREADS",
        "MKL_NUM_THREADS",
        "VECLIB_MAXIMUM_THREADS",
        "OPENCV_FOR_THREADS_NUM",
    ),
    "1",
)
"""Variables of the environment; libraries look at them when they are imported."""
