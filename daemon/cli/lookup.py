"""`crops`: what the crops want."""

from __future__ import annotations

import contextlib
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from daemon.cli.asking import find_config, load_config
from daemon.cli.options import AsJson, ConfigFile, among, crop_names
from daemon.cli.program import PLANNING, Failed, command, document, wrong
from daemon.cli.words import celsius

if TYPE_CHECKING:
    from daemon.screens import View
    from profiles.library import Library
    from profiles.model import Crop


_ACTIONS = ("show", "share")


@command(PLANNING)
def crops(
    action: Annotated[
        str | None,
        typer.Argument(metavar="show|share", autocompletion=among(*_ACTIONS), show_default=False),
    ] = None,
    names: Annotated[
        list[str] | None,
        typer.Argument(metavar="CROP...", autocompletion=crop_names, show_default=False),
    ] = None,
    room: Annotated[
        str,
        typer.Option(metavar="TEMP", help="How warm the room is, for what a mat uses: 18C, 64F."),
    ] = "18C",
    trays: Annotated[
        float, typer.Option(metavar="N", min=0.1, max=1000, help="Trays on the mat.")
    ] = 1.0,
    folder: Annotated[
        Path | None,
        typer.Option(
            metavar="DIR", help="A folder of crops of your own, laid over the shipped ones."
        ),
    ] = None,
    config: ConfigFile = None,
    as_json: AsJson = False,
) -> None:
    """Before sowing: which crops are known, what each wants, and how warm to germinate it.

    show has every figure of one with its source, and for each temperature of the soil the days, the
    normal seedlings and the kWh. share finds the temperature at which several germinate best on one
    bench, and why; or how to part them.

    $ hotbed crops

    $ hotbed crops show lettuce --room 16C

    $ hotbed crops share tomato pepper lettuce

    $ hotbed crops --folder my-crops
    """
    from daemon.screens import View, console
    from daemon.screens import crops as screen
    from profiles.library import UnknownCrop
    from profiles.problems import nearest

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
    if action not in _ACTIONS:
        with contextlib.suppress(UnknownCrop):
            name = library.crop(action).name
            raise wrong(f"no action {action!r}; for one crop: hotbed crops show {name}")
        raise wrong(
            f"no action {action!r}{nearest(action, _ACTIONS)}; known: {', '.join(_ACTIONS)}"
        )
    known = ", ".join(library.crops)
    if not names:
        raise wrong(f"which one? hotbed crops {action} CROP, one of {known}")
    try:
        chosen = [library.crop(name) for name in names]
    except UnknownCrop as error:
        raise Failed(str(error)) from None
    room_c = celsius("--room", room, view.units)
    if action == "share":
        _share(chosen, room_c, view, as_json)
    elif len(chosen) > 1:
        raise wrong(
            f"show takes one crop; for several on one bench: hotbed crops share {' '.join(names)}"
        )
    else:
        _show(chosen[0], library, room_c, trays, view, as_json)


def _show(
    crop: Crop, library: Library, room_c: float, trays: float, view: View, as_json: bool
) -> None:
    from daemon.screens import console, crop_sheet
    from daemon.screens.crops import Trades
    from profiles.setpoint import best_c, trade_off

    try:
        rows = trade_off(crop, room_c, trays=trays)
    except ValueError as error:
        raise wrong(str(error)) from None
    if not as_json:
        stand_in = crop.emergence_row if crop.stand_in else ""
        found = Trades(rows, room_c, trays, best_c(crop), stand_in=stand_in)
        console().print(crop_sheet(crop, library, view, found))
        return
    sources = {key: source.model_dump() for key, source in library.sources.items()}
    figures = crop.model_dump(mode="json", exclude={"emergence"})
    figures["emergence"] = {"days": crop.emergence.points, "never": crop.emergence.never}
    germinating = {
        "room_c": room_c,
        "trays": trays,
        "aim_c": best_c(crop),
        "temperatures": [asdict(row) for row in rows],
    }
    result = {"crop": figures, "germinating": germinating, "sources": sources}
    document({"ok": True, "result": result})


def _share(chosen: list[Crop], room_c: float, view: View, as_json: bool) -> None:
    from daemon.screens import console
    from daemon.screens.crops import shared, why_shared
    from profiles.setpoint import benches_for, best_c, best_shared, trade

    unique = list({crop.name: crop for crop in chosen}.values())
    found = best_shared(unique)
    try:
        fares = [
            (trade(crop, found.soil_c, room_c), trade(crop, best_c(crop), room_c))
            for crop in unique
        ]
    except ValueError as error:
        raise wrong(str(error)) from None
    groups = benches_for(unique)
    if not as_json:
        console().print(shared(found, fares, groups, view))
        return
    document(
        {
            "ok": True,
            "result": {
                "soil_c": found.soil_c,
                "fits": found.fits,
                "accepted": {"low": found.low_c, "high": found.high_c},
                "why": why_shared(found, groups, view),
                "crops": {
                    crop.name: {"here": asdict(here), "alone": asdict(alone)}
                    for crop, (here, alone) in zip(unique, fares, strict=True)
                },
                "benches": [[crop.name for crop in group] for group in groups],
            },
        }
    )


def read_library(folder: Path | None) -> Library:
    """The crops, or the end of the command with what is wrong in them."""
    from profiles.library import ProfileError, load_library

    try:
        return load_library(folder)
    except ProfileError as error:
        raise Failed(str(error)) from None
