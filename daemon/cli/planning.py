"""`plan` and `mix`: the season before it begins."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from daemon.cli.asking import find_config, load_config
from daemon.cli.lookup import read_library
from daemon.cli.options import AsJson, ConfigFile
from daemon.cli.program import PLANNING, Failed, command, document, write_whole, wrong
from daemon.cli.words import day_of

if TYPE_CHECKING:
    from daemon.config import Config
    from daemon.orders import Season
    from profiles.mix import Container, Filling, MixOrder
    from profiles.season import SeasonPlan

ListFile = Annotated[
    Path | None,
    typer.Option("--list", metavar="FILE", help="A season's list, in TOML: see --example."),
]


@command(PLANNING)
def plan(
    orders: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="CROP:PLANTS...",
            help="How many plants of what: tomato:24, with a variety tomato/Red Hollow:24, 36 every "
            "2 weeks, 3 times lettuce:36@2wx3.",
            show_default=False,
        ),
    ] = None,
    last_frost: Annotated[
        str | None, typer.Option(metavar="DATE", help="The last frost of spring: 2027-05-10.")
    ] = None,
    first_frost: Annotated[
        str | None, typer.Option(metavar="DATE", help="Or the first frost of autumn.")
    ] = None,
    hand_over: Annotated[
        str | None, typer.Option(metavar="DATE", help="Or the day that plants are handed over.")
    ] = None,
    margin: Annotated[
        int | None, typer.Option(metavar="DAYS", help="Days kept from the frost.")
    ] = None,
    spread: Annotated[
        float | None,
        typer.Option(
            metavar="DAYS",
            help="Or the standard deviation of frost dates, whose mean is given, and with it",
        ),
    ] = None,
    risk: Annotated[
        float | None, typer.Option(metavar="PERCENT", help="the chance of frost that is taken.")
    ] = None,
    listed: ListFile = None,
    ics: Annotated[
        Path | None,
        typer.Option(
            "--ics",
            metavar="FILE",
            help="Write a calendar for phones, whole days in iCalendar; put it where a web server "
            "serves it, and they can subscribe.",
        ),
    ] = None,
    example: Annotated[
        bool, typer.Option("--example", help="Print a list to begin your own from, and end.")
    ] = False,
    today: Annotated[
        str | None,
        typer.Option(metavar="DATE", help="Nothing is sown before this day; today otherwise."),
    ] = None,
    config: ConfigFile = None,
    as_json: AsJson = False,
) -> None:
    """Before the season: when to sow, pot on, harden and plant out, how many seeds, and where it stands.

    Counts back from the frost or the hand-over. With a configuration it says where trays don't fit
    on the benches, and what helps.

    $ hotbed plan tomato:24 pepper:12 lettuce:36@2wx3 --last-frost 2027-05-10 --margin 7

    $ hotbed plan leek:100 --last-frost 2027-05-10 --spread 9 --risk 10 --ics season.ics

    $ hotbed plan --example

    $ hotbed plan --list season.toml

    Seed of some age, tests, containers, benches and dates crop by crop go into a list; --example shows
    one with all that it can say.
    """
    from daemon.orders import EXAMPLE, Dates, OrdersError

    if example:
        typer.echo(EXAMPLE, nl=False)
        return
    path = find_config(config)
    site = load_config(path) if path is not None else None
    now = datetime.now(UTC).astimezone(site.site.tz if site is not None else None)
    begin = day_of("--today", today) if today is not None else now.date()
    table = {
        "last_frost": last_frost and day_of("--last-frost", last_frost),
        "first_frost": first_frost and day_of("--first-frost", first_frost),
        "hand_over": hand_over and day_of("--hand-over", hand_over),
        "margin_days": margin,
        "spread_days": spread,
        "risk_percent": risk,
    }
    dates = _options(Dates, {key: value for key, value in table.items() if value is not None})
    try:
        wanted, made = _season(orders or [], dates, listed, begin, site)
    except OrdersError as error:
        raise Failed(str(error)) from None
    if ics is not None:
        from daemon.calendar_file import calendar

        name = site.site.name if site is not None else "season"
        write_whole(ics, calendar(made.tasks, name, now.astimezone(UTC).replace(microsecond=0)))
    if as_json:
        result = _plain(made)
        result["planned_from"] = {"event": type(wanted.anchor).__name__, **asdict(wanted.anchor)}
        document({"ok": True, "result": result})
        return
    from daemon.screens import console
    from daemon.screens.season import season as screen

    console().print(screen(made, wanted.counted_from, wanted.anchor.day.year, begin))
    if ics is not None:
        typer.echo(f"\nThe calendar is in {ics}.")


def _options(model: Any, table: Mapping[str, Any]) -> Any:
    """Options of the command line as a model of the list's, a slip told as a wrong usage."""
    from pydantic import ValidationError

    from profiles.problems import explain

    try:
        return model.model_validate(table)
    except ValidationError as error:
        lines = "; ".join(explain(error, model))
        for key in model.model_fields:
            option = key.removesuffix("_days").removesuffix("_percent").replace("_", "-")
            lines = lines.replace(key, f"--{option}")
        raise wrong(lines) from None


