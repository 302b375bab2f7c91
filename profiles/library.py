"""The crops a site knows: the shipped ones, and a grower's own folder laid over them.

A grower's folder holds one TOML file a crop, named for the crop. A file named for a shipped crop
gives only what it changes: tables are merged key by key, but a figure (a table with a `source`) is
replaced whole, so that no number stands under another's source. A crop's `group` names a file of
figures that several crops share, laid under it in the same way. `sources.toml` there adds to the
bibliography; `source = "own"` needs no entry. The only module of `profiles` that reads files.
"""

from __future__ import annotations

import csv
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any, TypeVar, cast

from pydantic import RootModel, ValidationError

from profiles.emergence import EmergenceModel
from profiles.model import (
    Citation,
    Crop,
    CropFile,
    LimitKind,
    NormalSeedlings,
    Part,
    Source,
    Stage,
)
from profiles.problems import explain, nearest

_DATA = Path(__file__).parent / "data"
_SOURCES_FILE = "sources.toml"
#: More levels of tables and lists than any profile has; beyond, a file is refused unread.
_DEEPEST = 12

Table = dict[str, Any]
_P = TypeVar("_P", bound=Part)


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


@dataclass(frozen=True, slots=True)
class _Shipped:
    """What comes with the package.

    days, normal: the published tables by row, each with the source that it names.
    groups, tables: of the groups, whole, and of the crops, as their files have them.
    """

    days: Mapping[str, EmergenceModel]
    days_source: str
    normal: Mapping[str, NormalSeedlings]
    normal_source: str
    groups: Mapping[str, Table]
    sources: Mapping[str, Citation]
    tables: Mapping[str, Table]
    crops: Mapping[str, Crop]


def load_library(extra: Path | None = None) -> Library:
    """The shipped crops, with those of the grower's folder `extra` added and laid over them.

    Raises ProfileError with every problem found.
    """
    shipped = _shipped()
    if extra is None:
        return Library(shipped.crops, shipped.sources)
    if not extra.is_dir():
        raise ProfileError([f"{extra}: no such folder"])
    problems: list[str] = []
    sources = dict(shipped.sources)
    sources |= _read_sources(extra / _SOURCES_FILE, sources, problems)
    own: dict[str, Crop] = {}
    paths = [path for path in sorted(extra.glob("*.toml")) if path.name != _SOURCES_FILE]
    tables = {path: table for path in paths if (table := _read_toml(path, problems)) is not None}
    for path, table in tables.items():
        name = path.stem
        below = shipped.tables.get(name)
        found, crop = _crop(name, _laid_over(below or {}, table), shipped, sources)
        if found and below is None:
            known = list(shipped.tables)
            found.insert(
                0, f"no crop {name!r} is shipped, so this is a new one{nearest(name, known)}"
            )
        problems += [f"{path}: {problem}" for problem in found]
        if crop is not None:
            own[name] = crop
    others = {name: crop for name, crop in shipped.crops.items() if name not in own}
    problems += [f"{extra / name}.toml: {problem}" for name, problem in _shared_names(others | own)]
    if problems:
        raise ProfileError(problems)
    return Library(
        MappingProxyType(dict(sorted((others | own).items()))), MappingProxyType(sources)
    )


def forget_files() -> None:
    """Let go of what is kept of the shipped files so that the next library need not read them again."""
    _shipped.cache_clear()


@cache
def _shipped() -> _Shipped:
    """What comes with the package, read once: it does not change while we run. Raises ProfileError."""
    problems: list[str] = []
    days, days_source, normal, normal_source = _read_published()
    groups = _read_groups(problems)
    sources = _read_sources(_DATA / _SOURCES_FILE, {}, problems)
    tables = {
        path.stem: _read_toml(path, problems) or {}
        for path in sorted((_DATA / "crops").glob("*.toml"))
    }
    shipped = _Shipped(days, days_source, normal, normal_source, groups, sources, tables, {})
    crops = {}
    known: dict[Part, Part] = {}
    for name, table in tables.items():
        found, crop = _crop(name, table, shipped, sources)
        problems += [f"{_DATA / 'crops' / name}.toml: {problem}" for problem in found]
        if crop is not None:
            crops[name] = _sharing(crop, known)
    problems += [f"{_DATA / 'crops' / name}.toml: {line}" for name, line in _shared_names(crops)]
    if problems:
        raise ProfileError(problems)
    return replace(shipped, crops=MappingProxyType(crops), sources=MappingProxyType(sources))


