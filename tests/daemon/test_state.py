"""What outlives the process: kept as text, given back the same, and moved on over a boot."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from daemon.state import (
    Alarm,
    Batch,
    BenchMemory,
    Call,
    Count,
    Duty,
    HeatWatch,
    Keep,
    LightDay,
    Memory,
    Now,
    done_reading,
    dump,
    restore,
    shifted,
)
from drivers.vetting import Vetting
from profiles.model import Stage
from tests.daemon.builders import START, batch

numbers = st.floats(-1e12, 1e12)
maybe = st.none() | numbers
words = st.text(max_size=12)
names = st.sampled_from(["shelf", "warm", "shelf/soil", "shelf/lamp", "TOM1", "x.y"])

batches = st.builds(
    Batch,
    code=names, crop=words, place=names, stage=st.sampled_from(Stage), since=numbers,
    sown_at=numbers, trays=numbers, cells=st.none() | st.integers(0, 9999), variety=words,
    year=st.none() | st.integers(1950, 2200), covered=st.booleans(),
    counts=st.lists(
        st.builds(Count, numbers, st.integers(0, 99), st.none() | st.integers(1, 99), words, numbers),
        max_size=3,
    ).map(tuple),
    watered_at=maybe, parent=st.none() | names, revision=st.integers(1, 99),
)  # fmt: skip
benches = st.builds(
    BenchMemory,
    soil=maybe, soil_at=numbers, lamp=st.booleans(), lamp_at=numbers, mat=st.booleans(),
    light=st.builds(LightDay, maybe, maybe, numbers),
    watch=st.builds(
        HeatWatch,
        on_s=numbers, low=maybe, low_s=numbers, rested=maybe, spell=maybe, kept=maybe, high=maybe,
        fell_from=maybe, fell_to=numbers, off_base=maybe, room=maybe,
    ),
    controller=st.lists(numbers, max_size=3).map(tuple), full_since=maybe,
    off_target_since=st.dictionaries(names, numbers, max_size=2),
    stops=st.frozensets(names, max_size=2), latched=st.frozensets(names, max_size=2),
    said=st.frozensets(words, max_size=2), day=st.integers(0, 800_000),
)  # fmt: skip
memories = st.builds(
    Memory,
    batches=st.dictionaries(names, batches, max_size=2),
    progress=st.dictionaries(names, numbers, max_size=2),
    called=st.frozensets(names, max_size=2),
    benches=st.dictionaries(names, benches, max_size=2),
    probes=st.dictionaries(names, st.builds(Vetting, maybe, numbers, numbers, numbers), max_size=2),
    keeps=st.dictionaries(names, st.builds(Keep, st.booleans(), words, numbers, maybe), max_size=2),
    pending=st.dictionaries(names, numbers, max_size=2),
    serials=st.dictionaries(names, st.integers(0, 99), max_size=2),
    at=st.none() | st.builds(Now, numbers, numbers, st.booleans()),
)


@settings(deadline=None, max_examples=80)
@given(memory=memories)
def test_any_memory_comes_back_from_its_text_to_the_last_bit(memory: Memory) -> None:
    assert restore(dump(memory)) == memory


@settings(deadline=None, max_examples=40)
@given(memory=memories)
def test_the_text_is_what_the_reader_of_it_would_write(memory: Memory) -> None:
    # Written without the reader, which a daemon has only while it starts.
    assert dump(memory) == TypeAdapter(Memory).dump_json(memory).decode()


def test_what_a_reader_keeps_at_hand_can_be_let_go_of() -> None:
    text = dump(Memory(progress={"TOM1": 0.5}))
    first = restore(text)
    done_reading()
    assert restore(text) == first


@pytest.mark.parametrize("text", ["", "{", "[]", '{"batches": 1}', '{"at": {"mono": "noon"}}'])
def test_text_that_is_no_memory_is_a_value_error(text: str) -> None:
    with pytest.raises(ValueError):
        restore(text)


def test_keys_of_an_older_version_are_left_out_and_new_ones_have_their_defaults() -> None:
    old = '{"benches": {"shelf": {"watch": {"on_s": 5.0, "dropped": true}, "soil": 20.0}}}'
    assert restore(old).benches["shelf"] == BenchMemory(soil=20.0, watch=HeatWatch(on_s=5.0))


def full() -> Memory:
    """A memory with something in each place that is a monotonic time, and each a different one."""
    return Memory(
        batches={"TOM1": batch()},
        benches={
            "shelf": BenchMemory(
                soil_at=1.0, lamp_at=2.0, lamp_last=3.0, mat_at=4.0, mat_last=5.0,
                light=LightDay(6.0, 7.0, 600.0), watch=HeatWatch(on_s=60.0, low=20.0),
                full_since=8.0, off_target_since={"soil-warm": 9.0},
            )
        },
        probes={"shelf/soil": Vetting(20.0, 10.0)},
        keeps={
            "shelf/lamp": Keep(True, "Ada", START, 11.0),
            "shelf/mat": Keep(False, "Ada", START, None),
        },
        alarms={
            "a": Alarm("a", "probe-lost", "shelf", None, "c", START, shelved_until=12.0),
            "b": Alarm("b", "probe-lost", "shelf", None, "c", START),
        },
        pending={"p": 13.0},
        at=Now(14.0, START),
    )  # fmt: skip


def test_over_a_boot_every_monotonic_time_moves_and_no_wall_time_does() -> None:
    moved = shifted(full(), 1000.0)
    shelf = moved.benches["shelf"]
    assert (shelf.soil_at, shelf.lamp_at, shelf.lamp_last) == (1001.0, 1002.0, 1003.0)
    assert (shelf.mat_at, shelf.mat_last) == (1004.0, 1005.0)
    assert shelf.light == LightDay(1006.0, 1007.0, 600.0)
    assert shelf.off_target_since == {"soil-warm": 1009.0}
    assert moved.keeps["shelf/lamp"] == Keep(True, "Ada", START, 1011.0)
    assert moved.alarms["a"].shelved_until == 1012.0
    assert moved.pending == {"p": 1013.0}
    assert moved.at == Now(1014.0, START)


def test_over_a_boot_what_has_no_time_stays_and_what_the_cut_broke_off_begins_anew() -> None:
    moved = shifted(full(), 1000.0)
    assert moved.batches == full().batches
    assert moved.benches["shelf"].watch == full().benches["shelf"].watch
    assert moved.keeps["shelf/mat"] == Keep(False, "Ada", START, None)  # off stays off
    assert moved.alarms["b"] == full().alarms["b"]
    assert moved.probes == {}
    assert moved.benches["shelf"].full_since is None


def test_a_memory_without_times_is_moved_too() -> None:
    assert shifted(Memory(), 5.0) == Memory()
    bare = replace(full(), benches={"shelf": BenchMemory()})
    assert shifted(bare, 5.0).benches["shelf"].light == LightDay()


@pytest.mark.parametrize(
    ("changes", "state"),
    [
        ({}, "active"),
        ({"acknowledged": True}, "acknowledged"),
        ({"active": False}, "returned"),
        ({"active": False, "latched": True}, "active"),
        ({"active": False, "latched": True, "acknowledged": True}, "acknowledged"),
        ({"shelved_until": 0.0}, "shelved"),
        ({"active": False, "shelved_until": 5.0}, "shelved"),
    ],
    ids=str,
)
def test_an_alarm_is_in_one_of_the_four_states(changes: dict[str, bool], state: str) -> None:
    plain = Alarm("a", "probe-lost", "shelf", None, "c", START)
    assert replace(plain, **changes).state == state  # type: ignore[arg-type]


def test_a_batch_has_emerged_once_anything_was_seen_up_or_it_left_germination() -> None:
    assert not batch().emerged
    assert not replace(batch(), counts=(Count(START, 0, 72, "Ada"),)).emerged
    assert replace(batch(), counts=(Count(START, 0, 72, "Ada"), Count(START, 1, 72, "Ada"))).emerged
    assert batch(stage=Stage.SEEDLING).emerged


def test_over_a_boot_alarms_calls_and_what_is_owed_go_on_from_where_they_were() -> None:
    memory = Memory(
        benches={"shelf": BenchMemory(leafy_since=1.0, proven_at=2.0), "bare": BenchMemory()},
        alarms={"a": Alarm("a", "probe-lost", "shelf", None, "c", START, began=3.0)},
        duties={
            "TOM1": Duty(revision=2, hours=16.0, water_by=START, seen_at=START, cold_at=4.0),
            "LET1": Duty(revision=1, hours=0.0, water_by=START),
        },
        calls={"a": Call(START, 2, 5.0, ("Ada", "Ben"))},
    )
    assert restore(dump(memory)) == memory
    moved = shifted(memory, 1000.0)
    shelf = moved.benches["shelf"]
    assert (shelf.leafy_since, shelf.proven_at) == (1001.0, 1002.0)
    assert moved.benches["bare"].leafy_since is None
    assert moved.alarms["a"].began == 1003.0
    assert moved.duties["TOM1"] == replace(memory.duties["TOM1"], cold_at=1004.0)
    assert moved.duties["LET1"] == memory.duties["LET1"]
    assert moved.calls["a"] == Call(START, 2, 1005.0, ("Ada", "Ben"))
