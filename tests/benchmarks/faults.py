"""Faults, done to running instances and their stores one after another, each undone again."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import psycopg
import redis

from tests.instances import LOBEDESK, Instance, Stores, environment

AWAY_S = 8.0
"""How long what is stopped stays away, in seconds."""


class Fleet:
    """Several instances and one job worker over one Postgres and one Redis. The last instance is never killed."""

    def __init__(self, folder: Path, stores: Stores, settings: dict[str, str], count: int) -> None:
        self._folder, self._settings = folder, settings
        self.stores = stores
        self.started = 0
        self.alive = [self._new_instance() for _ in range(count)]
        self.worker = self._new_worker()

    def _new_instance(self) -> Instance:
        self.started += 1
        return Instance(self._folder / f"instance{self.started}", self._settings)

    def _new_worker(self) -> subprocess.Popen[bytes]:
        with (self._folder / "worker.log").open("ab") as log:
            return subprocess.Popen(
                [*LOBEDESK, "worker"],
                env=environment(**self._settings, LOBEDESK_DATA=str(self._folder / "worker")),
                stdout=log,
                stderr=log,
                start_new_session=True,
            )

    def stop(self) -> None:
        """End everything in good order."""
        for instance in self.alive:
            instance.stop()
        self.worker.terminate()
        self.worker.wait(60)

    def kill_an_instance(self) -> None:
        """A machine is lost, and another takes its place."""
        self.alive.pop(0).kill()
        time.sleep(AWAY_S)
        self.alive.insert(0, self._new_instance())

    def kill_a_web_worker(self) -> None:
        """Its server starts another."""
        os.kill(self.alive[0].workers()[0], signal.SIGKILL)

    def kill_the_job_worker(self) -> None:
        """Another is started."""
        os.killpg(self.worker.pid, signal.SIGKILL)
        self.worker.wait(60)
        time.sleep(AWAY_S)
        self.worker = self._new_worker()

    def flush_redis(self) -> None:
        """Everything in it is gone."""
        with redis.Redis.from_url(self.stores.valkey.url) as client:
            client.flushall()

    def fill_redis(self) -> None:
        """It takes nothing more for a while."""
        with redis.Redis.from_url(self.stores.valkey.url) as client:
            client.config_set("maxmemory-policy", "noeviction")
            client.config_set("maxmemory", "1")
            time.sleep(AWAY_S)
            client.config_set("maxmemory", "64mb")
            client.config_set("maxmemory-policy", "allkeys-lru")

    def hang_redis(self) -> None:
        """It says nothing for a while."""
        with redis.Redis.from_url(self.stores.valkey.url) as client:
            pid = client.info("server")["process_id"]
        os.kill(pid, signal.SIGSTOP)
        time.sleep(AWAY_S)
        os.kill(pid, signal.SIGCONT)

    def stop_redis(self) -> None:
        """It is away for a while and comes back empty."""
        self.stores.valkey.stop()
        time.sleep(AWAY_S)
        self.stores.valkey.start()

    def restart_postgres(self) -> None:
        """It stops, with whatever is open in it, and starts."""
        self.stores.postgres.stop()
        self.stores.postgres.start()

    def kill_postgres(self) -> None:
        """It is killed, and recovers from its log."""
        pid = self.stores.postgres.pid
        assert pid is not None
        os.kill(pid, signal.SIGKILL)
        self.stores.postgres.stop()
        self.stores.postgres.start()

    def cut_connections(self) -> None:
        """Every connection of the service is ended by the server."""
        with psycopg.connect(self.stores.postgres.url(), autocommit=True) as connection:
            connection.execute(
                "SELECT pg_terminate_backend(pid) FROM pg_stat_activity"
                " WHERE datname = current_database() AND pid <> pg_backend_pid() AND backend_type = 'client backend'"
            )

    def slow_postgres(self) -> None:
        """A table is locked for longer than a statement waits, again and again."""
        with psycopg.connect(self.stores.postgres.url(), autocommit=True) as connection:
            until = time.monotonic() + AWAY_S
            while time.monotonic() < until:
                with connection.transaction():
                    connection.execute("LOCK TABLE submissions IN ACCESS EXCLUSIVE MODE")
                    time.sleep(2.5)
                time.sleep(0.5)

    def faults(self) -> dict[str, Callable[[], None]]:
        """All of them, in an order in which neighbours differ."""
        return {
            "instance killed": self.kill_an_instance,
            "Redis flushed": self.flush_redis,
            "Postgres restarted": self.restart_postgres,
            "job worker killed": self.kill_the_job_worker,
            "Redis stopped": self.stop_redis,
            "connections cut": self.cut_connections,
            "web worker killed": self.kill_a_web_worker,
            "Redis full": self.fill_redis,
            "Postgres slow": self.slow_postgres,
            "Redis hung": self.hang_redis,
            "Postgres killed": self.kill_postgres,
        }
