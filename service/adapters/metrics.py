"""What is counted, for Prometheus.

Under several workers the prometheus client keeps its numbers in files, one a process, in the folder named by
`PROMETHEUS_MULTIPROC_DIR`; whoever starts the workers sets it, empties the folder, and marks ended workers dead.
"""

from __future__ import annotations

from pathlib import Path

from prometheus_client import CollectorRegistry, Counter, Histogram, generate_latest
from prometheus_client.multiprocess import MultiProcessCollector

from service.domain.identification import AnswerState

_ENGINE_BUCKETS = (0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.5, 2.0)
_REQUEST_BUCKETS = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 5.0)


class Metrics:
    """Counters and histograms of one application; `shared_folder` holds those of all its workers."""

    def __init__(self, shared_folder: Path | None = None) -> None:
        self._shared_folder = shared_folder
        self._own = CollectorRegistry()
        self._answers = Counter("lobedesk_answers", "Answers given.", ["state"], registry=self._own)
        self._cache = Counter("lobedesk_cache", "Answers looked for in the cache.", ["outcome"], registry=self._own)
        self._engine = Histogram(
            "lobedesk_engine_seconds", "Time to work out an answer.", buckets=_ENGINE_BUCKETS, registry=self._own
        )
        self._requests = Histogram(
            "lobedesk_request_seconds",
            "Time to answer a request.",
            ["method", "route", "status"],
            buckets=_REQUEST_BUCKETS,
            registry=self._own,
        )

    def answered(self, state: AnswerState, from_cache: bool, seconds: float) -> None:
        """One more answer, and how long it took to get."""
        self._answers.labels(state.value).inc()
        self._cache.labels("hit" if from_cache else "miss").inc()
        if not from_cache:
            self._engine.observe(seconds)

    def request(self, method: str, route: str, status: int, seconds: float) -> None:
        """One more request; `route` is the rule, not the path, so the number of series stays small."""
        self._requests.labels(method, route, str(status)).observe(seconds)

    def render(self) -> bytes:
        """Everything counted, in the text format."""
        if self._shared_folder is None:
            return generate_latest(self._own)
        registry = CollectorRegistry()
        MultiProcessCollector(registry, path=str(self._shared_folder))  # type: ignore[no-untyped-call]
        return generate_latest(registry)
