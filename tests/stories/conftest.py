"""Whole journeys over the same application as `tests/api` uses."""

from tests.api.conftest import (  # noqa: F401  fixtures
    api_settings,
    app,
    desk,
    keys,
    nobody,
    other_widget,
    plain_logs,
    sample,
    scant,
    widget,
)
