"""What is counted, for Prometheus.

Under several workers the prometheus client keeps its numbers in files, one a process, in the folder named by
`PROMETHEUS_MULTIPROC_DIR`; whoever starts the workers sets it, empties the folder, and marks ended workers dead.
"""

from __future__ import annotations

from pathlib import Path

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, generate_latest
from prometheus_client.multiprocess import MultiProcessCollector

from service.domain.identification import AnswerState
from service.domain.outbox import MessageState
from service.domain.review import ReviewState
from service.workflows.backlog import Backlog

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

    def render(self, waiting: Backlog | None = None) -> bytes:
        """Everything counted and what waits, in the text format."""
        if self._shared_folder is None:
            counted = generate_latest(self._own)
        else:
            registry = CollectorRegistry()
            MultiProcessCollector(registry, path=str(self._shared_folder))  # type: ignore[no-untyped-call]
            counted = generate_latest(registry)
        return counted + generate_latest(_gauges(waiting))


def _gauges(waiting: Backlog | None) -> CollectorRegistry:
    """What waits, as it is in the database: every instance of the service tells the same."""
    registry = CollectorRegistry()
    reached = Gauge("lobedesk_postgres_reached", "Whether the database answers: 1 or 0.", registry=registry)
    reached.set(waiting is not None)
    if waiting is None:
        return registry
    reviews = Gauge("lobedesk_reviews", "Reviews not settled, by state.", ["state"], registry=registry)
    overdue = Gauge("lobedesk_reviews_overdue", "Of those, overdue.", ["state"], registry=registry)
    oldest = Gauge(
        "lobedesk_review_oldest_seconds", "Since the oldest of them was opened.", ["state"], registry=registry
    )
    for state in (ReviewState.WAITING, ReviewState.CLAIMED):
        of_state = next((one for one in waiting.reviews if one.state is state), None)
        reviews.labels(state.value).set(of_state.reviews if of_state else 0)
        overdue.labels(state.value).set(of_state.overdue if of_state else 0)
        oldest.labels(state.value).set(of_state.oldest_s if of_state else 0.0)
    messages = Gauge("lobedesk_outbox_messages", "Messages not sent, by state.", ["state"], registry=registry)
    lag = Gauge("lobedesk_outbox_lag_seconds", "How long the most overdue message has been due.", registry=registry)
    for kind in (MessageState.WAITING, MessageState.DEAD):
        of_kind = next((one for one in waiting.messages if one.state is kind), None)
        messages.labels(kind.value).set(of_kind.messages if of_kind else 0)
        if kind is MessageState.WAITING:
            lag.set(of_kind.oldest_s if of_kind else 0.0)
    if waiting.catalogue_revision is not None:
        revision = Gauge("lobedesk_catalogue_revision", "The active catalogue's revision.", registry=registry)
        revision.set(waiting.catalogue_revision)
    return registry
