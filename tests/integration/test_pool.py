"""The pool and its transactions, on a Postgres that is restarted, slow, locked or away."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest
from psycopg.conninfo import conninfo_to_dict

from service.adapters.embedded.postgres import EmbeddedPostgres
from service.adapters.postgres.pool import Pool, PostgresStores, PostgresTransaction, open_pool, session_conninfo
from service.domain.errors import Unavailable


@pytest.fixture
def server(short_folder: Path, request: pytest.FixtureRequest) -> Iterator[EmbeddedPostgres]:
    """A server of this test's own, to be stopped and started."""
    folder = short_folder / f"own-{abs(hash(request.node.nodeid)) % 10**8}"
    (folder / "run").mkdir(mode=0o700, parents=True)
    server = EmbeddedPostgres(folder / "postgres", folder / "run", durable=False)
    server.start()
    yield server
    server.stop()


def count_of(stores: PostgresStores) -> int:
    with stores.transaction() as transaction:
        row = transaction.connection.execute("SELECT count(*) AS n FROM api_keys").fetchone()
    assert row is not None
    return int(row["n"])


def add_key(transaction_connection: psycopg.Connection[dict[str, object]], name: str) -> None:
    transaction_connection.execute(
        "INSERT INTO api_keys (id, digest, ending, role, name)"
        " VALUES (gen_random_uuid(), sha256(%(name)s::bytea), 'abcd', 'desk', %(name)s)",
        {"name": name},
    )


def test_a_transaction_is_committed_when_it_ends_well(stores: PostgresStores) -> None:
    with stores.transaction() as transaction:
        add_key(transaction.connection, "kept")
    assert count_of(stores) == 1


def test_a_transaction_is_undone_by_any_exception(stores: PostgresStores) -> None:
    def fail() -> None:
        with stores.transaction() as transaction:
            add_key(transaction.connection, "undone")
            raise KeyError

    with pytest.raises(KeyError):
        fail()
    assert count_of(stores) == 0


def test_a_connection_comes_back_from_a_failed_transaction_as_good_as_new(database_url: str) -> None:
    with open_pool(database_url, 1) as pool:
        stores = PostgresStores(pool)
        with pytest.raises(psycopg.errors.DivisionByZero), stores.transaction() as transaction:
            transaction.connection.execute("SELECT 1/0")
        assert count_of(stores) == 0


def test_one_transaction_gives_one_store_of_a_kind(stores: PostgresStores) -> None:
    with stores.transaction() as first, stores.transaction() as second:
        assert first.keys is first.keys
        assert first.keys is not second.keys


def test_connections_ended_by_the_server_are_replaced_without_a_failed_call(pool: Pool, postgres_url: str) -> None:
    stores = PostgresStores(pool)
    with stores.transaction(), stores.transaction(), stores.transaction():
        pass  # three connections lie in the pool now
    with psycopg.connect(postgres_url, autocommit=True) as other:
        other.execute(
            "SELECT pg_terminate_backend(pid, 5000) FROM pg_stat_activity"
            " WHERE application_name = 'lobedesk' AND datname = %s",
            [conninfo_to_dict(pool.conninfo)["dbname"]],
        )
    assert [count_of(stores) for _ in range(6)] == [0] * 6


def test_a_restarted_server_is_found_again(server: EmbeddedPostgres) -> None:
    with open_pool(server.url()) as pool:
        stores = PostgresStores(pool)
        with stores.transaction() as transaction:
            transaction.connection.execute("CREATE TABLE api_keys (id integer)")
        server.stop()
        with pytest.raises(Unavailable), stores.transaction():
            pass
        server.start()
        pool.check()
        assert count_of(stores) == 0


def test_a_server_that_was_never_there_is_unavailable_and_no_error_of_ours(short_folder: Path) -> None:
    with (
        open_pool(f"postgresql:///none?host={short_folder}/nowhere") as pool,
        pytest.raises(Unavailable),
        PostgresStores(pool).transaction(),
    ):
        pass


def test_a_statement_that_takes_too_long_is_unavailable(database_url: str) -> None:
    with open_pool(database_url, statement_timeout=0.1) as pool:
        stores = PostgresStores(pool)
        with pytest.raises(Unavailable), stores.transaction() as transaction:
            transaction.connection.execute("SELECT pg_sleep(30)")
        assert count_of(stores) == 0