def _crop(
    name: str, table: Table, shipped: _Shipped, sources: Mapping[str, Citation]
) -> tuple[list[str], Crop | None]:
    """The crop that a file's table describes, over its group's, or else what is wrong with it."""
    if isinstance(given := table.get("name", name), str) and given != name:
        return [f"name: {given!r}; allowed: {name!r}, as the file is named"], None
    if (group := table.get("group", "")) and isinstance(group, str):  # no text: the model says so
        if group not in shipped.groups:
            return _no_such("group", group, shipped.groups), None
        table = _laid_over(shipped.groups[group], table)
    problems = _unknown_sources(table, sources)
    # Told here, for a misspelt stage or limit is else told as one that lacks everything.
    for key, kind, known in (
        ("stages", "stage", [stage.value for stage in Stage]),
        ("limits", "limit", [limit.value for limit in LimitKind]),
    ):
        if isinstance(parts := table.get(key), dict):
            unknown = [part for part in parts if part not in known]
            problems += [
                f"{key}.{part}: no such {kind}{nearest(part, known)}; allowed: {', '.join(known)}"
                for part in unknown
            ]
            table = table | {key: {k: v for k, v in parts.items() if k not in unknown}}
    try:
        file = CropFile.model_validate({"name": name} | table)
    except ValidationError as error:
        return problems + explain(error, CropFile), None
    row, normal_row = file.emergence_row, file.normal_seedlings_row or file.emergence_row
    own = file.emergence_days
    if own is None:
        problems += _no_such("emergence_row", row, shipped.days)
    if normal_row not in ("", "none", row):
        problems += _no_such("normal_seedlings_row", normal_row, shipped.normal)
    if problems:
        return problems, None
    figures: Table = {key: value for key, value in file if key != "emergence_days"}
    figures |= {
        "normal_seedlings_row": normal_row,
        "normal_seedlings": shipped.normal.get(normal_row),
        "normal_seedlings_source": shipped.normal_source,
    }
    if own is not None:
        figures |= {"emergence_row": name, "stand_in": ""}
        return [], Crop(**figures, emergence=own.model(), emergence_source=own.source)
    if row.partition(" (")[0] not in name.split("-") and not file.stand_in:
        return [f"stand_in: is missing; say why {name} follows the row of {row}"], None
    return [], Crop(**figures, emergence=shipped.days[row], emergence_source=shipped.days_source)


def _sharing(part: _P, known: dict[Part, Part]) -> _P:
    """The same, each piece that is equal to one of `known` being that one, and the others added there:
    crops have most of their figures in common, and each takes a kilobyte of memory."""

    def of(value: object) -> object:
        if isinstance(value, dict):
            return {key: of(inner) for key, inner in value.items()}
        if not isinstance(value, Part):
            return value
        value = _sharing(value, known)
        return known.setdefault(value, value)

    # Which of its fields were given nobody asks any more; a set of their names is most of that kilobyte.
    pieces: dict[str, Any] = {key: of(value) for key, value in part}
    return cast("_P", type(part).model_construct(set(), **pieces))


def _no_such(key: str, name: str, known: Mapping[str, object]) -> list[str]:
    if name in known:
        return []
    return [f"{key}: {name!r}{nearest(name, list(known))}; allowed: {', '.join(known)}"]


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


