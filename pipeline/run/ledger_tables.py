"""The tables of a run's ledger, and whether its rows hold what they should."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from pipeline.codes import REFUSALS

VERSION = 3
"""Of the tables; a ledger of another version is left alone."""

TABLES = """
CREATE TABLE meta(key TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE files(name TEXT PRIMARY KEY);
CREATE TABLE scans(
    scan TEXT PRIMARY KEY, path TEXT NOT NULL, size INTEGER NOT NULL, mtime_ns INTEGER NOT NULL,
    ctime_ns INTEGER NOT NULL, inode INTEGER NOT NULL, sha256 TEXT NOT NULL,
    settings TEXT NOT NULL, code TEXT NOT NULL, hints TEXT NOT NULL, cause TEXT NOT NULL,
    width INTEGER NOT NULL, height INTEGER NOT NULL, bones INTEGER NOT NULL,
    stage TEXT NOT NULL, refusal TEXT NOT NULL, detail TEXT NOT NULL);
CREATE TABLE bones(
    scan TEXT NOT NULL REFERENCES scans(scan) ON DELETE CASCADE, number INTEGER NOT NULL,
    digest TEXT NOT NULL, measures TEXT NOT NULL, shape TEXT NOT NULL, PRIMARY KEY(scan, number));
CREATE TABLE specimens(position INTEGER PRIMARY KEY, scan TEXT NOT NULL, record TEXT NOT NULL);
CREATE TABLE ages(
    position INTEGER PRIMARY KEY, specimen TEXT UNIQUE NOT NULL, record TEXT NOT NULL, age TEXT NOT NULL,
    final TEXT NOT NULL, sources TEXT NOT NULL);
CREATE TABLE calls(number INTEGER PRIMARY KEY, command TEXT NOT NULL, finished TEXT NOT NULL);
CREATE TABLE changes(
    id INTEGER PRIMARY KEY, call INTEGER NOT NULL, specimen TEXT NOT NULL, name TEXT NOT NULL, old TEXT NOT NULL,
    new TEXT NOT NULL, cause TEXT NOT NULL);
CREATE TABLE queue(rank INTEGER PRIMARY KEY, specimen TEXT UNIQUE NOT NULL);
CREATE TABLE blind(specimen TEXT PRIMARY KEY);
CREATE TABLE pictures(name TEXT PRIMARY KEY, drawn_from TEXT NOT NULL);
CREATE TABLE readings(
    id INTEGER PRIMARY KEY, specimen TEXT NOT NULL, reader TEXT NOT NULL, annuli INTEGER, age_class INTEGER,
    edge TEXT NOT NULL, readability TEXT NOT NULL, seconds REAL, read_on TEXT NOT NULL,
    settles INTEGER NOT NULL, note TEXT NOT NULL);
CREATE TABLE corrections(
    id INTEGER PRIMARY KEY, scan TEXT NOT NULL, bone INTEGER NOT NULL, reader TEXT NOT NULL, made_on TEXT NOT NULL,
    lighting TEXT NOT NULL, dpi REAL, focus_x REAL, focus_y REAL, axis_x REAL, axis_y REAL,
    note TEXT NOT NULL);
CREATE TABLE desk(
    id INTEGER PRIMARY KEY, key TEXT UNIQUE NOT NULL, specimen TEXT NOT NULL, reader TEXT NOT NULL, act TEXT NOT NULL,
    mark INTEGER NOT NULL, x REAL, y REAL, at TEXT NOT NULL);
CREATE INDEX desk_by_specimen ON desk(specimen);
CREATE INDEX readings_by_specimen ON readings(specimen);
"""

_STORED_AS = {"TEXT": "'text'", "INTEGER": "'integer'", "REAL": "'real', 'integer'"}
"""Declared type of a column to what its cells may be; the system holds nobody to it."""
_NEVER = (
    "SELECT 1 FROM bones WHERE number < 1 OR scan NOT IN (SELECT scan FROM scans)",
    "SELECT 1 FROM scans WHERE hints LIKE '{%' AND NOT json_valid(hints)",
    "SELECT 1 FROM meta WHERE key = 'description' AND value <> '' AND NOT json_valid(value)",
    f"SELECT 1 FROM scans WHERE refusal NOT IN ('', {', '.join(repr(code) for code in REFUSALS)})",
)
"""Queries that find nothing in a sound ledger."""


def damaged(rows: Callable[[str], Iterable[Any]]) -> bool:
    """Whether some row holds what no row of this program does; `rows` gives those that a query finds. Records kept as
    JSON are looked into when they are read."""
    tables = [name for (name,) in rows("SELECT name FROM sqlite_master WHERE type = 'table'")]
    queries = [f"SELECT 1 FROM {table} WHERE {_wrong_cells(rows(f'PRAGMA table_info({table})'))}" for table in tables]
    return any(list(rows(f"{query} LIMIT 1")) for query in (*queries, *_NEVER))


def _wrong_cells(columns: Iterable[Any]) -> str:
    """The condition that some cell is not as declared."""
    return " OR ".join(
        f"typeof({name}) NOT IN ({_STORED_AS[kind]}{'' if needed or key else ', ' + repr('null')})"
        for _, name, kind, needed, _, key in columns
    )