def test_a_lock_that_does_not_come_is_unavailable(database_url: str) -> None:
    with open_pool(database_url, lock_timeout=0.1) as pool:
        stores = PostgresStores(pool)
        with stores.transaction() as holder:
            holder.connection.execute("LOCK TABLE api_keys")
            with pytest.raises(Unavailable), stores.transaction() as waiter:
                waiter.connection.execute("LOCK TABLE api_keys")


def test_a_deadlock_is_unavailable_to_one_and_harmless_to_the_other(database_url: str) -> None:
    with open_pool(database_url) as pool:
        stores = PostgresStores(pool)
        both_hold = threading.Barrier(2)
        outcomes: list[str] = []

        def take(first: str, second: str) -> None:
            try:
                with stores.transaction() as transaction:
                    transaction.connection.execute(f"LOCK TABLE {first}".encode())
                    both_hold.wait(timeout=30)
                    transaction.connection.execute(f"LOCK TABLE {second}".encode())
                outcomes.append("done")
            except Unavailable:
                outcomes.append("unavailable")

        threads = [
            threading.Thread(target=take, args=pair) for pair in (("api_keys", "reviews"), ("reviews", "api_keys"))
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert sorted(outcomes) == ["done", "unavailable"]


def test_the_sessions_options_stand_beside_those_of_the_url(database_url: str) -> None:
    url = psycopg.conninfo.make_conninfo(database_url, options="-c work_mem=5MB")
    with psycopg.connect(session_conninfo(url, statement_timeout=7)) as connection:
        assert connection.execute("SHOW work_mem").fetchone() == ("5MB",)
        assert connection.execute("SHOW statement_timeout").fetchone() == ("7s",)
        assert connection.execute("SHOW timezone").fetchone() == ("UTC",)


def test_a_look_outlives_connections_that_the_server_has_ended(pool: Pool, postgres_url: str) -> None:
    stores = PostgresStores(pool)

    def backend() -> int:
        return stores.look(lambda transaction: transaction.connection.info.backend_pid if _asked(transaction) else 0)

    first = backend()
    with psycopg.connect(postgres_url, autocommit=True) as other:
        other.execute("SELECT pg_terminate_backend(%s, 5000)", [first])
    assert backend() not in (0, first)


def test_a_write_needs_no_transaction_around_it(stores: PostgresStores) -> None:
    def write(transaction: PostgresTransaction) -> str:
        add_key(transaction.connection, "kept")
        return transaction.connection.info.transaction_status.name

    assert stores.write(write) == "IDLE"
    assert count_of(stores) == 1


def test_a_write_is_done_once_though_the_server_has_ended_the_connection(pool: Pool, postgres_url: str) -> None:
    stores, tried = PostgresStores(pool), []

    def write(transaction: PostgresTransaction) -> int:
        tried.append(transaction)
        add_key(transaction.connection, f"the {len(tried)}th")
        return transaction.connection.info.backend_pid

    first = stores.write(write)
    with psycopg.connect(postgres_url, autocommit=True) as other:
        other.execute("SELECT pg_terminate_backend(%s, 5000)", [first])
    assert stores.write(write) not in (0, first)
    assert (len(tried), count_of(stores)) == (2, 2)


def test_a_write_that_takes_too_long_is_unavailable_and_is_not_tried_again(database_url: str) -> None:
    with open_pool(database_url, statement_timeout=0.1) as pool:
        tried = []

        def write(transaction: PostgresTransaction) -> None:
            tried.append(transaction)
            transaction.connection.execute(
                "INSERT INTO api_keys (id, digest, ending, role, name)"
                " SELECT gen_random_uuid(), sha256('late'), 'abcd', 'desk', 'late' FROM pg_sleep(30)"
            )

        with pytest.raises(Unavailable):
            PostgresStores(pool).write(write)
        assert len(tried) == 1
        assert count_of(PostgresStores(pool)) == 0


def test_a_look_that_takes_too_long_is_unavailable_and_is_not_tried_again(database_url: str) -> None:
    with open_pool(database_url, statement_timeout=0.1) as pool:
        looks = []

        def sleep(transaction: PostgresTransaction) -> None:
            looks.append(transaction)
            transaction.connection.execute("SELECT pg_sleep(30)")

        with pytest.raises(Unavailable):
            PostgresStores(pool).look(sleep)
        assert len(looks) == 1
        assert count_of(PostgresStores(pool)) == 0


def _asked(transaction: PostgresTransaction) -> bool:
    return transaction.connection.execute("SELECT 1 AS one").fetchone() is not None
