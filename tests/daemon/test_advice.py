"""What is told on sowing: the aim's days, seedlings and kWh, and a bench that suits better."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.decide import aims_of
from daemon.forecasts import lot_of
from daemon.requests import KINDS, apply
from daemon.state import Batch, BenchMemory, BenchSpec, Memory, Now, Site
from profiles.forecast import record_of_date
from profiles.setpoint import trade
from tests.daemon.builders import START, batch, bench, holding, library, site

NAMES = sorted(library().crops)


def asked(kind: str, memory: Memory, of: Site, **arguments: Any) -> dict[str, Any]:
    done = apply(
        memory, of, KINDS[kind].model_validate(arguments), "Marit", Now(START, START, True)
    )
    return dict(done.result)


def sown(crop: str, place: str, memory: Memory, of: Site, trays: float = 1.0) -> dict[str, Any]:
    return asked("sow", memory, of, crop=crop, place=place, trays=trays)


def warm(*, room: float, **batches: Batch) -> Memory:
    memory = holding(*batches.values())
    return replace(
        memory, benches={"shelf": BenchMemory(room=room), "other": BenchMemory(room=room)}
    )


TWO = site(bench("shelf"), bench("other"))


def test_sowing_tells_the_aim_and_what_its_neighbours_come_to_in_this_room() -> None:
    told = sown("tomato", "shelf", warm(room=16.0), TWO, trays=2.0)["germinating"]
    assert (told["room_c"], told["room_measured"], told["aim_c"]) == (16.0, True, 25.5)
    rows = {row["soil_c"]: row for row in told["temperatures"]}
    expected = trade(library().crop("tomato"), 25.5, 16.0, trays=2.0)
    assert rows[25.5]["mat_kwh"] == pytest.approx(expected.mat_kwh)
    assert rows[25.5]["half_up"]["mid"] == pytest.approx(expected.half_up.mid)  # type: ignore[union-attr]
    assert list(rows) == sorted(rows)
    assert rows[20.0]["half_up"]["mid"] > rows[25.5]["half_up"]["mid"] > 0
    assert rows[20.0]["mat_kwh"] < rows[25.5]["mat_kwh"]


def test_what_is_cooler_than_the_room_is_no_choice() -> None:
    told = sown("lettuce", "shelf", warm(room=19.0), TWO)["germinating"]
    assert all(row["soil_c"] >= 19.0 for row in told["temperatures"])
    assumed = sown("lettuce", "shelf", holding(), TWO)["germinating"]
    assert (assumed["room_c"], assumed["room_measured"]) == (18.0, False)


def test_a_bench_without_a_mat_and_a_place_promise_no_soil() -> None:
    plain = site(bench("shelf", mat=None))
    assert "germinating" not in sown("tomato", "shelf", holding(), plain)
    porch = replace(TWO, places=("porch",))
    assert "germinating" not in sown("tomato", "porch", holding(), porch)


def test_earlier_batches_of_the_lot_move_what_is_expected() -> None:
    crop = library().crop("tomato")
    slow = record_of_date(1.9, lot_of(batch()))
    late = replace(warm(room=16.0), lessons={"tomato": {"TOM0": slow, "TOM9": slow}})

    def days(memory: Memory) -> float:
        rows = sown("tomato", "shelf", memory, TWO)["germinating"]["temperatures"]
        return float(next(row for row in rows if row["soil_c"] == 25.5)["half_up"]["mid"])

    assert days(late) > 1.2 * days(warm(room=16.0))
    assert crop.name == "tomato"


def notes(result: dict[str, Any]) -> str:
    return "\n".join(result["notes"])


def test_where_two_crops_cannot_share_the_better_bench_is_named() -> None:
    with_spinach = warm(room=10.0, SPI1=batch("SPI1", "spinach"))
    told = notes(sown("watermelon", "shelf", with_spinach, TWO))
    assert "can't share this bench well" in told
    assert "other would suit it better: soil at 30.5 °C there" in told
    # Moved there as well.
    both = warm(
        room=10.0, SPI1=batch("SPI1", "spinach"), WAT1=batch("WAT1", "watermelon", place="other")
    )
    three = site(bench("shelf"), bench("other"), bench("third"))
    told = notes(asked("move", both, three, batch="WAT1", to="shelf", revision=1))
    assert "other would suit it better" in told


def test_where_no_bench_is_better_that_is_said() -> None:
    crowded = warm(
        room=10.0, SPI1=batch("SPI1", "spinach"), SPI2=batch("SPI2", "spinach", place="other")
    )
    told = notes(sown("watermelon", "shelf", crowded, TWO))
    assert "no other bench has room for it without a conflict" in told
    full = warm(
        room=10.0, SPI1=batch("SPI1", "spinach"), TOM1=batch("TOM1", place="other", trays=4.0)
    )
    assert "no other bench" in notes(sown("watermelon", "shelf", full, TWO))
    matless = site(bench("shelf"), bench("other", mat=None))
    assert "no other bench" in notes(
        sown("watermelon", "shelf", warm(room=10.0, SPI1=batch("SPI1", "spinach")), matless)
    )


def test_a_much_warmer_bench_is_named_and_a_little_warmer_one_is_not() -> None:
    cool = site(bench("shelf", mat=None), bench("other"))
    told = notes(sown("pepper", "shelf", warm(room=14.0), cool))
    assert "other would suit it better: soil at 28.5 °C there" in told
    assert "better" not in notes(sown("pepper", "shelf", warm(room=20.0), TWO))


def test_a_cool_germinator_is_sent_to_a_bench_without_a_mat_whose_room_is_measured() -> None:
    cool = site(bench("shelf"), bench("other", mat=None))
    hot = warm(room=15.0, TOM1=batch())
    assert "other would suit it better: soil at 15.0 °C there" in notes(
        sown("spinach", "shelf", hot, cool)
    )
    unknown = replace(hot, benches={})
    assert "no other bench" in notes(sown("spinach", "shelf", unknown, cool))


def test_what_a_sowing_does_to_those_that_stand_there_is_told() -> None:
    there = replace(
        warm(room=14.0, TOM1=batch(), PEP1=batch("PEP1", "pepper")), progress={"PEP1": 0.5}
    )
    told = sown("lettuce", "shelf", there, TWO)["notes"]
    moved = [note for note in told if " there is kept at 24.0 °C, no longer at " in note]
    assert [note.split(" ")[0] for note in moved] == ["TOM1", "PEP1"]
    assert not any("there is kept" in note for note in sown("tomato", "shelf", there, TWO)["notes"])


def test_seed_that_needs_light_is_not_sent_to_a_dark_bench() -> None:
    dark = site(bench("shelf", mat=None), bench("other", lamp=None))
    for name in NAMES:
        crop = library().crop(name)
        if crop.light_to_germinate.value:
            assert "better" not in notes(sown(name, "shelf", warm(room=10.0), dark))


benches = st.lists(st.tuples(st.booleans(), st.booleans(), st.floats(2, 6)), min_size=1, max_size=4)
standing = st.lists(st.tuples(st.sampled_from(NAMES), st.integers(0, 3)), max_size=4)


@given(benches, standing, st.sampled_from(NAMES), st.none() | st.floats(-20, 60))
def test_a_named_bench_has_a_mat_room_and_no_new_conflict(
    specs: list[tuple[bool, bool, float]],
    crops: list[tuple[str, int]],
    name: str,
    room: float | None,
) -> None:
    made: list[BenchSpec] = []
    for number, (lamp, mat, trays) in enumerate(specs):
        plain = bench(f"b{number}", trays=trays)
        made.append(
            replace(plain, lamp=plain.lamp if lamp else None, mat=plain.mat if mat else None)
        )
    of = site(*made)
    there = [
        batch(f"X{n}", crop, place=f"b{where}", trays=0.25)
        for n, (crop, where) in enumerate(crops)
        if where < len(made)
    ]
    memory = replace(holding(*there), benches={one.name: BenchMemory(room=room) for one in made})
    result = sown(name, "b0", memory, of)
    better = [note for note in result["notes"] if " would suit it better" in note]
    for note in better:
        to = note.split(" ")[0]
        spec = of.benches[to]
        assert to != "b0"
        assert spec.mat is not None or room is not None
        assert sum(one.trays for one in there if one.place == to) + 1.0 <= spec.trays + 1e-6
        before = set(aims_of(memory, of)[to].conflicts)
        moved = batch("NEW", name, place=to)
        after = replace(memory, batches={**memory.batches, "NEW": moved})
        texts = {one.replace("NEW", result["batch"]) for one in aims_of(after, of)[to].conflicts}
        assert texts <= before
