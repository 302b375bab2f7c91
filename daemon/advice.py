"""What a grower is told of germinating on a bench: what its soil comes to, and a bench that suits better.

Pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace

from daemon.forecasts import lot_of
from daemon.room import estimate, together
from daemon.sharing import Aim, aim_of
from daemon.state import Batch, Memory, Site
from profiles.forecast import Belief, believe
from profiles.model import Crop
from profiles.setpoint import Trade, hardship, temperatures, trade
from profiles.units import format_temperature

#: A room that no probe measures, and nothing tells of yet, is reckoned to be so warm [°C] (common
#: practice, no source).
USUAL_ROOM_C = 18.0
#: Another bench is worth naming where half are up by so many days, and by such a part, sooner.
_DAYS_SOONER, _PART_SOONER = 2.0, 0.25
#: Percents of normal seedlings that count as alike, and as many more.
_PERCENT_ALIKE, _PERCENT_BETTER = 5.0, 15.0
#: A change of the aim by less [°C] is not told to those that stand there.
_NOTED_C = 0.5
#: Temperatures this far [°C] to each side of the aim are told with it.
_BESIDE_C = 5.5


@dataclass(frozen=True, slots=True)
class Prospect:
    """What germinating on a bench comes to.

    here: at the bench's aim. beside: at temperatures near it, in order, `here` among them. room_c: that
    the mat is reckoned against, measured or assumed.
    """

    here: Trade
    beside: tuple[Trade, ...]
    room_c: float
    measured: bool

    def to_json(self) -> dict[str, object]:
        """For the answer to a request."""
        return {
            "room_c": round(self.room_c, 2),
            "room_measured": self.measured,
            "aim_c": self.here.soil_c,
            "temperatures": [asdict(row) for row in self.beside],
        }


def prospect(memory: Memory, site: Site, batch: Batch, aim: Aim) -> Prospect | None:
    """What `batch`, germinating, comes to on its bench; None where no mat keeps its soil at an aim.

    aim: of its bench, with the batch on it.
    """
    spec = site.benches.get(batch.place)
    if spec is None or spec.mat is None or aim.soil is None:
        return None
    crop = site.crops[batch.crop]
    room_c, measured = _room(memory, batch.place)
    belief = _belief(memory, batch)
    soil_c = aim.soil
    # A mat only warms: what is cooler than the room is no choice.
    beside = [
        one
        for one in temperatures(crop)
        if 0.5 < abs(one - soil_c) <= _BESIDE_C and (one >= room_c or not measured)
    ]
    rows = {
        one: trade(crop, one, room_c, trays=batch.trays, belief=belief)
        for one in sorted([*beside, soil_c])
    }
    return Prospect(rows[soil_c], tuple(rows.values()), room_c, measured)


def better_bench(memory: Memory, site: Site, batch: Batch, aim: Aim) -> str | None:
    """A sentence that names a bench where `batch` would germinate better, if there is one.

    Where the crops of its own bench can't share it, that is one with room where they can, or the
    sentence that there is none; else one where it is up much sooner, or many more seedlings are normal.
    """
    spec = site.benches.get(batch.place)
    if spec is None:
        return None
    crop = site.crops[batch.crop]
    alone = [one for one in memory.batches.values() if one.code != batch.code]
    quarrel = _adds(aim, _aim_with(memory, site, batch.place, alone))
    belief = _belief(memory, batch)
    now = _fate(crop, aim.soil if spec.mat is not None else None, memory, batch, belief)
    found: list[tuple[float, str, Trade]] = []
    for name, other in site.benches.items():
        there = [one for one in alone if one.place == name]
        if (
            name == batch.place
            or (other.lamp is None and crop.light_to_germinate.value)
            or sum(one.trays for one in there) + batch.trays > other.trays + 1e-9
        ):
            continue
        guest = replace(batch, place=name)
        with_it = _aim_with(memory, site, name, [*there, guest])
        if with_it.soil is None or _adds(with_it, _aim_with(memory, site, name, there)):
            continue
        if other.mat is None and not _room(memory, name)[1]:
            continue  # nobody knows how warm its soil will be
        heated = with_it.soil if other.mat is not None else None
        fate = _fate(crop, heated, memory, guest, belief)
        if fate.half_up is not None and hardship(crop, fate.soil_c) is None:
            found.append((fate.half_up.mid, name, fate))
    if not found:
        return "no other bench has room for it without a conflict" if quarrel else None
    days, name, fate = min(found, key=lambda one: (one[0], one[1]))
    if not quarrel and not _worth_it(now, fate):
        return None
    here = ""
    if now.half_up is not None and round(now.half_up.mid) != round(days):
        here = f", against {now.half_up.mid:.0f} here"
    normal = ""
    if now.normal_percent is not None and fate.normal_percent is not None and not quarrel:
        normal = f", {fate.normal_percent:.0f} % of them normal against {now.normal_percent:.0f}"
    return (
        f"{name} would suit it better: soil at {format_temperature(fate.soil_c, site.units)} there, "
        f"half up in about {days:.0f} days{here}{normal}"
    )


def neighbours(
    memory: Memory, site: Site, place: str, before: Aim, after: Aim, but: str
) -> list[str]:
    """What a change of a bench's aim means for the germinating batches there, other than `but`."""
    if before.soil is None or after.soil is None or abs(after.soil - before.soil) < _NOTED_C:
        return []
    said = []
    for batch in memory.batches.values():
        if (
            batch.place != place
            or batch.code == but
            or batch.emerged
            or batch.code not in after.seed
        ):
            continue
        crop = site.crops[batch.crop]
        left = max(0.0, 1 - memory.progress.get(batch.code, 0.0))
        was, now = crop.emergence.rate(before.soil), crop.emergence.rate(after.soil)
        later = (left / now - left / was) if was > 0 and now > 0 else None
        change = (
            "it will not come up"
            if now <= 0 < was
            else f"about {abs(later):.0f} days {'later' if later > 0 else 'sooner'}"
            if later is not None and abs(later) >= 0.5
            else "as quick as before"
        )
        said.append(
            f"{batch.code} there is kept at {format_temperature(after.soil, site.units)}, no longer at "
            f"{format_temperature(before.soil, site.units)}: {change}"
        )
    return said


