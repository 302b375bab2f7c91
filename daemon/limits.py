"""How much may be asked in a while: buckets that fill at a steady rate. Pure."""

from __future__ import annotations

from collections import OrderedDict

#: A wait [s] that rounding would otherwise make none.
EPSILON = 1e-6


class Bucket:
    """At most `many` at once, and `many` in each `per` seconds on the long run."""

    def __init__(self, many: float, per: float) -> None:
        self.many, self.rate = many, many / per
        self._left, self._at = many, float("-inf")

    def wait(self, now: float) -> float:
        """Seconds from `now` (on a clock that never steps) until one more is allowed; 0 if it is."""
        self._left = min(self.many, self._left + max(0.0, now - self._at) * self.rate)
        self._at = max(self._at, now)
        return max(0.0, (1 - self._left) / self.rate)

    def take(self, now: float) -> bool:
        """Take one, if it is allowed."""
        if self.wait(now) > 0:
            return False
        self._left -= 1
        return True


class Limits:
    """A limit for each who asks: `many` in `per` seconds.

    names: how many are told apart; the one longest silent is forgotten first.
    """

    def __init__(self, many: float, per: float, names: int = 256) -> None:
        self.many, self.per, self.names = many, per, names
        self._by: OrderedDict[str, Bucket] = OrderedDict()

    def wait(self, by: str, now: float) -> float:
        """Count one by `by` and return 0, or count nothing and return the seconds until it is allowed."""
        bucket = self._by.setdefault(by, Bucket(self.many, self.per))
        self._by.move_to_end(by)
        while len(self._by) > self.names:
            self._by.popitem(last=False)
        return 0.0 if bucket.take(now) else max(bucket.wait(now), EPSILON)
