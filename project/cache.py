"""The cache of the service: Django's own for the Redis protocol, with one client that lasts."""

from __future__ import annotations

from functools import cached_property
from typing import Any

from django.core.cache.backends.redis import RedisCache, RedisCacheClient

#: Counts on what is there, in one step and one question; Django's asks first and then counts.
_COUNT_ON = "if redis.call('EXISTS', KEYS[1]) == 1 then return redis.call('INCRBY', KEYS[1], ARGV[1]) end"


class LastingClient(RedisCacheClient):  # its stubs leave out what it is made of
    """Keeps its clients. Django's makes one for each call, which takes longer than the call itself.

    A client of redis-py may be shared by threads; its connections come from a pool as before.
    """

    @cached_property
    def _kept(self) -> dict[Any, Any]:
        return {}

    @cached_property
    def _count_on(self) -> Any:
        return self.get_client(write=True).register_script(_COUNT_ON)

    def incr(self, key: Any, delta: int) -> int:
        counted = self._count_on(keys=[key], args=[delta])
        if counted is None:
            raise ValueError(f"There is no {key!r} to count on.")
        return int(counted)

    def get_client(self, key: Any = None, *, write: bool = False) -> Any:
        pool = self._get_connection_pool(write)  # type: ignore[attr-defined]
        client = self._kept.get(pool)
        if client is None:
            client = self._kept[pool] = self._client(connection_pool=pool)  # type: ignore[attr-defined]
        return client


class LastingRedisCache(RedisCache):
    """Django's cache with :class:`LastingClient`."""

    def __init__(self, server: Any, params: dict[str, Any]) -> None:
        super().__init__(server, params)
        self._class = LastingClient
