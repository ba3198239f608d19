"""configs/*.toml, later files win, made into one `Settings`.

A file may be partial. One that begins with `species = "..."` holds for the rows of that species only, and may set the
sections that `SpeciesSettings` has.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from pipeline import regular_files
from pipeline.errors import SettingsError
from pipeline.names import folded
from pipeline.settings.whole import Settings
from pipeline.settings.words import KeyPath, wrong

_HERE = Path(__file__).resolve().parent.parent
SHIPPED = _HERE / "configs" if (_HERE / "configs").is_dir() else _HERE.parent / "configs"
"""Folder of the settings that come with the program (inside the wheel, or at the top of a checkout)."""

_MOST_DEPTH = 5
"""Groups within groups; the deepest that a setting lies in is `[water."a lake"]` or `[count.weights]`."""
_TOO_DEEP = "{}: groups of settings within groups, deeper than any setting lies; write [section] above key = value"
SPECIES_SECTIONS = ("growth", "season", "water", "population")


def read_settings(extra: Iterable[str | Path] = ()) -> Settings:
    """The shipped settings with the given files on top, in order.

    `extra` are paths of TOML files, or bare names of shipped ones (`photocopy`). Raises SettingsError, a line for each
    fault: file, key, what is allowed and what was found.
    """
    # general.toml and fitted.toml first, then every shipped species; scanning set-ups only when asked for.
    species = sorted(path for path in SHIPPED.glob("*.toml") if "species" in _load(path))
    files = [SHIPPED / "general.toml", SHIPPED / "fitted.toml", *species, *(_locate(name) for name in extra)]
    general: dict[str, Any] = {}
    by_species: dict[str, dict[str, Any]] = {}
    origin: dict[KeyPath, str] = {}
    for path in files:
        content = _load(path)
        name = content.pop("species", None)
        if name is None:
            _merge(general, content, origin, path.name, ())
            continue
        if not isinstance(name, str) or not name.strip():
            raise SettingsError(f'{path.name}: species: must be a name in quotes, as "walleye"')
        other = [key for key in content if key not in SPECIES_SECTIONS]
        if other:
            raise SettingsError(
                f"{path.name}: {other[0]}: does not differ by species; {', '.join(SPECIES_SECTIONS)} may"
            )
        key = folded(name.strip())
        _merge(by_species.setdefault(key, {}), content, origin, path.name, ("species", key))
    shared = {section: general.get(section, {}) for section in SPECIES_SECTIONS}
    merged = general | {"species": {key: _over(shared, own) for key, own in by_species.items()}}
    for holder in (merged, *merged["species"].values()):
        waters = holder.get("water", {})
        holder["water"] = {water: _over(holder["season"], own) for water, own in waters.items()}
    try:
        # As JSON, since TOML and JSON agree on what a number, a list and a text are, and Python is more lenient.
        return Settings.model_validate_json(json.dumps(merged, default=str), strict=True)
    except ValidationError as e:
        raise SettingsError("\n".join(_lines(e, origin))) from None


def _locate(name: str | Path) -> Path:
    path = Path(name)
    if path.exists() and not path.is_dir():
        return path
    shipped = SHIPPED / f"{path.name}.toml"
    if path.name == str(name) and shipped.is_file():
        return shipped
    known = ", ".join(sorted(p.stem for p in SHIPPED.glob("*.toml")))
    raise SettingsError(f"{name}: no such settings file; give a path, or one of {known}")


def _load(path: Path) -> dict[str, Any]:
    try:
        content = tomllib.loads(regular_files.read(path).decode("utf-8-sig"))
    except tomllib.TOMLDecodeError as e:
        raise SettingsError(f"{path.name}: not valid TOML: {e}") from None
    except RecursionError:
        raise SettingsError(_TOO_DEEP.format(path.name)) from None
    except UnicodeDecodeError:
        raise SettingsError(f"{path.name}: not UTF-8; save the file as UTF-8") from None
    except OSError as e:
        raise SettingsError(f"{path.name}: cannot be read: {e.strerror}") from None
    groups: list[tuple[object, int]] = [(content, 0)]
    while groups:
        group, depth = groups.pop()
        if depth > _MOST_DEPTH:
            raise SettingsError(_TOO_DEEP.format(path.name))
        if isinstance(group, dict):
            groups += [(value, depth + 1) for value in group.values()]
    return content


def _merge(into: dict[str, Any], new: Mapping[str, Any], origin: dict[KeyPath, str], file: str, at: KeyPath) -> None:
    for key, value in new.items():
        place = (*at, key)
        origin[place] = file
        if isinstance(value, dict):
            if not isinstance(into.get(key), dict):
                into[key] = {}
            _merge(into[key], value, origin, file, place)
        elif isinstance(into.get(key), dict) or "water" in (key, *at[-1:]):
            raise SettingsError(f"{file}: {'.'.join(map(str, place))}: must be a group of settings, found {value!r}")
        else:
            into[key] = value


def _over(base: Mapping[str, Any], top: Mapping[str, Any]) -> dict[str, Any]:
    out = {k: dict(v) if isinstance(v, dict) else v for k, v in base.items()}
    for k, v in top.items():
        out[k] = _over(out[k], v) if isinstance(v, dict) and isinstance(out.get(k), dict) else v
    return out


def _lines(error: ValidationError, origin: Mapping[KeyPath, str]) -> Iterable[str]:
    found = ((fault["loc"], wrong(fault, Settings)) for fault in error.errors())
    # A fault of the general settings would come up again in every species and water: it is named once.
    return dict.fromkeys(_line(_written_at(place, origin), what, origin) for place, what in found)


def _written_at(place: KeyPath, origin: Mapping[KeyPath, str]) -> KeyPath:
    """Where the value that holds at a place was written: there, or in what the place takes over."""
    own = [place, place[2:]] if place[:1] == ("species",) else [place]
    seasons = [(*at[:-3], "season", at[-1]) for at in own if at[-3:-2] == ("water",)]
    return next((at for at in (*own, *seasons) if at in origin), own[-1])


def _line(place: KeyPath, what: str, origin: Mapping[KeyPath, str]) -> str:
    file = next((origin[place[:n]] for n in range(len(place), 0, -1) if place[:n] in origin), "general.toml")
    # A species' own file does not name the species again in front of each key.
    shown = place[2:] if place[:1] == ("species",) else place
    return f"{file}: {'.'.join(map(str, shown))}: {what}"