def _season(
    words: list[str], dates: Any, listed: Path | None, today: date, site: Config | None
) -> tuple[Season, SeasonPlan]:
    """What is wanted, and its plan. Raises OrdersError."""
    from daemon.orders import OrdersError, SeasonFile, read_file, read_word, season
    from profiles.season import plan_season

    file = read_file(listed) if listed is not None else SeasonFile.model_validate({})
    wanted = season(
        [read_word(word) for word in words],
        dates,
        file,
        read_library(site.site.crops if site is not None else None),
        today,
        site,
    )
    try:
        made = plan_season(
            wanted.orders,
            wanted.anchor,
            benches=wanted.benches,
            soil=wanted.soil,
            today=today,
            units=site.site.units if site is not None else "C",
        )
    except ValueError as error:
        raise OrdersError([str(error)]) from None
    return wanted, made


def _plain(made: SeasonPlan) -> dict[str, Any]:
    """The plan for a program."""
    from profiles.mix import mix_for

    return {
        "sowings": [
            {
                "key": one.key,
                "crop": one.order.crop.name,
                "variety": one.order.label,
                "title": one.title,
                "plants": one.order.plants,
                "stand": one.stand,
                "seeds": one.seeds,
                "germination": one.order.germination.basis,
                "dates": asdict(one.dates),
                "steps": [
                    {
                        "from": step.start,
                        "container": step.container.name,
                        "count": step.count,
                        "trays": step.trays,
                    }
                    for step in one.steps
                ],
                "stays": [asdict(stay) for stay in one.stays],
                "notes": one.notes,
            }
            for one in made.sowings
        ],
        "tasks": [asdict(task) for task in made.tasks],
        "weeks": [asdict(week) | {"over": week.over} for week in made.weeks],
        "overflows": [
            {
                "place": overflow.place,
                "weeks": [week.monday for week in overflow.weeks],
                "most": max(week.over for week in overflow.weeks),
                "sowings": overflow.sowings,
                "remedies": [asdict(remedy) for remedy in overflow.remedies],
                "together": overflow.together,
            }
            for overflow in made.overflows
        ],
        "mix_l": round(mix_for(made.fillings).loose_l, 1),
    }


