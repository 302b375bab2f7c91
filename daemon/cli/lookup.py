"""`crops`: what the crops want."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from daemon.cli.asking import find_config, load_config
from daemon.cli.options import AsJson, ConfigFile, among, crop_names
from daemon.cli.program import PLANNING, Failed, command, document, wrong

if TYPE_CHECKING:
    from profiles.library import Library


@command(PLANNING)
def crops(
    action: Annotated[
        str | None,
        typer.Argument(metavar="show", autocompletion=among("show"), show_default=False),
    ] = None,
    crop: Annotated[
        str | None,
        typer.Argument(metavar="CROP", autocompletion=crop_names, show_default=False),
    ] = None,
    folder: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR", help="A folder of crops of your own, laid over the shipped ones."
        ),
    ] = None,
    config: ConfigFile = None,
    as_json: AsJson = False,
) -> None:
    """Before sowing: which crops are known, and what each wants at each stage, with the source.

    $ hotbed crops
    $ hotbed crops show lettuce
    $ hotbed crops --folder my-crops
    """
    from daemon.screens import View, console, crop_sheet
    from daemon.screens import crops as screen
    from profiles.library import UnknownCrop

    # Crops are read without a daemon, and so without a configuration too.
    path = find_config(config)
    found = load_config(path) if path is not None else None
    if folder is None and found is not None:
        folder = found.site.crops
    view = View(None, found.site.units if found is not None else "C")
    library = read_library(folder)
    if action is None:
        if as_json:
            document({"ok": True, "result": {"crops": list(library.crops)}})
        else:
            console().print(screen(library, view))
        return
    if action != "show":
        with contextlib.suppress(UnknownCrop):
            action = library.crop(action).name
        raise wrong(f"no action {action!r}; for one crop: hotbed crops show {action}")
    if crop is None:
        raise wrong(f"which one? hotbed crops show CROP, one of {', '.join(library.crops)}")
    try:
        one = library.crop(crop)
    except UnknownCrop as error:
        raise Failed(str(error)) from None
    if as_json:
        sources = {key: source.model_dump() for key, source in library.sources.items()}
        figures = one.model_dump(mode="json", exclude={"emergence"})
        figures["emergence"] = {"days": one.emergence.points, "never": one.emergence.never}
        document({"ok": True, "result": {"crop": figures, "sources": sources}})
    else:
        console().print(crop_sheet(one, library, view))


def read_library(folder: Path | None) -> Library:
    from profiles.library import ProfileError, load_library

    try:
        return load_library(folder)
    except ProfileError as error:
        raise Failed(str(error)) from None
