"""The crops a site knows: the shipped ones, and a grower's own folder laid over them.

A grower's folder holds one TOML file a crop, named for the crop. A file named for a shipped crop
gives only what it changes: tables are merged key by key, but a figure (a table with a `source`) is
replaced whole, so that no number stands under another's source. `sources.toml` there adds to the
bibliography; `source = "own"` needs no entry. The only module of `profiles` that reads files.
"""

from __future__ import annotations

import csv
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

from pydantic import RootModel, ValidationError

from profiles.emergence import EmergenceModel
from profiles.model import Citation, Crop, CropFile, Source, Stage
from profiles.problems import explain, nearest

_DATA = Path(__file__).parent / "data"
_SOURCES_FILE = "sources.toml"

Table = dict[str, Any]


class ProfileError(Exception):
    """Crop data that is refused; `problems` holds one line each, naming file, key, value and what
    is allowed."""

    def __init__(self, problems: Iterable[str]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(self.problems))


class UnknownCrop(LookupError):  # noqa: N818
    """A crop that the library does not have; the message has the nearest names, and all of them."""


class _Bibliography(RootModel[dict[Source, Citation]]):
    """What sources.toml holds."""


@dataclass(frozen=True, slots=True)
class Library:
    """All crops, and the bibliography that their sources refer to.

    crops: by name, in alphabetical order.
    sources: by the key that a figure's `source` gives.
    """

    crops: Mapping[str, Crop]
    sources: Mapping[str, Citation]

    def crop(self, name: str) -> Crop:
        """The crop of that name, title or alias, whatever its capitals; raises UnknownCrop."""
        wanted = _plain(name)
        for crop in self.crops.values():
            if wanted in _names(crop):
                return crop
        near = nearest(wanted, [word for crop in self.crops.values() for word in _names(crop)])
        raise UnknownCrop(f"no crop {name!r}{near}; known: {', '.join(self.crops)}")


def load_library(extra: Path | None = None) -> Library:
    """The shipped crops, with those of the grower's folder `extra` added and laid over them.

    Raises ProfileError with every problem found.
    """
    problems: list[str] = []
    rows, rows_source = _read_emergence(_DATA / "emergence_days.csv")
    sources = _read_sources(_DATA / _SOURCES_FILE, {}, problems)
    files = {path.stem: path for path in sorted((_DATA / "crops").glob("*.toml"))}
    tables = {name: _read_toml(path, problems) or {} for name, path in files.items()}
    shipped = list(files)
    if extra is not None:
        if not extra.is_dir():
            raise ProfileError([f"{extra}: no such folder"])
        sources |= _read_sources(extra / _SOURCES_FILE, sources, problems)
        for path in sorted(extra.glob("*.toml")):
            if path.name == _SOURCES_FILE:
                continue
            own = _read_toml(path, problems)
            if own is not None:
                files[path.stem] = path
                tables[path.stem] = _laid_over(tables.get(path.stem, {}), own)

    crops: dict[str, Crop] = {}
    for name in sorted(tables):
        if not tables[name]:
            continue
        found, crop = _crop(name, tables[name], rows, rows_source)
        found += _unknown_sources(tables[name], sources)
        if found and name not in shipped:
            found.insert(
                0, f"no crop {name!r} is shipped, so this is a new one{nearest(name, shipped)}"
            )
        problems += [f"{files[name]}: {problem}" for problem in found]
        if crop is not None:
            crops[name] = crop
    problems += _shared_names(crops, files)
    if problems:
        raise ProfileError(problems)
    return Library(MappingProxyType(crops), MappingProxyType(sources))


def _crop(
    name: str, table: Table, rows: Mapping[str, EmergenceModel], rows_source: str
) -> tuple[list[str], Crop | None]:
    """The crop that a file's table describes, or else what is wrong with it."""
    if (given := table.get("name", name)) != name:
        return [f"name: {given!r}; allowed: {name!r}, as the file is named"], None
    problems = []
    known_stages = [stage.value for stage in Stage]
    if isinstance(stages := table.get("stages"), dict):
        # Told here, for a misspelt stage is else told as one that lacks everything.
        unknown = [key for key in stages if key not in known_stages]
        problems = [
            f"stages.{key}: no such stage{nearest(key, known_stages)}; allowed: {', '.join(known_stages)}"
            for key in unknown
        ]
        stages = {key: value for key, value in stages.items() if key not in unknown}
        table = table | {"stages": stages}
    try:
        file = CropFile.model_validate(table | {"name": name})
    except ValidationError as error:
        return problems + explain(error, CropFile), None
    if problems:
        return problems, None
    figures: Table = {key: value for key, value in file if key != "emergence_days"}
    if (own := file.emergence_days) is not None:
        figures |= {"emergence_row": name, "stand_in": ""}
        return [], Crop(**figures, emergence=own.model(), emergence_source=own.source)
    row = file.emergence_row
    if row not in rows:
        known = ", ".join(rows)
        return [f"emergence_row: {row!r}{nearest(row, list(rows))}; allowed: {known}"], None
    if row.partition(" (")[0] not in name.split("-") and not file.stand_in:
        return [f"stand_in: is missing; say why {name} follows the row of {row}"], None
    return [], Crop(**figures, emergence=rows[row], emergence_source=rows_source)


