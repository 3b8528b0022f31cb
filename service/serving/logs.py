"""How a process of ours logs: one JSON object a line on standard error, or readable lines on a terminal."""

from __future__ import annotations

import logging
import sys
from typing import Any

import orjson
import structlog

from service.settings import unknown_variables

log = structlog.get_logger()


def configure_logging(level: str) -> None:
    """Log what is at least as severe as `level`, of libraries only warnings and worse."""
    least = logging.getLevelNamesMapping()[level.upper()]
    before: list[structlog.typing.Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
    ]
    last: list[structlog.typing.Processor]
    if sys.stderr.isatty():
        # A traceback with every local in it can hold a whole catalogue, and a caller's name.
        last = [structlog.dev.ConsoleRenderer(exception_formatter=structlog.dev.plain_traceback)]
    else:
        last = [structlog.processors.format_exc_info, structlog.processors.JSONRenderer(_as_json)]
    structlog.configure(
        processors=[*before, *last],
        wrapper_class=structlog.make_filtering_bound_logger(least),
        logger_factory=structlog.WriteLoggerFactory(sys.stderr),
        cache_logger_on_first_use=True,
    )
    handler = logging.StreamHandler()
    handler.setFormatter(structlog.stdlib.ProcessorFormatter(processors=last, foreign_pre_chain=before))
    logging.basicConfig(level=max(least, logging.WARNING), handlers=[handler], force=True)


def warn_of_misspelt_settings() -> None:
    """Tell of each variable that looks like a setting and is none: what it was to set is at its default."""
    for variable in unknown_variables():
        log.warning("no setting of this service; misspelt?", variable=variable)


def _as_json(event: Any, **_: Any) -> str:
    return orjson.dumps(event, default=str).decode()
