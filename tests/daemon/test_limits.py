"""How much may be asked in a while."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from daemon.limits import Bucket, Limits


def test_a_burst_is_allowed_and_then_the_steady_rate() -> None:
    bucket = Bucket(6, per=60)
    assert [bucket.take(100.0) for _ in range(7)] == [True] * 6 + [False]
    assert bucket.wait(100.0) == 10
    assert not bucket.take(109.0)
    assert bucket.take(110.1)
    assert not bucket.take(110.2)


@given(
    many=st.integers(1, 20),
    pauses=st.lists(st.floats(0, 30), max_size=200),
)
def test_in_no_spell_is_more_allowed_than_the_burst_and_the_rate(
    many: int, pauses: list[float]
) -> None:
    bucket, now, taken = Bucket(many, per=60), 0.0, []
    for pause in pauses:
        now += pause
        if bucket.take(now):
            taken.append(now)
    for first, start in enumerate(taken):
        for last, end in enumerate(taken[first:], 1):
            assert last <= many + (end - start) * many / 60 + 1e-6


def test_who_waits_as_long_as_told_is_served() -> None:
    limits = Limits(2, per=60)
    assert [limits.wait("Marit", 0.0) > 0 for _ in range(3)] == [False, False, True]
    wait = limits.wait("Marit", 0.0)
    assert limits.wait("Marit", wait + 0.001) == 0


def test_one_who_asks_too_much_leaves_the_others_theirs() -> None:
    limits = Limits(5, per=60)
    for _ in range(1000):
        limits.wait("a script", 0.0)
    assert limits.wait("Marit", 0.0) == 0


def test_of_a_thousand_names_only_so_many_are_kept() -> None:
    limits = Limits(5, per=60, names=10)
    for number in range(1000):
        assert limits.wait(f"name {number}", 0.0) == 0
    assert len(limits._by) == 10
