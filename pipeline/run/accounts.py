"""What a call has done, in numbers that balance, and what to do next."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from pipeline.records import Age
from pipeline.together.age_of_bone import Placed

_MOST_NAMED = 10
"""In one line."""
CAUTION = (
    "ages are estimates: compare the tray sheets with your list first, have people read the flagged bones and a share "
    "of the others, and follow your local rules before you act on them"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Accounts:
    """Nothing is lost: scans = read + refused, bones = aged + unreadable."""

    scans: int
    read: int
    refused: int
    bones: int
    aged: int
    unreadable: int
    review: int
    passed_over: int = 0
    """Runs, links and files of other kinds among the scans that were not looked into."""
    changed: int = 0
    """Bones whose ages this call changed; those new to the run are not among them."""
    unsure_age_classes: int = 0
    """Age classes less probable than `review.least_age_probability`."""
    reasons: Mapping[str, int] = field(default_factory=dict)
    """Bones by reason, the commonest first."""
    trays: tuple[str, ...] = ()
    """Trays with more or fewer bones than the table says, in words."""
    without_row: tuple[str, ...] = ()
    """Bones found in places that the table skips, on other trays, and scans that it does not name, in words."""
    sheets: int = 0
    """Trays that have a sheet to compare with the list."""

    def counts(self) -> dict[str, int]:
        """For run.json."""
        names = ("scans", "read", "refused", "bones", "aged", "unreadable", "review", "passed_over", "changed")
        return {name: getattr(self, name) for name in names}

    def lines(self, run: str) -> tuple[str, ...]:
        """As printed; `run` is the folder as the user gives it."""
        lines = [
            f"scans {self.scans} = read {self.read} + refused {self.refused}",
            f"bones {self.bones} = aged {self.aged} + unreadable {self.unreadable}",
            f"of these for a person to look at {self.review}",
        ]
        if self.reasons:
            lines.append(f"  because of {', '.join(f'{code} {n}' for code, n in self.reasons.items())}")
        if self.unsure_age_classes:
            lines.append(
                f"age classes less sure than the settings accept {self.unsure_age_classes}: see age_class_probability"
            )
        if self.passed_over:
            lines.append(
                f"files and folders left out among the scans {self.passed_over}: log.jsonl names them and says why"
            )
        if self.changed:
            lines.append(f"ages changed since the last call {self.changed}: see changes.csv")
        if self.trays:
            lines.append(f"trays that do not match the table: {some_of(self.trays, '; ')}")
        if self.without_row:
            lines.append(
                f"bones without a row in the table {len(self.without_row)}: {some_of(self.without_row, '; ')} "
                "(left out on purpose, or is a row lost?)"
            )
        lines.append(CAUTION)
        first = (
            f"compare tray_ids/ with your list ({self.sheets} tray{'s' * (self.sheets > 1)}), then "
            if self.sheets
            else ""
        )
        lines.append(f"next: {first}opercle triage {run}")
        return tuple(lines)


def some_of(names: Sequence[str], between: str) -> str:
    """The first names, and how many more there are."""
    more = f" and {len(names) - _MOST_NAMED} more" if len(names) > _MOST_NAMED else ""
    return f"{between.join(names[:_MOST_NAMED])}{more}"


def reasons_by_number(ages: Iterable[Age]) -> dict[str, int]:
    """Bones by reason, the commonest first."""
    return dict(Counter(code for age in ages for code in age.reasons).most_common())


def trays_in_doubt(placed: Sequence[Placed], ages: Sequence[Age], promised: Mapping[str, int]) -> tuple[str, ...]:
    """Trays on which the table and what was found differ, with both numbers."""
    found = Counter(p.specimen.scan for p in placed if p.reading is not None)
    doubtful = dict.fromkeys(
        p.specimen.scan for p, age in zip(placed, ages, strict=True) if "tray-mismatch" in age.reasons
    )
    return tuple(f"{scan} ({found[scan]} found, {promised.get(scan, 0)} in the table)" for scan in doubtful)


def bones_without_row(placed: Sequence[Placed]) -> tuple[str, ...]:
    """Bones that the table does not name although it says how many the scan has, or names other scans alone."""
    return tuple(
        f"{p.specimen.scan} bone {p.specimen.bone}" for p in placed if p.around.unlisted and not p.around.tray_mismatch
    )
