"""The account of a study that gives the whole command many inputs: tried, taken, refused, wrong."""

from __future__ import annotations

import subprocess
import sys
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

LONGEST_S = 60
"""A command that has not answered by then hangs."""


@dataclass(frozen=True, kw_only=True)
class Answer:
    """What a command answered to one input."""

    name: str
    status: int
    said: str
    wrong: tuple[str, ...]
    """What may never be, in words."""


@dataclass(kw_only=True)
class Account:
    """Of many answers."""

    tried: int = 0
    taken: int = 0
    refused: Counter[str] = field(default_factory=Counter)
    """By code, or by the first words of what was said."""
    wrong: list[str] = field(default_factory=list)

    @classmethod
    def of(cls, answers: Iterable[Answer]) -> Account:
        """Sum them up."""
        account = cls()
        for answer in answers:
            account.tried += 1
            account.taken += answer.status == 0
            if answer.status:
                first = answer.said.strip().splitlines()[0] if answer.said.strip() else "nothing"
                account.refused[" ".join(w for w in first.split(": ", 2)[-1].split() if w.isalpha())[:60]] += 1
            account.wrong += [f"{answer.name!a}: {fault}" for fault in answer.wrong]
        return account

    def __add__(self, other: Account) -> Account:
        return Account(
            tried=self.tried + other.tried,
            taken=self.taken + other.taken,
            refused=self.refused + other.refused,
            wrong=self.wrong + other.wrong,
        )

    def printed(self) -> int:
        """Print it; returns the exit status, 1 when anything is wrong."""
        for words, times in self.refused.most_common(40):
            print(f"{times:5d} {words}")
        refused = sum(self.refused.values())
        print(f"tried {self.tried}, read {self.taken}, refused {refused}, wrong {len(self.wrong)}")
        print(*(self.wrong or ["all of it holds"]), sep="\n")
        return bool(self.wrong)


def ask(command: Sequence[str]) -> Answer:
    """Give opercle a command."""
    try:
        done = subprocess.run(
            [sys.executable, "-m", "pipeline.start", *command],
            capture_output=True, text=True, errors="replace", timeout=LONGEST_S, stdin=subprocess.DEVNULL, check=False,
        )  # fmt: skip
    except subprocess.TimeoutExpired as e:
        return Answer(name=command[0], status=-1, said=str(e.stderr or ""), wrong=(f"hangs: {' '.join(command)}",))
    wrong = []
    if done.returncode not in (0, 1):
        wrong.append(f"exit status {done.returncode}: {done.stderr[-600:]}")
    if "Traceback" in done.stderr or "fault of this program" in done.stderr:
        wrong.append(f"traceback: {done.stderr[-600:]}")
    if done.returncode and not done.stderr.strip():
        wrong.append("refused without a word")
    return Answer(name=command[0], status=done.returncode, said=done.stderr, wrong=tuple(wrong))
