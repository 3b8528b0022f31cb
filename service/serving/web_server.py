"""gunicorn with our settings. The catalogue is read before the fork; in each worker the app is built, and with it
the pool.

Run as `python -m service.serving.web_server FD FOLDER`: FD is an inherited listening socket, FOLDER an empty folder in
which the workers keep their numbers, the same that `PROMETHEUS_MULTIPROC_DIR` names.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

from flask import Flask
from gunicorn.app.base import BaseApplication
from gunicorn.workers.base import Worker
from prometheus_client.multiprocess import mark_process_dead

from service.adapters.tracing import close_tracing, open_tracing
from service.app import close_app, create_app, read_ahead
from service.serving.collecting import collect_seldom
from service.serving.logs import configure_logging
from service.settings import Settings, read_settings, tracing_is_wanted
from service.workflows.identifying.snapshot import CatalogueSnapshot

GRACE_S = 10
"""How long a worker may take to finish what it is answering when it is told to stop."""


class WebServer(BaseApplication):  # type: ignore[misc]
    """The web processes over one listening socket."""

    def __init__(self, settings: Settings, listener: int, metrics_folder: Path) -> None:
        self._settings = settings
        self._listener = listener
        self._metrics_folder = metrics_folder
        self._app: Flask | None = None
        self._snapshot: CatalogueSnapshot | None = None
        super().__init__()

    def load_config(self) -> None:
        """Threads keep connections alive, which gunicorn's plain workers do not."""
        options: dict[str, Any] = {
            "bind": f"fd://{self._listener}",
            "workers": self._settings.workers,
            "worker_class": "gthread",
            "threads": self._settings.threads,
            "keepalive": 5,
            "timeout": 60,
            "graceful_timeout": GRACE_S,
            "loglevel": "debug" if self._settings.log_level == "debug" else "warning",
            # It would lie in the user's home.
            "control_socket_disable": True,
            "when_ready": self._read_ahead,
            "on_reload": self._read_ahead,
            "worker_exit": self._close,
            "child_exit": self._forget,
        }
        for name, value in options.items():
            self.cfg.set(name, value)

    def load(self) -> Flask:
        """The app of one worker."""
        if tracing_is_wanted():
            open_tracing()
        self._app = create_app(self._settings, self._metrics_folder, self._snapshot)
        return self._app

    def _read_ahead(self, _server: object) -> None:
        """Before any worker is forked: they share what is read here, and are ready the sooner."""
        self._snapshot = read_ahead(self._settings)
        collect_seldom()  # or the first collection in a worker would write to every page, and so copy it

    def _close(self, _server: object, _worker: object) -> None:
        if self._app is not None:
            close_app(self._app)
        close_tracing()

    def _forget(self, _server: object, worker: Worker) -> None:
        mark_process_dead(worker.pid, str(self._metrics_folder))  # type: ignore[no-untyped-call]


if __name__ == "__main__":
    settings = read_settings()
    configure_logging(settings.log_level)
    WebServer(settings, int(sys.argv[1]), Path(sys.argv[2])).run()
