"""Drafts of the catalogue that are kept: uploaded as files, read, published, discarded, all over HTTP."""

from __future__ import annotations

import io
import json
from typing import Any

import openpyxl
from flask import Flask

from service.app import EXTENSION
from service.catalogue_files import read_json
from service.catalogue_files.written import written_csv
from service.domain.access import Role
from service.workflows.catalogue.drafts import MOST_DRAFTS
from service.workflows.keys import create_key
from tests.api.conftest import Caller, Json
from tests.api.test_before_publishing import AFTER, own_app, own_settings, owner  # noqa: F401  fixtures

PATH = "/v1/catalogue/drafts"
SHEETS = {name: text.encode() for name, text in written_csv(read_json(AFTER)).items()}


def upload(caller: Caller, files: dict[str, bytes], **headers: str) -> Any:
    sent = [(io.BytesIO(data), name) for name, data in files.items()]
    return caller.send("POST", f"{PATH}/files", data={"files": sent}, headers=headers)


def kept(caller: Caller, files: dict[str, bytes]) -> Json:
    response = upload(caller, files)
    assert response.status_code == 201, response.get_data(as_text=True)
    entry: Json = response.get_json()
    assert response.headers["Location"] == f"{PATH}/{entry['id']}"
    return entry


def workbook(files: dict[str, bytes]) -> bytes:
    """The same sheets in one workbook."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, data in files.items():
        sheet = book.create_sheet(name.removesuffix(".csv"))
        for line in data.decode().splitlines():
            sheet.append([cell or None for cell in line.split(",")])
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def test_the_same_catalogue_in_three_forms_is_the_same_draft(owner: Caller) -> None:  # noqa: F811
    forms = (SHEETS, {"next.xlsx": workbook(SHEETS)}, {"next.json": json.dumps(AFTER).encode()})
    effects = [owner.get(f"{PATH}/{kept(owner, files)['id']}").get_json()["effects"] for files in forms]
    assert effects[0] == effects[1] == effects[2]
    assert effects[0]["changes"] == ["part A-4 added", "part A-2 removed"]
    assert [drawing["title"] for drawing in effects[0]["drawings"]] == [
        "Lifts by core", "Journals by core", "Look-alikes",
    ]  # fmt: skip
    assert len(owner.get("/v1/catalogue/revisions").get_json()["items"]) == 1


def test_a_draft_is_published_for_a_reason_beside_the_revision_it_was_read_with(owner: Caller) -> None:  # noqa: F811
    first, second = kept(owner, SHEETS), kept(owner, SHEETS)
    assert [item["id"] for item in owner.get(PATH).get_json()["items"]] == [second["id"], first["id"]]
    seen = owner.get(f"{PATH}/{first['id']}")
    assert seen.get_json()["effects"]["against"] == 1
    published = owner.post(f"{PATH}/{first['id']}/publish?reason=the+spring+list", If_Match=seen.headers["ETag"])
    assert published.status_code == 201, published.get_data(as_text=True)
    assert published.get_json()["revision"] == 2
    made = owner.get(published.headers["Location"]).get_json()
    assert (made["state"], made["made_by"], made["reason"]) == ("active", "the owner", "the spring list")
    assert owner.get(f"{PATH}/{first['id']}").status_code == 404
    assert owner.post(f"{PATH}/{first['id']}/publish?reason=again").status_code == 404

    # what the other was read beside is the active revision no longer
    late = owner.post(f"{PATH}/{second['id']}/publish?reason=late", If_Match=seen.headers["ETag"])
    assert late.status_code == 412
    assert owner.get(f"{PATH}/{second['id']}").get_json()["effects"]["changes"] == []
    assert owner.post(f"{PATH}/{second['id']}/publish").status_code == 422

    # nothing differs, so there is nothing to make of it
    same = owner.post(f"{PATH}/{second['id']}/publish?reason=all+the+same")
    assert (same.status_code, same.get_json()["revision"], same.get_json()["made"]) == (200, 2, False)
    assert same.headers["Location"] == published.headers["Location"]
    assert owner.get(f"{PATH}/{second['id']}").status_code == 404
    assert len(owner.get("/v1/catalogue/revisions").get_json()["items"]) == 2


def test_a_draft_with_faults_is_kept_to_be_read_and_never_published(owner: Caller) -> None:  # noqa: F811
    lines = SHEETS["parts.csv"].decode().splitlines()
    titles = lines[0].split(",")
    row = lines[2].split(",")
    row[titles.index("intake.lift")] = "o.34"
    faulty = "\n".join([lines[0], lines[1].replace("A-1,", "A-1 ,"), ",".join(row), *lines[3:]])
    entry = kept(owner, SHEETS | {"parts.csv": faulty.encode()})
    assert (entry["fault_count"], entry["parts"]) == (1, None)
    draft = owner.get(f"{PATH}/{entry['id']}").get_json()
    assert draft["effects"] is None
    [fault] = draft["faults"]
    assert (fault["place"], fault["value"]) == ("parts.csv:3:intake.lift", "o.34")
    assert owner.post(f"{PATH}/{entry['id']}/publish?reason=all+the+same").status_code == 409
    corrected = owner.get(f"{PATH}/{entry['id']}/corrected/parts.csv")
    assert corrected.mimetype == "text/csv"
    assert "\nA-1," in corrected.get_data(as_text=True)
    assert owner.get(f"{PATH}/{entry['id']}/corrected/prices.csv").status_code == 404
    assert owner.send("DELETE", f"{PATH}/{entry['id']}").status_code == 204
    assert owner.send("DELETE", f"{PATH}/{entry['id']}").status_code == 404
    assert owner.get(PATH).get_json()["items"] == []


def test_files_that_are_no_catalogue_are_refused_by_name(owner: Caller) -> None:  # noqa: F811
    refused: tuple[tuple[dict[str, bytes], str], ...] = (
        ({"parts.csv": SHEETS["parts.csv"]}, "cores.csv is missing"),
        ({"parts.csv": b"", "parts old.csv": b""}, "the same sheet"),
        ({"prices.csv": b""}, "could be any sheet"),
        ({"list.xls": b""}, "old sort"),
        ({"list.pdf": b""}, "cannot be read"),
        ({"a.json": b"{}", "b.json": b"{}"}, "not one catalogue"),
    )
    for files, said in refused:
        response = upload(owner, files)
        assert response.status_code == 422
        assert said in response.get_data(as_text=True)


def test_an_upload_of_anything_else_is_refused(owner: Caller) -> None:  # noqa: F811
    refused = owner.post(f"{PATH}/files", {"files": []})
    assert (refused.status_code, refused.get_json()["code"]) == (415, "wrong_content_type")
    assert owner.send("POST", f"{PATH}/files", data={}, content_type="multipart/form-data").status_code == 422
    nameless = {"files": [(io.BytesIO(b"{}"), "next.json"), (io.BytesIO(b"{}"), "next.json")]}
    assert owner.send("POST", f"{PATH}/files", data=nameless).status_code == 422
    assert owner.send("POST", f"{PATH}/files", data={"other": (io.BytesIO(b"{}"), "a.json")}).status_code == 422


def test_no_more_than_so_many_are_kept(owner: Caller) -> None:  # noqa: F811
    tiny = {"next.json": b"{}"}
    sent = [upload(owner, tiny) for _ in range(MOST_DRAFTS + 1)]
    assert [response.status_code for response in sent] == [201] * MOST_DRAFTS + [409]


def test_the_desk_sees_no_drafts(own_app: Flask) -> None:  # noqa: F811
    desk = Caller(own_app, create_key(own_app.extensions[EXTENSION].desk.stores, Role.DESK, "the desk"))
    assert desk.get(PATH).status_code == 403
    assert upload(desk, SHEETS).status_code == 403