def _worth_it(here: Trade, there: Trade) -> bool:
    if there.half_up is None:
        return False
    if here.half_up is None:
        return True
    sooner = here.half_up.mid - there.half_up.mid
    better = 0.0
    if here.normal_percent is not None and there.normal_percent is not None:
        better = there.normal_percent - here.normal_percent
    quicker = sooner >= max(_DAYS_SOONER, _PART_SOONER * here.half_up.mid)
    return (quicker and better >= -_PERCENT_ALIKE) or (better >= _PERCENT_BETTER and sooner >= -1.0)


def _adds(after: Aim, before: Aim) -> bool:
    """Whether a conflict stands after that did not before."""
    return not set(after.conflicts) <= set(before.conflicts)


def _aim_with(memory: Memory, site: Site, place: str, batches: Sequence[Batch]) -> Aim:
    on_it = [one for one in batches if one.place == place]
    return aim_of(on_it, site.crops, memory.called, site.units)


def _fate(crop: Crop, soil_c: float | None, memory: Memory, batch: Batch, belief: Belief) -> Trade:
    """What the soil at an aim, or as warm as the room where there is none, comes to."""
    room_c, _ = _room(memory, batch.place)
    soil_c = room_c if soil_c is None else max(soil_c, room_c)
    return trade(crop, min(40.0, max(0.0, soil_c)), room_c, trays=batch.trays, belief=belief)


def _belief(memory: Memory, batch: Batch) -> Belief:
    return believe(list(memory.lessons.get(batch.crop, {}).values()), lot_of(batch))


def _room(memory: Memory, place: str) -> tuple[float, bool]:
    bench = memory.benches.get(place)
    if bench is None or bench.room is None:
        about = together(estimate(one.room_mind) for one in memory.benches.values())
        known = USUAL_ROOM_C if about is None else float(round(about.celsius))
        return min(40.0, max(-10.0, known)), False
    return min(40.0, max(-10.0, bench.room)), True
