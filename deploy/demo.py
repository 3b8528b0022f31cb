"""What `deploy/demo` shows, once the packages are there: the service started, asked, and its answer printed."""

from __future__ import annotations

import io
import json
import sys
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any
from uuid import UUID

from service.adapters.catalogue_source import read_source
from service.documents.answer_text import render_answer
from service.domain.access import Role
from service.domain.errors import LobedeskError, Unavailable
from service.serving.reached import command_stores
from service.serving.serve import serve
from service.serving.supervisor import Stopped, stoppable
from service.settings import Settings, read_settings
from service.workflows.catalogue.import_catalogue import import_catalogue
from service.workflows.keys import create_key

FIXTURES = Path(__file__).resolve().parent.parent / "fixtures"
SAMPLE = FIXTURES / "sample_submission.json"

Json = dict[str, Any]


def main(once: bool) -> int:
    """Fill the stores, serve, ask, print; then serve on, unless `once`."""
    settings = read_settings()
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")  # a terminal need not know every sign
    print("starting the stores and reading the catalogue ...", flush=True)
    with stoppable():
        fill(settings)

    def show(url: str) -> None:
        print_demonstration(settings, url, make_keys(settings, url))
        if once:
            raise Stopped(0)
        print(f"\nServing at {url} until Ctrl-C.", flush=True)

    return serve(settings, with_worker=True, announce=show)


def fill(settings: Settings) -> None:
    """Import the invented catalogue, unless there is one from before: that may have become somebody's own."""
    with command_stores(settings) as stores:
        with stores.transaction() as transaction:
            before = transaction.catalogue.active_revision()
        if before is None:
            catalogue = read_source(FIXTURES / "catalogue.json")
            import_catalogue(stores, catalogue, who="deploy/demo", why="the invented catalogue")
        else:
            print(f"going on with what is in {settings.data}: catalogue revision {before}", flush=True)


def make_keys(settings: Settings, url: str) -> dict[Role, str]:
    """A key for each kind of person the demonstration has something for."""
    with command_stores(settings) as stores:
        return {
            role: create_key(stores, role, "demonstration", (url,) if role is Role.WIDGET else ())
            for role in (Role.DESK, Role.WIDGET, Role.ADMIN)
        }


def print_demonstration(settings: Settings, url: str, keys: dict[Role, str]) -> None:
    """Ask about the sample over HTTP and print the answer, and how to go on."""
    sample = json.loads(SAMPLE.read_text(encoding="utf-8"))
    answer = ask(f"{url}/v1/submissions", keys[Role.DESK], sample)
    parts = ["\n".join(question_lines(sample)), readable(settings, answer), "\n".join(more_lines(url, keys, answer))]
    print("", *parts, sep="\n")


def readable(settings: Settings, answer: Json) -> str:
    """The answer just given, as the desk would send it to a customer: the JSON's case, written out as text."""
    with command_stores(settings) as stores, stores.transaction() as transaction:
        case = transaction.submissions.find(UUID(answer["id"]))
    if case is None:
        raise Unavailable("The service does not know the case it has just answered.")
    return render_answer(case.submission, case.latest.identification, case.latest.catalogue_revision)


def ask(url: str, key: str, body: Json) -> Json:
    """POST `body` and return the answer."""
    request = urllib.request.Request(
        url,
        json.dumps(body).encode(),
        {"Authorization": f"Bearer {key}", "Content-Type": "application/json"},
    )
    try:
        with urllib.request.urlopen(request, timeout=30) as response:
            answer: Json = json.load(response)
    except urllib.error.HTTPError as error:
        with error:
            raise Unavailable(f"The service answered {error.code}: {error.read().decode(errors='replace')}") from None
    return answer


def question_lines(sample: Json) -> list[str]:
    """What the caller measured."""
    lines = [
        "A caller has a camshaft with no box and no card. (Caller, supplier, parts and engines are all invented.)",
        f"Measured with a {words(sample['instrument'])}, in {UNITS[sample['unit']]}:",
        "",
    ]
    lines += [f"  {name_of(reading):<26} {'  '.join(reading['values'])}" for reading in sample["readings"]]
    lines += [f"  {words(name):<26} {count}" for name, count in sample.get("counts", {}).items()]
    lines += [f"  marking, {words(mark['place']):<17} {mark['text']}" for mark in sample.get("markings", [])]
    return [*lines, ""]


def more_lines(url: str, keys: dict[Role, str], answer: Json) -> list[str]:
    """Where to go on from here."""
    case = f"{url}/v1/submissions/{answer['id']}"
    header = f"-H 'Authorization: Bearer {keys[Role.DESK]}'"
    return [
        "In a browser:",
        "",
        f"  the desk                {url}/desk/    sign in with {keys[Role.DESK]}",
        f"  its room Catalogue      {url}/desk/    sign in with {keys[Role.ADMIN]}",
        f"  a store's widget        {url}/widget/  its key is {keys[Role.WIDGET]}",
        f"  the measuring guide     {url}/guide/",
        f"  the API's documentation {url}/docs",
        "",
        "Try it yourself, in another terminal:",
        "",
        f"  curl {header} {case}/chart.svg -o chart.svg",
        "",
        f"  curl {header} -H 'Content-Type: application/json' \\",
        f"    -d @{SAMPLE} {url}/v1/submissions",
    ]


UNITS = {"in": "inches", "mm": "millimetres"}


def name_of(reading: Json) -> str:
    """What was measured, in words."""
    return " ".join(filter(None, [reading.get("position"), reading.get("lobe"), words(reading["feature"])]))


def words(name: str) -> str:
    """A name of the API as words."""
    return name.replace("_", " ")


if __name__ == "__main__":
    try:
        sys.exit(main(once="--once" in sys.argv[1:]))
    except LobedeskError as error:
        sys.exit(f"deploy/demo: {error.message}")
