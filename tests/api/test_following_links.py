"""schemathesis going from answer to request along the document's links, as a client does: what is made is read, changed
and taken away, in orders nobody thought of.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, settings
from schemathesis.config import SchemathesisConfig
from schemathesis.core.failures import FailureGroup

from service.adapters.postgres.pool import PostgresStores, open_pool
from service.app import EXTENSION, close_app, create_app
from service.domain.access import Role
from service.settings import Settings
from service.workflows.catalogue.import_catalogue import import_catalogue
from service.workflows.keys import create_key
from tests.api.conftest import as_url
from tests.api.test_document import DOCUMENT
from tests.api.test_every_operation import small_catalogue

pytestmark = pytest.mark.long

# What no schema can say is refused with 422. Every way of coming without a key is tried in test_access.
CONFIG = SchemathesisConfig.from_dict(
    {
        "generation": {"deterministic": True, "mode": "positive"},
        "checks": {"positive_data_acceptance": {"enabled": False}, "ignored_auth": {"enabled": False}},
    }
)


@pytest.fixture(scope="module")
def answered(new_database: Any, api_settings: Settings) -> Iterator[tuple[Any, str, Counter[str]]]:
    """The document over an application of its own, a key that may do anything, and what has been answered."""
    with new_database() as conninfo:
        with open_pool(conninfo) as pool:
            import_catalogue(PostgresStores(pool), small_catalogue(), who="tests", why="")
        app = create_app(replace(api_settings, database_url=as_url(conninfo)))
        key = create_key(app.extensions[EXTENSION].desk.stores, Role.ADMIN, "schemathesis")
        schema = schemathesis.openapi.from_dict(DOCUMENT, config=CONFIG)
        schema.app = app
        yield schema, key, Counter()
        close_app(app)


def test_what_an_answer_leads_to_keeps_what_the_document_promises(answered: tuple[Any, str, Counter[str]]) -> None:
    schema, key, followed = answered
    broken: list[str] = []

    class Client(schema.as_state_machine()):  # type: ignore[misc]
        def get_call_kwargs(self, case: Any) -> dict[str, Any]:
            return {"headers": {"Authorization": f"Bearer {key}"}}

        def validate_response(self, response: Any, case: Any, *args: Any, **kwargs: Any) -> None:
            # Kept, not raised: to be shown a failure again hypothesis would need the database as it was.
            try:
                super().validate_response(response, case, *args, **kwargs)
            except FailureGroup as failures:
                broken.extend(f"{case.operation.label}: {failure}" for failure in failures.exceptions)
            if case.path_parameters and response.status_code < 300:
                followed[case.operation.label] += 1

    Client.run(
        settings=settings(
            max_examples=30,
            stateful_step_count=8,
            deadline=None,
            derandomize=True,
            database=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
    )

    assert broken == []
    assert len(followed) >= 3, followed
