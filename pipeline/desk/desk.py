"""The reading desk of one run, without the web: what readers see and what they enter, by way of the run's ledger.

Every call opens the ledger for itself, so that a batch, other readers and other commands may work at the same time.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

from pipeline.desk.cuts import Box, Cut, Cuts, box_of, stored_picture
from pipeline.desk.exports import corrections_table, readings_table
from pipeline.desk.follower import Follower
from pipeline.desk.posts import AnswerPost, AxisPost, MarkPost, Post
from pipeline.desk.shown import DeskBone, Shown, shown, shown_jointly
from pipeline.desk.work import Kind, Work, joint_name, work
from pipeline.records import BoneReading, Reading
from pipeline.run import ledger_desk, record_text
from pipeline.run.ledger import Ledger
from pipeline.run.ledger_desk import Act
from pipeline.run.ledger_people import Correction
from pipeline.run.ledger_scans import KnownScan

MOST_FOUND = 12
"""Specimens shown for a text that is looked for."""


class Unknown(Exception):  # noqa: N818  (an expected answer: the address names no bone that can be read here)
    """There is no such bone, or nothing of it can be shown."""


class Stale(Exception):  # noqa: N818  (an expected answer)
    """The scan was read anew, with other pixels, since the page was opened."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """One run on the desk."""

    run: Path
    cuts: Cuts
    follower: Follower
    writing: threading.Lock = field(default_factory=threading.Lock)
    """Held while something is entered: the ledger takes one writer at a time, and who waits here waits in turn."""

    # ---------------------------------------------------------------------------------------------- looking
    def work(self, kind: Kind, reader: str) -> Work:
        """The bones that a reader has before them."""
        with Ledger(self.run) as ledger:
            return work(kind, reader, ledger.queue.all(), ledger.ages.shown_bones(), ledger.people.readings())

    def find(self, text: str) -> tuple[str, ...]:
        """Specimens whose id holds a text; those that begin with it first."""
        wanted = text.strip().casefold()
        with Ledger(self.run) as ledger:
            found = [s for s in ledger.ages.shown_bones() if wanted in s.casefold()]
        return tuple(sorted(found, key=lambda s: not s.casefold().startswith(wanted))[:MOST_FOUND])

    def shown(self, specimen: str, reader: str) -> Shown:
        """A bone for one reader."""
        bone, _ = self._bone(specimen)
        return shown(bone, reader)

    def shown_jointly(self, specimen: str, first: str, second: str) -> Shown:
        """A bone for two readers who look together. Raises Unknown unless both have answered alone."""
        bone, _ = self._bone(specimen)
        found = shown_jointly(bone, (first, second), joint_name(first, second))
        if found is None:
            raise Unknown(f"{specimen}: a joint look comes after both have answered alone")
        return found

    def stored(self, specimen: str) -> Cut:
        """The picture that the run keeps of a bone."""
        bone, _ = self._bone(specimen)
        jpeg, (left, top, scale) = self._stored(bone.reading)
        return Cut(jpeg=jpeg, left=left, top=top, scale=scale)

    def full(self, specimen: str) -> Cut | None:
        """The bone at the resolution of its scan; waits until it is cut. None when the scan is gone or changed."""
        bone, scan = self._bone(specimen)
        return self.cuts.get(scan, bone.reading.number, self._boxes(scan))

    def fetch_first(self) -> None:
        """Begin to cut the first bone of the queue, before anybody asks for it."""
        with Ledger(self.run) as ledger:
            queue, there = ledger.queue.all(), set(ledger.ages.shown_bones())
        first = next((s for s in queue if s in there), None)
        if first is not None:
            _, scan = self._bone(first)
            self.cuts.fetch(scan, self._boxes(scan))

    # ---------------------------------------------------------------------------------------------- entering
    def mark(self, post: MarkPost) -> None:
        """Keep a mark placed, moved or removed."""
        act = replace(_act(post, post.act), mark=post.mark, x=post.x, y=post.y)
        with self.writing, Ledger(self.run) as ledger:
            _scan_of(ledger, post)
            ledger.desk.add(act)

    def answer(self, post: AnswerPost) -> Shown:
        """Keep an answer; returns the bone with what may be shown now."""
        together = post.together_with
        if together is not None:
            self.shown_jointly(post.specimen, post.reader, together)
        reader = post.reader if together is None else joint_name(post.reader, together)
        reading = Reading(
            specimen=post.specimen, reader=reader, annuli=post.annuli, edge=post.edge, readability=post.readability,
            seconds=None if post.seconds is None else round(post.seconds, 1), read_on=_now(), note=post.note.strip(),
            settles=together is not None,
        )  # fmt: skip
        with self.writing, Ledger(self.run) as ledger:
            _scan_of(ledger, post)
            ledger.desk.add_reading(replace(_act(post, ledger_desk.SAVED), reader=reader), reading)
        self.follower.touch()
        if together is not None:
            return self.shown_jointly(post.specimen, post.reader, together)
        return self.shown(post.specimen, reader)

    def correct(self, post: AxisPost) -> None:
        """Keep a corrected focus and axis. Raises ValueError when they lie outside the scan or on one spot."""
        if post.focus == post.tip:
            raise ValueError("focus and margin must lie apart")
        with self.writing, Ledger(self.run) as ledger:
            scan, number = _scan_of(ledger, post)
            for x, y in (post.focus, post.tip):
                if x > scan.width - 0.5 or y > scan.height - 0.5:
                    raise ValueError("focus and margin must lie on the scan")
            correction = Correction(
                scan=scan.scan, bone=number, reader=post.reader, made_on=_now()[:10], focus=post.focus, tip=post.tip
            )
            ledger.desk.add_correction(_act(post, ledger_desk.AXIS), correction)

    def read_again(self, post: Post) -> None:
        """Have the machine read a corrected bone again."""
        with Ledger(self.run) as ledger:
            scan, _ = _scan_of(ledger, post)
        self.follower.touch(scan.scan)

    # ---------------------------------------------------------------------------------------------- tables
    def readings_table(self, reader: str) -> str:
        """A reader's readings, and those that others made of bones which this reader has read: nothing that is hidden
        on the page comes out here."""
        with Ledger(self.run) as ledger:
            readings = ledger.people.readings()
        seen = {r.specimen for r in readings if r.reader == reader}
        return readings_table([r for r in readings if r.specimen in seen])

    def corrections_table(self) -> str:
        """All corrections that people made, with the specimens that lie there now."""
        with Ledger(self.run) as ledger:
            places = {place: specimen for specimen, place in ledger.ages.specimens().items()}
            return corrections_table(ledger.people.all_corrections(), places)

    # ---------------------------------------------------------------------------------------------- inside
    def _bone(self, specimen: str) -> tuple[DeskBone, KnownScan]:
        with Ledger(self.run) as ledger:
            aged = ledger.ages.one(specimen)
            if aged is None:
                raise Unknown(f"{specimen}: no such specimen in this run")
            name, number = aged.specimen.scan, aged.specimen.bone
            scan = ledger.scans.one(name)
            shape = ledger.scans.shapes(name).get(number)
            on_scan = {r.number: r for r in ledger.scans.readings_on(name)}
            readings = ledger.people.readings(specimen)
            acts = ledger.desk.acts(specimen)
            correction = ledger.people.corrections().get((name, number))
        reading = on_scan.get(number)
        if scan is None or reading is None or reading.axis is None:
            raise Unknown(f"{specimen}: nothing of this bone can be shown")
        if correction is not None and correction.focus is not None and correction.tip is not None:
            axis = replace(reading.axis, focus=correction.focus, tip=correction.tip, by_hand=True)
            reading = replace(reading, axis=axis)
        bone = DeskBone(
            specimen=aged.specimen, age=aged.age, reading=reading, readings=readings, acts=acts,
            outline=record_text.read_shape(shape).outline if shape else (), sign=_sign(scan),
            sharp=self.cuts.has(scan, number),
        )  # fmt: skip
        return bone, scan

    def _stored(self, reading: BoneReading) -> tuple[bytes, tuple[float, float, float]]:
        if reading.crop is None:
            raise Unknown(f"{reading.scan}: no picture of this bone was kept")
        try:
            return stored_picture(self.run, reading.scan, reading.number), reading.crop
        except OSError:
            raise Unknown(f"{reading.scan}: the picture of this bone is gone; `opercle age` makes it again") from None

    def _boxes(self, scan: KnownScan) -> dict[int, Box]:
        with Ledger(self.run) as ledger:
            readings: Sequence[BoneReading] = ledger.scans.readings_on(scan.scan)
        boxes = {}
        for reading in readings:
            if reading.crop is not None:
                jpeg, crop = self._stored(reading)
                boxes[reading.number] = box_of(crop, jpeg, scan)
        return boxes


def _scan_of(ledger: Ledger, post: Post) -> tuple[KnownScan, int]:
    """The scan that a post is about, and the bone's number on it. Raises Unknown, and Stale when the page showed other
    pixels than are there now."""
    name, number = ledger.ages.place(post.specimen) or ("", 0)
    scan = ledger.scans.one(name)
    if scan is None:
        raise Unknown(f"{post.specimen}: no such specimen in this run")
    if _sign(scan) != post.sign:
        raise Stale("the scan was read anew since this page showed it; load the page again")
    return scan, number


def _sign(scan: KnownScan) -> str:
    return scan.sha256[:16]


def _act(post: Post, act: str) -> Act:
    return Act(key=post.key, specimen=post.specimen, reader=post.reader, act=act, at=_now())


def _now() -> str:
    return datetime.now().isoformat(timespec="seconds")