def _shared_names(crops: Mapping[str, Crop]) -> list[tuple[str, str]]:
    """Codes and names that two crops claim, told of the later; a label or a request must mean one."""
    first: dict[tuple[str, str], str] = {}
    return [
        (crop.name, f"{kind} {word!r} is also {first[kind, word]}'s")
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
        table = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except tomllib.TOMLDecodeError as error:
        problems.append(f"{path}: not valid TOML: {error}")
        return None
    except UnicodeDecodeError as error:
        problems.append(f"{path}: not UTF-8 text, at byte {error.start}")
        return None
    except OSError as error:
        problems.append(f"{path}: cannot be read: {error.strerror}")
        return None
    except RecursionError:
        table = None
    except ValueError:
        # Python declines to read whole numbers of thousands of digits, and tomllib lets it through.
        problems.append(f"{path}: not valid TOML: a number or date that cannot be read")
        return None
    if table is None or _deeper(table, _DEEPEST):
        problems.append(f"{path}: tables or lists in more than {_DEEPEST} levels")
        return None
    if not table:
        problems.append(f"{path}: empty")
        return None
    return table


def _deeper(value: object, levels: int) -> bool:
    """Whether tables and lists are nested deeper than `levels`; looks no further than that."""
    inner: Iterable[object]
    match value:
        case dict():
            inner = value.values()
        case list():
            inner = value
        case _:
            return False
    return levels == 0 or any(_deeper(part, levels - 1) for part in inner)


def _read_groups(problems: list[str]) -> dict[str, Table]:
    """The tables that crops share, by name, each over the group that it names in turn."""
    paths = sorted((_DATA / "groups").glob("*.toml"))
    tables = {path.stem: _read_toml(path, problems) or {} for path in paths}

    def whole(name: str) -> Table:
        table = tables[name]
        return _laid_over(whole(table["group"]), table) if "group" in table else table

    return {name: whole(name) for name in tables}


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


def _read_published() -> tuple[dict[str, EmergenceModel], str, dict[str, NormalSeedlings], str]:
    """The tables of days to emergence and of normal seedlings, by row, each with its source.

    A cell of days is a number, "NG" where nothing came up, or "-" or empty where nothing was tested.
    The percentages come from another rendering and are read beside the days: where those say that
    nothing came up there are no seedlings, a 0 where those were not tested was not counted, and an
    empty cell is not given (see profiles/data/README.md). Raises ProfileError.
    """
    path = _DATA / "emergence_days.csv"
    days, days_source = _read_table(path)
    percents, normal_source = _read_table(_DATA / "normal_seedlings_percent.csv")
    models: dict[str, EmergenceModel] = {}
    normal: dict[str, NormalSeedlings] = {}
    name = ""
    try:
        for name, tested in days.items():
            models[name] = EmergenceModel(
                points=tuple(
                    (t, float(cell)) for t, cell in tested.items() if cell not in ("NG", "-", "")
                ),
                never=tuple(t for t, cell in tested.items() if cell == "NG"),
            )
        path = _DATA / "normal_seedlings_percent.csv"
        for name, given in percents.items():
            tested = days[name]
            normal[name] = NormalSeedlings(
                points=tuple(
                    (t, 0.0 if tested[t] == "NG" else float(cell))
                    for t, cell in given.items()
                    if tested[t] == "NG" or (cell and (cell, tested[t]) != ("0", "-"))
                )
            )
    except ValueError as error:
        raise ProfileError([f"{path}: {name}: {error}"]) from error
    return models, days_source, normal, normal_source


def _read_table(path: Path) -> tuple[dict[str, dict[float, str]], str]:
    """The cells of a table by row and temperature [°C], and the source that its heading names."""
    lines = path.read_text(encoding="utf-8").splitlines()
    source = next(
        (s.removeprefix("# source:").strip() for s in lines if s.startswith("# source:")), ""
    )
    rows: dict[str, dict[float, str]] = {}
    try:
        table = csv.reader(line for line in lines if not line.startswith("#"))
        temperatures = [float(heading.removesuffix("C")) for heading in next(table)[1:]]
        for name, *cells in table:
            rows[name] = dict(zip(temperatures, cells, strict=True))
    except ValueError as error:
        raise ProfileError([f"{path}: row {len(rows) + 1}: {error}"]) from error
    return rows, source
