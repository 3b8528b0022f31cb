"""What `deploy/demo` shows, once the packages are there: the service started, asked, and its answer printed."""

from __future__ import annotations

import json
import sys
import textwrap
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any

from service.adapters.catalogue_source import read_source
from service.domain.access import Role
from service.domain.errors import LobedeskError, Unavailable
from service.serving.reached import command_stores
from service.serving.serve import serve
from service.serving.supervisor import Stopped, stoppable
from service.settings import Settings, read_settings
from service.workflows.import_catalogue import import_catalogue
from service.workflows.keys import create_key

FIXTURES = Path(__file__).resolve().parent.parent / "fixtures"
SAMPLE = FIXTURES / "sample_submission.json"

Json = dict[str, Any]


def main(once: bool) -> int:
    """Fill the stores, serve, ask, print; then serve on, unless `once`."""
    settings = read_settings()
    print("starting the stores and reading the catalogue ...", flush=True)
    with stoppable():
        key = fill(settings)

    def show(url: str) -> None:
        print_demonstration(url, key)
        if once:
            raise Stopped(0)
        print(f"\nServing at {url} until Ctrl-C.", flush=True)

    return serve(settings, with_worker=True, announce=show)


def fill(settings: Settings) -> str:
    """Import the invented catalogue and make a key for the demonstration."""
    catalogue = read_source(FIXTURES / "catalogue.json")
    with command_stores(settings) as stores:
        import_catalogue(stores, catalogue, who="deploy/demo", why="the invented catalogue")
        return create_key(stores, Role.DESK, "demonstration")


def print_demonstration(url: str, key: str) -> None:
    """Ask about the sample over HTTP and print the answer, and how to go on."""
    sample = json.loads(SAMPLE.read_text(encoding="utf-8"))
    answer = ask(f"{url}/v1/submissions", key, sample)
    print(
        "\n".join(["", *question_lines(sample), "", *answer_lines(answer, sample), "", *more_lines(url, key, answer)])
    )


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
    return lines


def answer_lines(answer: Json, sample: Json) -> list[str]:
    """The answer, as a person at the desk would want it."""
    unit = answer["unit"]
    lines = [headline(answer)]
    if answer["answer"] and answer["answer"]["same_as"]:
        lines.append(f"The same grind is also sold as {', '.join(answer['answer']['same_as'])}.")
    lines += ["", "  probability   part number   core"]
    for candidate in answer["candidates"][:4]:
        lines.append(
            f"  {percent(candidate['probability']):>11}   {candidate['part_number']:<11}   {candidate['core']}"
        )
    lines.append(f"  {percent(answer['not_in_catalogue_probability']):>11}   not in the catalogue")
    best = answer["candidates"][0] if answer["candidates"] else None
    if best is not None and best.get("evidence"):
        lines += ["", f"Why {best['part_number']} (evidence in bits, for it over the next best):"]
        lines.append(f"  {'reading':<26} {'measured':>9} {'expected':>9} {'apart':>8} {'bits':>6}")
        lines += [evidence_line(item, sample) for item in best["evidence"]]
    for derived in answer["derived"]:
        low, high = derived["interval"]
        name = " ".join(filter(None, [derived["lobe"], words(derived["quantity"])]))
        lines += ["", f"{name}: {derived['value']} {unit} by subtraction; allowing for how a caliper errs, "]
        lines[-1] += f"{derived['corrected']} {unit}, 95 times in 100 between {low} and {high}."
    for slip in answer["suspected_slips"]:
        lines += ["", f"Looks like a slip: {slip['message']}"]
    if answer["next_reading"]:
        lines += ["", f"To be surer: {answer['next_reading']['message']}"]
    for advice in answer["advice"]:
        lines += ["", f"Note: {advice['message']}"]
    lines += ["", "Before it is used:", *(f"  - {caution}" for caution in answer["cautions"])]
    return [wrapped for line in lines for wrapped in wrap(line)]


def headline(answer: Json) -> str:
    """The answer in a sentence."""
    if answer["state"] == "identified":
        named = answer["answer"]
        return f"IDENTIFIED: {named['part_number']}, with probability {percent(named['probability'])}."
    return {
        "ambiguous": "AMBIGUOUS: the readings fit more than one part; a person will look at it.",
        "not_in_catalogue": "NOT IN THE CATALOGUE, most likely; a person will look at it.",
        "more_readings_needed": "MORE READINGS NEEDED before this can be answered.",
    }[answer["state"]]


def evidence_line(item: Json, sample: Json) -> str:
    """One row of the evidence."""
    pointer = item["reading"].removeprefix("/")
    kind, _, place = pointer.partition("/")
    name = name_of(sample["readings"][int(place)]) if kind == "readings" else words(place or pointer)
    shown = [item[column] or "" for column in ("measured", "expected", "difference")]
    return f"  {name:<26} {shown[0]:>9} {shown[1]:>9} {shown[2]:>8} {item['bits']:>6.1f}"


def more_lines(url: str, key: str, answer: Json) -> list[str]:
    """Where to go on from here."""
    case = f"{url}/v1/submissions/{answer['id']}"
    header = f"-H 'Authorization: Bearer {key}'"
    return [
        f"The chart: {case}/chart.svg (with the key below); the documentation: {url}/docs",
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


def percent(probability: float) -> str:
    """A probability as a percentage, never rounded to certainty."""
    if probability >= 0.9995:
        return "over 99.9 %"
    return "under 0.1 %" if probability < 0.0005 else f"{100 * probability:.1f} %"


def wrap(line: str) -> list[str]:
    """A line folded to the width of a terminal; its continuation keeps its indent."""
    indent = " " * (len(line) - len(line.lstrip(" -")))
    return textwrap.wrap(line, 112, subsequent_indent=indent) if line.strip() else [""]


if __name__ == "__main__":
    try:
        sys.exit(main(once="--once" in sys.argv[1:]))
    except LobedeskError as error:
        sys.exit(f"deploy/demo: {error.message}")
