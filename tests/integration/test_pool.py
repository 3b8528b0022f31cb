from service.adapters.postgres.pool import PostgresStores


def test_x(stores: PostgresStores, redis_url: str) -> None:
    with stores.transaction() as t:
        assert t.connection.execute("select 1 as a").fetchone() == {"a": 1}