@command(PLANNING)
def mix(
    fill: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="CONTAINER:COUNT...",
            help="What is to be filled: trays of cells, single pots, open trays. A third word says what "
            "is potted on into it: pot-9cm:24:cells-72.",
            show_default=False,
        ),
    ] = None,
    listed: ListFile = None,
    recipe: Annotated[
        str | None,
        typer.Option(
            metavar="PARTS",
            help="Parts by volume; compost:4,coir:2,perlite:1,vermiculite:1 otherwise.",
        ),
    ] = None,
    bags: Annotated[
        list[str] | None,
        typer.Option(
            "--bag",
            metavar="PART:LITRES",
            help="What the shop's bags of a part hold, compost:40,20; for each part.",
        ),
    ] = None,
    measured: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME:LITRES", help="A container of your own, to the brim, measured with water."
        ),
    ] = None,
    full: Annotated[
        float, typer.Option("--full", metavar="PERCENT", help="How full they are filled.")
    ] = 75.0,
    shrinkage: Annotated[
        float, typer.Option(metavar="PERCENT", help="What the parts lose when they are mixed.")
    ] = 15.0,
    settling: Annotated[
        float, typer.Option(metavar="PERCENT", help="What the mix loses when it is watered in.")
    ] = 10.0,
    config: ConfigFile = None,
    as_json: AsJson = False,
) -> None:
    """Before filling trays: how much potting mix that takes, of what, and which bags to buy.

    Without anything to fill it lists the containers that it knows, with their litres.

    $ hotbed mix

    $ hotbed mix cells-72:3 pot-9cm:24:cells-72 --bag compost:40 --bag perlite:10,5

    $ hotbed mix open-tray:2 tub:6 --measured tub:1.2 --recipe compost:2,sand:1

    $ hotbed mix --list season.toml
    """
    from daemon.orders import Dates, OrdersError
    from profiles.mix import COMPOST_MIX, CONTAINERS, Container, Recipe, mix_for

    path = find_config(config)
    site = load_config(path) if path is not None else None
    try:
        known = dict(CONTAINERS)
        for word in measured or ():
            name, litres = _named(word, "--measured", "tub:1.2")
            known[name] = Container(name, name, "pot", 1, *_numbers(litres, "--measured", 1))
        fillings = [_filling(word, known) for word in fill or ()]
        parts = COMPOST_MIX.parts
        if recipe is not None:
            named = [_named(word, "--recipe", "compost:4,coir:2") for word in recipe.split(",")]
            parts = tuple((name, _numbers(share, "--recipe", 1)[0]) for name, share in named)
        made = Recipe(parts, shrinkage / 100, settling / 100)
        sizes = {
            name: _numbers(litres, "--bag", 4)
            for name, litres in (_named(word, "--bag", "compost:40,20") for word in bags or ())
        }
        if listed is not None:
            today = datetime.now(UTC).astimezone(site.site.tz if site else None).date()
            _, season = _season([], Dates(), listed, today, site)
            fillings += season.fillings
        fillings = _together(fillings)
        order = mix_for(fillings, made, fill=full / 100, bag_sizes=sizes)
    except ValueError as error:
        raise wrong(str(error)) from None
    except OrdersError as error:
        raise Failed(str(error)) from None
    if as_json:
        document({"ok": True, "result": _mix_plain(order) if fillings else _known_plain(known)})
        return
    from daemon.screens import console
    from daemon.screens.mixing import containers
    from daemon.screens.mixing import mix as screen

    console().print(screen(fillings, made, order) if fillings else containers(known))


def _named(word: str, option: str, example: str) -> tuple[str, str]:
    name, colon, rest = word.strip().partition(":")
    if not (name.strip() and colon and rest.strip()):
        raise wrong(f"{option}: {word!r}; allowed: a name, a colon and a figure, {example}")
    return name.strip(), rest.strip()


def _numbers(text: str, option: str, most: int) -> tuple[float, ...]:
    """One or more figures between commas."""
    words = text.split(",")
    try:
        if len(words) > most:
            raise ValueError
        return tuple(float(word) for word in words)
    except ValueError:
        many = "a figure" if most == 1 else f"1 to {most} figures, 40,20"
        raise wrong(f"{option}: {text!r}; allowed: {many}") from None


def _filling(word: str, known: Mapping[str, Container]) -> Filling:
    """CONTAINER:COUNT[:PLUG] as so many of one container. Raises ValueError."""
    from daemon.orders import container
    from profiles.mix import Filling

    name, rest = _named(word, "what is filled", "cells-72:3")
    count, _, plug = rest.partition(":")
    if not (count.strip().isdecimal() and int(count)):
        raise wrong(f"{word!r}; allowed: a whole number of trays or pots, from 1, cells-72:3")
    one = container(name, known)
    many = int(count) * (one.per_tray if one.kind == "cell" else 1)
    return Filling(one, many, container(plug.strip(), known) if plug else None)


def _together(fillings: Iterable[Filling]) -> list[Filling]:
    """The same, each container and plug once."""
    from profiles.mix import Filling

    counts: Counter[tuple[Container, Container | None]] = Counter()
    for one in fillings:
        counts[one.container, one.plug] += one.count
    return [Filling(container, count, plug) for (container, plug), count in counts.items()]


def _mix_plain(order: MixOrder) -> dict[str, Any]:
    from profiles.mix import MIX_CAUTION

    return {**asdict(order), "caution": MIX_CAUTION}


def _known_plain(known: Mapping[str, Container]) -> dict[str, Any]:
    return {"containers": [asdict(one) for one in known.values()]}
