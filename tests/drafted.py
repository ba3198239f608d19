"""Ages put straight into a ledger, as a call of the program would leave them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from pipeline.run.ledger import Ledger
from pipeline.run.ledger_ages import AgedBone, Call, Change

CALL = Call(number=1, command="age", finished="2026-01-01T00:00:00+00:00")


def store_ages(ledger: Ledger, ages: Sequence[AgedBone], changes: Iterable[Change] = (), call: Call = CALL) -> None:
    ledger.drafts.begin()
    before = ledger.drafts.add(ages)
    ledger.drafts.note(changes)
    ledger.drafts.store(call, differ=bool(before))
