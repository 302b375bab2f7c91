"""`sow`, `stage` and `move`: what happens to a batch."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Any

import typer

from daemon.cli.asking import Asking, asks, request
from daemon.cli.options import (
    At,
    BatchCode,
    Revision,
    Why,
    among,
    bench_names,
    crop_names,
    place_names,
)
from daemon.cli.program import EVERY_DAY, command, wrong
from daemon.cli.words import one_of


@command(EVERY_DAY)
@asks(by=True)
def sow(
    asking: Asking,
    crop: Annotated[
        str,
        typer.Argument(
            metavar="CROP",
            help="What is sown: see `hotbed crops`.",
            autocompletion=crop_names,
            show_default=False,
        ),
    ],
    bench: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="The bench it stands on.", autocompletion=bench_names),
    ] = None,
    place: Annotated[
        str | None,
        typer.Option(
            metavar="NAME",
            help="Or a place without heat and lamps, such as a porch.",
            autocompletion=place_names,
        ),
    ] = None,
    trays: Annotated[
        float,
        typer.Option(metavar="N", help="Trays of 10 x 20 inch (254 x 508 mm); parts allowed."),
    ] = 1.0,
    cells: Annotated[
        int | None,
        typer.Option(
            metavar="N", help="Cells (or seeds) sown in all: what counts are counted against."
        ),
    ] = None,
    variety: Annotated[str, typer.Option(metavar="TEXT", help="The variety.")] = "",
    lot: Annotated[str, typer.Option(metavar="TEXT", help="Seed lot, as on the packet.")] = "",
    year: Annotated[int | None, typer.Option(metavar="YYYY", help="Year of the seed.")] = None,
    treatment: Annotated[
        str, typer.Option(metavar="TEXT", help="What was done to the seed: soaked, pelleted.")
    ] = "",
    cover: Annotated[
        bool | None,
        typer.Option(
            "--cover/--no-cover", help="Under a cover, or not; as the crop has it otherwise."
        ),
    ] = None,
    at: At = None,
) -> None:
    """After sowing: make a batch of it, and have its bench warmed (and lit) for it from now on.

    The answer names the code to write on the label.

    $ hotbed sow lettuce --bench lower --cells 72 --variety "Joss's green"
    $ hotbed sow onion --place chamber --trays 0.5 --at "yesterday 18:00"
    """
    if (bench is None) == (place is None):
        raise wrong("where is it? Give either --bench NAME or --place NAME")
    request(
        asking,
        "sow",
        {
            "crop": crop,
            "place": bench or place,
            "trays": trays,
            "cells": cells,
            "variety": variety,
            "lot": lot,
            "year": year,
            "treatment": treatment,
            "covered": cover,
        },
        at=at,
    )


class Stages(StrEnum):
    """Where `stage` can take a batch: the stages, then the ways it can end."""

    GERMINATION = "germination"
    SEEDLING = "seedling"
    GROWING_ON = "growing-on"
    HOLDING = "holding"
    HARDENING = "hardening"
    PLANTED_OUT = "planted-out"
    HANDED_OVER = "handed-over"
    LOST = "lost"


STAGES = tuple(one.value for one in Stages)
_ENDS = STAGES[5:]


@command(EVERY_DAY)
@asks(by=True)
def stage(
    asking: Asking,
    batch: BatchCode,
    to: Annotated[
        str,
        typer.Argument(
            metavar="STAGE",
            help=f"{', '.join(STAGES[:5])}; or how it ended: {', '.join(_ENDS)}.",
            autocompletion=among(*STAGES),
            show_default=False,
        ),
    ],
    count: Annotated[
        int | None, typer.Option(metavar="N", min=0, help="How many, when it has ended.")
    ] = None,
    why: Why = "",
    at: At = None,
    revision: Revision = None,
) -> None:
    """When a batch has come up, been potted on, or left: take it to its next stage, or close it.

    Its bench is steered for the new stage at once. Backward is allowed, for a slip.

    $ hotbed stage LET1 seedling
    $ hotbed stage LET1 hardening --at 2027-04-02
    $ hotbed stage LET1 planted-out --count 66
    $ hotbed stage ONI2 lost --why "damped off" --by Joss
    """
    chosen = one_of("stage", to, STAGES)
    if chosen not in _ENDS:
        if count is not None:
            raise wrong(
                f"--count is for {', '.join(_ENDS)}; for seedlings that are up: "
                f"hotbed log {batch} emerged {count}"
            )
        arguments: dict[str, Any] = {"to": chosen, "why": why}
        request(asking, "stage", arguments, batch=batch, at=at, revision=revision)
        return
    if chosen == Stages.LOST and not why.strip():
        raise wrong('say why it was lost, it is what next year learns from: --why "damped off"')
    arguments = {"outcome": chosen, "count": count, "why": why}
    request(asking, "close", arguments, batch=batch, at=at, revision=revision)


@command(EVERY_DAY)
@asks(by=True)
def move(
    asking: Asking,
    batch: BatchCode,
    place: Annotated[
        str,
        typer.Argument(
            metavar="PLACE",
            help="The bench or place it now stands on.",
            autocompletion=place_names,
            show_default=False,
        ),
    ],
    trays: Annotated[
        float | None,
        typer.Option(
            metavar="N", help="Only so many of its trays; they become a batch of their own."
        ),
    ] = None,
    takes: Annotated[
        float | None,
        typer.Option(metavar="N", help="Trays it takes up there, after potting on."),
    ] = None,
    why: Why = "",
    revision: Revision = None,
) -> None:
    """When trays are carried elsewhere: say where a batch, or some of its trays, now stands.

    $ hotbed move LET1 upper
    $ hotbed move TOM1 upper --takes 3 --why "potted on"
    $ hotbed move TOM1 porch --trays 1
    """
    arguments = {"to": place, "trays": trays, "takes": takes, "why": why}
    request(asking, "move", arguments, batch=batch, revision=revision)
