"""How often a key may call: counted in Redis for all workers together, in this process while Redis is away."""

from __future__ import annotations

import math
import time

from limits import RateLimitItem, parse_many
from limits.storage import MemoryStorage, RedisStorage, Storage

from service.adapters.redis_link import RedisAway, RedisLink
from service.domain.access import RateUse, Role
from service.workflows.ports.stores import KeyRecord


class Rates:
    """Counts calls in fixed windows. Rates are written `30/minute` or `5/second;100/hour`.

    A widget's key is public, so each address that uses it is counted by itself.
    """

    def __init__(self, link: RedisLink, widget: str, staff: str) -> None:
        self._link = link
        self._widget, self._staff = parse_many(widget), parse_many(staff)
        self._shared = RedisStorage("redis://", connection_pool=link.pool, key_prefix="lobedesk:rate")
        self._own = MemoryStorage()

    def use(self, key: KeyRecord, address: str) -> RateUse:
        """Count one call; the result says whether it may go on, and what is left of the tightest rate."""
        is_widget = key.role is Role.WIDGET
        name, rates = ("widget", self._widget) if is_widget else ("staff", self._staff)
        who = (str(key.id), address) if is_widget else (str(key.id),)
        try:
            return self._link.call(lambda _client: _count(self._shared, name, rates, who), "rate")
        except RedisAway:
            return _count(self._own, name, rates, who)


def _count(storage: Storage, name: str, rates: list[RateLimitItem], who: tuple[str, ...]) -> RateUse:
    # As the library's own fixed windows do, which would go to Redis once more to ask what the count has become.
    tightest: RateUse | None = None
    for rate in rates:
        counter, window_s = rate.key_for(*who), rate.get_expiry()
        left = rate.amount - storage.incr(counter, window_s)
        reset_s = max(math.ceil(storage.get_expiry(counter) - time.time()), 1)
        use = RateUse(name, left >= 0, rate.amount, window_s, max(left, 0), reset_s)
        if not use.allowed:
            return use
        if tightest is None or use.remaining < tightest.remaining:
            tightest = use
    if tightest is None:
        raise ValueError("no rate was given")
    return tightest
