"""`GET /v1/guide`."""

from __future__ import annotations

from tests.api.conftest import Caller


def test_the_guide_is_for_anybody_on_any_page_and_is_not_sent_twice(nobody: Caller) -> None:
    response = nobody.get("/v1/guide", Origin="https://shop.example")

    assert response.status_code == 200
    assert response.headers["Access-Control-Allow-Origin"] == "*"
    body = response.get_json()
    assert body["cautions"]
    assert {"lobe_height", "gear_teeth"} <= {entry["feature"] for entry in body["readings"]}
    assert nobody.get("/v1/guide", If_None_Match=response.headers["ETag"]).status_code == 304


def test_every_page_is_served_under_a_policy_that_lets_in_nothing_from_elsewhere(nobody: Caller) -> None:
    for path in ("/desk/", "/widget/", "/guide/", "/desk/desk.js", "/shared/page.css"):
        response = nobody.get(path)
        assert response.status_code == 200, path
        policy = response.headers["Content-Security-Policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "http" not in policy
        assert b" style=" not in response.data
        assert b"<script>" not in response.data
        assert response.headers["X-Content-Type-Options"] == "nosniff"


def test_no_page_leads_out_of_its_folder(nobody: Caller) -> None:
    for path in ("/desk/../routes.py", "/desk/%2e%2e/%2e%2e/routes.py", "/shared/../../__init__.py", "/shared/"):
        assert nobody.get(path).status_code == 404, path


def test_the_papers_are_for_anybody_and_are_not_sent_twice(nobody: Caller) -> None:
    path = nobody.get("/v1/guide").get_json()["papers"]
    printed = nobody.get(path)
    assert printed.content_type == "application/pdf"
    assert printed.data.startswith(b"%PDF-")
    assert nobody.get(path, If_None_Match=printed.headers["ETag"]).status_code == 304
