"""The way to Redis: short timeouts, no retries, and a breaker, so that a Redis that hangs costs next to nothing.

redis-py's own defaults wait 4 s for a refused connection and a minute for a hung one. What lies in Redis can be
done without, so whoever uses the link expects `RedisAway` and goes on.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import TypeVar

import redis
from redis.backoff import NoBackoff
from redis.retry import Retry

from service.domain.errors import Unavailable
from service.spans import Kind, span

TIMEOUT_S = 0.1
FAILURES_TO_OPEN = 2
SECONDS_OFF = 2.0

Result = TypeVar("Result")


class RedisAway(Unavailable):
    """Redis does not answer; go on without it."""

    code = "redis_away"


class Breaker:
    """After some failures in a row, lets nothing through for a while, then one attempt at a time until one succeeds."""

    def __init__(
        self, failures: int = FAILURES_TO_OPEN, off: float = SECONDS_OFF, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._failures_to_open = failures
        self._off = off
        self._clock = clock
        self._lock = threading.Lock()
        self._failures = 0
        self._next_attempt = 0.0

    def admits(self) -> bool:
        """Whether an attempt may be made now; the caller who is told so reports how it went."""
        with self._lock:
            if self._failures < self._failures_to_open:
                return True
            now = self._clock()
            if now < self._next_attempt:
                return False
            # This caller tries; the others wait for what it finds.
            self._next_attempt = now + self._off
            return True

    def succeeded(self) -> None:
        """An attempt went well: everybody may try again."""
        with self._lock:
            self._failures = 0

    def failed(self) -> None:
        """An attempt went badly."""
        with self._lock:
            self._failures += 1
            self._next_attempt = self._clock() + self._off


class RedisLink:
    """One process's link to Redis. Values come back as bytes."""

    def __init__(self, url: str, breaker: Breaker | None = None) -> None:
        self._breaker = breaker or Breaker()
        self.pool = redis.ConnectionPool.from_url(
            url,
            socket_timeout=TIMEOUT_S,
            socket_connect_timeout=TIMEOUT_S,
            retry=Retry(NoBackoff(), 0),
        )
        self._client = redis.Redis(connection_pool=self.pool)

    def call(self, work: Callable[[redis.Redis], Result], what: str = "command") -> Result:
        """What `work` returns when it is given the client; `what` it does, in a word for who traces it.

        Raises `RedisAway` when Redis does not answer, or has not lately and is being left alone.
        """
        if not self._breaker.admits():
            raise RedisAway
        try:
            with span(f"redis {what}", Kind.CLIENT, db__system__name="redis"):
                result = work(self._client)
        except (redis.RedisError, AttributeError, LookupError, TypeError, ValueError) as error:
            # The latter are what redis-py makes of a server that is no Redis, or answers with the wrong kind of value.
            self._breaker.failed()
            raise RedisAway from error
        self._breaker.succeeded()
        return result

    def answers(self) -> bool:
        """Whether Redis is there, as far as can be said without waiting."""
        try:
            return bool(self.call(lambda client: client.ping(), "ping"))
        except RedisAway:
            return False

    def close(self) -> None:
        """Give the connections back."""
        self._client.close()
        self.pool.disconnect()
