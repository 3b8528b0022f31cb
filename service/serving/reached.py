"""The stores a command works on: those of the settings, or the embedded ones where no address is set."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from service.adapters.embedded import EmbeddedStores
from service.adapters.embedded.postgres import EmbeddedPostgres
from service.adapters.embedded.valkey import EmbeddedValkey
from service.adapters.postgres.pool import PostgresStores, open_pool
from service.adapters.sealing import Seal
from service.serving.schema import bring_to_head, require_current_schema
from service.settings import Settings


@dataclass(frozen=True)
class Reached:
    """Settings in which both addresses are filled in, and the embedded servers that belong to them."""

    settings: Settings
    servers: dict[str, EmbeddedPostgres | EmbeddedValkey]


@contextmanager
def reached_stores(
    settings: Settings, *, valkey: bool = False, share: bool = True, lasting: bool = False, migrate: bool = True
) -> Iterator[Reached]:
    """Inside, the stores are there. An embedded Postgres is brought to head, unless `migrate` says otherwise."""
    embedded_postgres = settings.database_url is None
    embedded_valkey = valkey and settings.redis_url is None
    if not embedded_postgres and not embedded_valkey:
        yield Reached(settings, {})
        return
    with EmbeddedStores(
        settings.data, postgres=embedded_postgres, valkey=embedded_valkey, share=share, lasting=lasting
    ) as stores:
        filled = dataclasses.replace(
            settings,
            database_url=stores.database_url or settings.database_url,
            redis_url=stores.redis_url or settings.redis_url,
        )
        if embedded_postgres and migrate:
            bring_to_head(filled)
        servers: dict[str, EmbeddedPostgres | EmbeddedValkey] = {}
        if stores.postgres is not None:
            servers["postgres"] = stores.postgres
        if stores.valkey is not None:
            servers["valkey"] = stores.valkey
        yield Reached(filled, servers)


@contextmanager
def command_stores(settings: Settings) -> Iterator[PostgresStores]:
    """The stores for one command at the terminal. Its statements may take long: nobody waits behind them."""
    with reached_stores(settings) as reached:
        require_current_schema(reached.settings)
        with open_pool(reached.settings.database_url or "", 2, statement_timeout=300, lock_timeout=30) as pool:
            yield PostgresStores(pool, seal=Seal.of(settings.secrets_key))
