"""What a call has done, in numbers that balance, and what to do next."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from numpy.typing import NDArray

from pipeline.codes import REFUSALS
from pipeline.records import Age, Refusal
from pipeline.run.drawing import needs_sheet
from pipeline.run.ledger_ages import AgedBone, Change
from pipeline.run.results import Result
from pipeline.together.age_of_bone import Placed
from pipeline.together.both_sides import LEAST_FISH, check_sides, joined_sides, sides_of
from pipeline.together.second_pass import PlacedAge

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


def refusals_by_cause(refusals: Sequence[Refusal]) -> Iterator[str]:
    """Each reason once, with its cure: what to do before the fish are thrown away."""
    for code, many in Counter(r.code for r in refusals).items():
        meaning = REFUSALS[code]
        yield f"refused as {code}: {many}: {meaning.means}; {meaning.cure}"


@dataclass(slots=True, kw_only=True)
class Tally:
    """What is counted of a run while its ages are written, some at a time."""

    least_probability: float
    """Of an age class: `review.least_age_probability`."""
    bones: int = 0
    aged: int = 0
    review: int = 0
    strange: int = 0
    """Aged, but unlike what the machine was taught on."""
    unsure: int = 0
    changed: int = 0
    differ: bool = False
    """Some age is not the one last written."""
    reasons: Counter[str] = field(default_factory=Counter)
    trays: dict[str, None] = field(default_factory=dict)
    """On which the table and what was found differ."""
    without_row: list[str] = field(default_factory=list)
    read: list[Result] = field(default_factory=list)
    """Rows of bones that people have read."""
    sides: list[tuple[NDArray[Any], ...]] = field(default_factory=list)
    """As `check_sides` asks, part by part."""

    def add(self, part: Sequence[PlacedAge], told: Sequence[Change], before: Sequence[AgedBone]) -> None:
        """Some more bones, what this call changes in them, and those that had other ages before."""
        ages = [one.age for one in part]
        aged = [one for one in part if one.age.status == "aged"]
        self.bones += len(part)
        self.aged += len(aged)
        self.review += sum(age.review for age in ages)
        self.strange += sum("unfamiliar" in one.age.reasons for one in aged)
        classes = [age.age_class_probability for age in ages]
        self.unsure += sum(p is not None and p < self.least_probability for p in classes)
        self.changed += len({change.specimen for change in told})
        self.differ = self.differ or bool(before)
        self.reasons.update(code for age in ages for code in age.reasons)
        self.trays |= {one.placed.specimen.scan: None for one in part if "tray-mismatch" in one.age.reasons}
        self.without_row += bones_without_row([one.placed for one in part])
        self.sides.append(
            sides_of([(one.placed.specimen, one.age.annuli or 0, one.age.confidence or 0.0) for one in aged])
        )

    def about_the_machine(self) -> Iterator[str]:
        """What the run itself tells of how far the machine can be trusted on it."""
        if self.strange:
            yield (
                f"unlike what the machine was taught on: {self.strange} of {self.aged} bones; have a random fifty of "
                "this run read and give the readings to opercle refit"
            )
        sides = check_sides(*joined_sides(self.sides))
        if sides.fish >= LEAST_FISH:
            yield sides.line()

    def accounts(
        self, found: Iterable[tuple[str, int]], refusals: Sequence[Refusal], promised: Mapping[str, int], scans: int
    ) -> Accounts:
        """`found` is how many bones lie on each of the scans that hold any; `promised` how many the table says."""
        sheets, on_trays = 0, {}
        for scan, n in found:
            sheets += needs_sheet(n, promised.get(scan))
            if scan in self.trays:
                on_trays[scan] = n
        return Accounts(
            scans=scans, read=scans - len(refusals), refused=len(refusals), bones=self.bones, aged=self.aged,
            unreadable=self.bones - self.aged, review=self.review, changed=self.changed,
            unsure_age_classes=self.unsure, reasons=dict(self.reasons.most_common()),
            trays=tuple(
                f"{scan} ({on_trays.get(scan, 0)} found, {promised.get(scan, 0)} in the table)" for scan in self.trays
            ),
            without_row=tuple(self.without_row),
            sheets=sheets,
        )  # fmt: skip


def bones_without_row(placed: Iterable[Placed]) -> list[str]:
    """Bones that the table does not name although it says how many the scan has, or names other scans alone."""
    return [
        f"{p.specimen.scan} bone {p.specimen.bone}" for p in placed if p.around.unlisted and not p.around.tray_mismatch
    ]
