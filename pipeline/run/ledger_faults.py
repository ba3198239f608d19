"""What the ledger's file says when it fails, in words and with the cure."""

from __future__ import annotations


def with_cure(text: str) -> str:
    """SQLite's message with the cure in its place; messages of another kind stay as they are."""
    cures = {
        "full": "the disk is full; make room and start the same command again, nothing is lost",
        "readonly": "cannot be written; check the folder's rights, or give another --out",
        "unable to open": "cannot be opened or made; check the folder's rights, or give another --out",
        "locked": "held by another program for too long; close it and start the same command again",
        "locking protocol": "the folder lies on a drive that cannot hold a ledger; give an --out on a local disk",
        "disk I/O": "the drive fails or went away; check it and start the same command again",
        "malformed": "damaged; restore a copy, or give another --out",
        "not a database": "damaged or not written by opercle; restore a copy, or give another --out",
    }
    return next((cure for sign, cure in cures.items() if sign in text), text)
