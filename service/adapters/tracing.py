"""Spans for OpenTelemetry, sent by OTLP over HTTP to where the standard `OTEL_*` variables say.

Those are read by OpenTelemetry's own SDK, which is an extra of the package (`lobedesk[tracing]`). Open it in the
process that serves or works, after any fork: it sends from a thread of its own.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import structlog

from service import __version__, spans
from service.spans import UNTRACED, Kind, Span

log = structlog.get_logger()

Attributes = Mapping[str, str | int | float | bool]

_PROPAGATED = "traceparent"


def open_tracing() -> None:
    """Trace this process as the `OTEL_*` variables say; without the extra a warning is all that comes of it."""
    try:
        from opentelemetry.exporter.otlp.proto.http.trace_exporter import OTLPSpanExporter
        from opentelemetry.sdk.trace.export import BatchSpanProcessor
    except ImportError:
        log.warning("tracing is configured, but its packages are not installed: pip install 'lobedesk[tracing]'")
        return
    trace_to(BatchSpanProcessor(OTLPSpanExporter()))


def trace_to(processor: Any) -> None:
    """Trace this process, giving what has ended to an SDK's span processor."""
    from opentelemetry.sdk.resources import SERVICE_NAME, SERVICE_VERSION, Resource
    from opentelemetry.sdk.trace import TracerProvider

    about: dict[str, Any] = {SERVICE_VERSION: __version__}
    found = Resource.create()
    if str(found.attributes[SERVICE_NAME]).startswith("unknown_service"):
        about[SERVICE_NAME] = "lobedesk"
    provider = TracerProvider(resource=found.merge(Resource(about)))
    provider.add_span_processor(processor)
    spans.use(_OpenTelemetry(provider))


def close_tracing(patience_s: float = 3.0) -> None:
    """Send what is still to be sent, if that is soon done, and trace no more."""
    tracer = spans.use(None)
    if isinstance(tracer, _OpenTelemetry):
        # A collector that hangs is no reason to keep a process that is told to stop.
        sending = threading.Thread(target=tracer.provider.shutdown, daemon=True)
        sending.start()
        sending.join(patience_s)


@contextmanager
def closing_tracing() -> Iterator[None]:
    """Close it when what is done inside is over."""
    try:
        yield
    finally:
        close_tracing()


class _OpenTelemetry:
    """Satisfies `service.spans.Tracer`."""

    def __init__(self, provider: Any) -> None:
        from opentelemetry import trace
        from opentelemetry.trace.propagation.tracecontext import TraceContextTextMapPropagator

        self.provider = provider
        self._trace = trace
        self._propagator = TraceContextTextMapPropagator()
        self._tracer = provider.get_tracer("lobedesk", __version__)

    @contextmanager
    def span(self, name: str, kind: Kind, attributes: Attributes, after: str | None, *, linked: bool) -> Iterator[Span]:
        """A span inside the present one, or after one that a `traceparent` names.

        What is asked of other processes outside any request and job, such as which catalogue is active, is no trace.
        """
        if kind is Kind.CLIENT and self.trace_id() is None:
            yield UNTRACED
            return
        context, links = None, []
        if after is not None:
            context = self._propagator.extract({_PROPAGATED: after})
            if linked:
                came_from = self._trace.get_current_span(context).get_span_context()
                context, links = None, [self._trace.Link(came_from)] if came_from.is_valid else []
        with self._tracer.start_as_current_span(
            name,
            context,
            self._trace.SpanKind[kind.name],
            _dotted(attributes),
            links,
            # The text of an exception may hold what a caller wrote.
            record_exception=False,
            set_status_on_exception=False,
        ) as begun:
            opened = _OpenSpan(begun, self._trace)
            try:
                yield opened
            except Exception as error:
                if getattr(error, "is_failure", True):
                    opened.failed(type(error).__name__)
                raise

    def trace_id(self) -> str | None:
        """The present trace, in hexadecimal."""
        present = self._trace.get_current_span().get_span_context()
        return format(present.trace_id, "032x") if present.is_valid else None

    def carried(self) -> str | None:
        """The present span as a W3C `traceparent`."""
        carrier: dict[str, str] = {}
        self._propagator.inject(carrier)
        return carrier.get(_PROPAGATED)


class _OpenSpan:
    """Satisfies `service.spans.Span`."""

    def __init__(self, span: Any, trace: Any) -> None:
        self._span = span
        self._trace = trace

    def say(self, **attributes: str | int | float | bool) -> None:
        """Say more of it."""
        self._span.set_attributes(_dotted(attributes))

    def rename(self, name: str) -> None:
        """Name it anew."""
        self._span.update_name(name)

    def failed(self, how: str) -> None:
        """Say that it failed."""
        self._span.set_status(self._trace.StatusCode.ERROR)
        self._span.set_attribute("error.type", how)


def _dotted(attributes: Attributes) -> dict[str, str | int | float | bool]:
    return {name.replace("__", "."): value for name, value in attributes.items()}
