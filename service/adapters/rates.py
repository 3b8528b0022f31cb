"""How often a key may call: counted in Redis for all workers together, in this process while Redis is away."""

from __future__ import annotations

import math
import time

from limits import RateLimitItem, parse_many
from limits.storage import MemoryStorage, RedisStorage
from limits.strategies import FixedWindowRateLimiter

from service.adapters.redis_link import RedisAway, RedisLink
from service.domain.access import RateUse, Role
from service.workflows.ports import KeyRecord


class Rates:
    """Counts calls in fixed windows. Rates are written `30/minute` or `5/second;100/hour`.

    A widget's key is public, so each address that uses it is counted by itself.
    """

    def __init__(self, link: RedisLink, widget: str, staff: str) -> None:
        self._link = link
        self._widget, self._staff = parse_many(widget), parse_many(staff)
        shared = RedisStorage("redis://", connection_pool=link.pool, key_prefix="lobedesk:rate")
        self._shared = FixedWindowRateLimiter(shared)
        self._own = FixedWindowRateLimiter(MemoryStorage())

    def use(self, key: KeyRecord, address: str) -> RateUse:
        """Count one call; the result says whether it may go on, and what is left of the tightest rate."""
        is_widget = key.role is Role.WIDGET
        name, rates = ("widget", self._widget) if is_widget else ("staff", self._staff)
        who = (str(key.id), address) if is_widget else (str(key.id),)
        try:
            return self._link.call(lambda _client: _count(self._shared, name, rates, who))
        except RedisAway:
            return _count(self._own, name, rates, who)


def _count(limiter: FixedWindowRateLimiter, name: str, rates: list[RateLimitItem], who: tuple[str, ...]) -> RateUse:
    tightest: RateUse | None = None
    for rate in rates:
        allowed = limiter.hit(rate, *who)
        stats = limiter.get_window_stats(rate, *who)
        left = max(stats.remaining, 0) if allowed else 0
        use = RateUse(
            name, allowed, rate.amount, rate.get_expiry(), left, max(math.ceil(stats.reset_time - time.time()), 1)
        )
        if not allowed:
            return use
        if tightest is None or use.remaining < tightest.remaining:
            tightest = use
    if tightest is None:
        raise ValueError("no rate was given")
    return tightest