def _laid_over(base: Table, top: Table) -> Table:
    """`top` merged over `base`, table by table; a figure, which has a source, is replaced whole."""
    merged = dict(base)
    for key, value in top.items():
        below = base.get(key)
        if isinstance(value, dict) and isinstance(below, dict) and "source" not in below:
            value = _laid_over(below, value)
        merged[key] = value
    return merged


def _unknown_sources(table: Table, sources: Mapping[str, Citation]) -> list[str]:
    return [
        f"{place}.source: {source!r} is not in the bibliography{nearest(source, list(sources))}; "
        f'allowed: "own", or a key of sources.toml'
        for place, source in _sources_in(table)
        if source not in sources
    ]


def _sources_in(table: Table, place: str = "") -> Iterator[tuple[str, str]]:
    for key, value in table.items():
        if isinstance(value, dict):
            here = f"{place}.{key}" if place else key
            if isinstance(source := value.get("source"), str):
                yield here, source
            yield from _sources_in(value, here)


def _shared_names(crops: Mapping[str, Crop], files: Mapping[str, Path]) -> list[str]:
    """Codes and names that two crops claim; a label or a request must mean one of them."""
    first: dict[tuple[str, str], str] = {}
    return [
        f"{files[crop.name]}: {kind} {word!r} is also {first[kind, word]}'s"
        for crop in crops.values()
        for kind, word in [("code", crop.code), *(("name", name) for name in _names(crop))]
        if first.setdefault((kind, word), crop.name) != crop.name
    ]


def _names(crop: Crop) -> list[str]:
    return list(dict.fromkeys(map(_plain, (crop.name, crop.title, *crop.aliases))))


def _plain(name: str) -> str:
    return "-".join(name.replace("-", " ").casefold().split())


# Reading files


def _read_toml(path: Path, problems: list[str]) -> Table | None:
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except tomllib.TOMLDecodeError as error:
        problems.append(f"{path}: not valid TOML: {error}")
        return None
    except UnicodeDecodeError as error:
        problems.append(f"{path}: not UTF-8 text, at byte {error.start}")
        return None
    except OSError as error:
        problems.append(f"{path}: cannot be read: {error.strerror}")
        return None
    if not table:
        problems.append(f"{path}: empty")
        return None
    return table


def _read_sources(
    path: Path, known: Mapping[str, Citation], problems: list[str]
) -> dict[str, Citation]:
    """A bibliography's entries; a file that is not there has none."""
    table = _read_toml(path, problems) if path.exists() else None
    try:
        sources = _Bibliography.model_validate(table or {}).root
    except ValidationError as error:
        problems += [f"{path}: {line}" for line in explain(error, _Bibliography)]
        return {}
    for key in sources:
        if key in known:
            problems.append(f"{path}: {key}: is in the shipped bibliography; allowed: another key")
    return sources


def _read_emergence(path: Path) -> tuple[dict[str, EmergenceModel], str]:
    """The rows of a days-to-emergence table, and the source that its heading names.

    A cell is days, "NG" where nothing came up, or "-" or empty where nothing was tested. Raises
    ProfileError.
    """
    lines = path.read_text(encoding="utf-8").splitlines()
    source = next(
        (s.removeprefix("# source:").strip() for s in lines if s.startswith("# source:")), ""
    )
    rows: dict[str, EmergenceModel] = {}
    try:
        table = csv.reader(line for line in lines if not line.startswith("#"))
        temperatures = [float(heading.removesuffix("C")) for heading in next(table)[1:]]
        for name, *cells in table:
            tested = list(zip(temperatures, cells, strict=True))
            rows[name] = EmergenceModel(
                points=tuple((t, float(cell)) for t, cell in tested if cell not in ("NG", "-", "")),
                never=tuple(t for t, cell in tested if cell == "NG"),
            )
    except ValueError as error:
        raise ProfileError([f"{path}: row {len(rows) + 1}: {error}"]) from error
    return rows, source
