"""What lies under `deploy/` speaks of the service as it is: its settings, commands, routes, metrics and tests."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml

from service.adapters.metrics import Metrics
from service.cli import main
from service.domain.identification import AnswerState
from service.settings import documented
from service.workflows.backlog import Backlog

TOP = Path(__file__).parents[2]
DEPLOY = TOP / "deploy"
CONTAINER, COMPOSE = DEPLOY / "container" / "Containerfile", DEPLOY / "container" / "compose.yaml"
MANIFESTS = sorted((DEPLOY / "kubernetes").glob("*.yaml"))
UNITS = sorted((DEPLOY / "systemd").glob("*.service"))
NOT_ROOT = 10001


def objects() -> Iterator[dict[str, Any]]:
    for path in MANIFESTS:
        yield from yaml.safe_load_all(path.read_text(encoding="utf-8"))


def containers() -> list[tuple[dict[str, Any], dict[str, Any]]]:
    """(pod, container) of everything that runs one."""
    pods = [one["spec"]["template"]["spec"] for one in objects() if "template" in one.get("spec", {})]
    return [(pod, container) for pod in pods for container in pod["containers"]]


@pytest.mark.parametrize("path", [CONTAINER, COMPOSE, *MANIFESTS, *UNITS], ids=lambda path: str(path.name))
def test_every_setting_that_is_named_is_one(path: Path) -> None:
    named = set(re.findall(r"\bLOBEDESK_[A-Z_]+\b", path.read_text(encoding="utf-8")))
    assert named
    assert {name.removesuffix("_FILE") for name in named} <= {doc.variable for doc in documented()}


def test_every_command_that_is_run_is_one() -> None:
    run = [container["args"] for _, container in containers()]
    services = yaml.safe_load(COMPOSE.read_text(encoding="utf-8"))["services"]
    run += [services[name]["command"] for name in ("migrate", "web", "worker")]
    for unit in UNITS:
        run += [line.split() for line in re.findall(r"/bin/lobedesk (.+?)['\n]", unit.read_text(encoding="utf-8"))]
    assert len(run) >= 8
    for name, *options in run:
        command = main.commands[name]
        known = {option for parameter in command.params for option in parameter.opts}
        assert {option for option in options if option.startswith("--")} <= known


def test_every_probe_asks_a_route_that_there_is() -> None:
    paths = json.loads((TOP / "openapi" / "openapi.json").read_text(encoding="utf-8"))["paths"]
    asked = {
        container[probe]["httpGet"]["path"]
        for _, container in containers()
        for probe in ("startupProbe", "livenessProbe", "readinessProbe")
        if probe in container
    }
    assert asked == {"/healthz", "/readyz"}
    assert asked <= set(paths)
    assert "/healthz" in CONTAINER.read_text(encoding="utf-8")


def test_nothing_runs_as_root_or_writes_to_its_image() -> None:
    assert containers()
    for pod, container in containers():
        assert pod["securityContext"]["runAsUser"] == NOT_ROOT
        assert pod["securityContext"]["runAsNonRoot"]
        assert container["securityContext"]["readOnlyRootFilesystem"]
        assert container["securityContext"]["capabilities"] == {"drop": ["ALL"]}
    assert f"USER {NOT_ROOT}" in CONTAINER.read_text(encoding="utf-8")
    services = yaml.safe_load(COMPOSE.read_text(encoding="utf-8"))["services"]
    assert all(services[name]["read_only"] for name in ("migrate", "web", "worker"))
    # the image's entrypoint needs capabilities to become somebody else
    assert services["redis"]["cap_drop"] == ["ALL"]
    assert services["redis"]["user"] == "valkey"


def test_no_secret_of_the_compose_file_comes_under_version_control() -> None:
    secrets = yaml.safe_load(COMPOSE.read_text(encoding="utf-8"))["secrets"]
    ignored = (TOP / ".gitignore").read_text(encoding="utf-8").splitlines()
    assert {f"/deploy/container/{secret['file']}" for secret in secrets.values()} <= set(ignored)


def test_every_metric_that_is_watched_is_served() -> None:
    metrics = Metrics()
    metrics.answered(AnswerState.IDENTIFIED, from_cache=True, seconds=0.0)
    metrics.request("GET", "/healthz", 200, 0.0)
    served = set(re.findall(r"^(lobedesk_\w+?)(?:\{| )", metrics.render(Backlog((), (), 1)).decode(), re.MULTILINE))
    watched = set()
    for path in (DEPLOY / "monitoring").iterdir():
        watched |= set(re.findall(r"\blobedesk_\w+", path.read_text(encoding="utf-8")))
    assert len(watched) > 8
    assert watched <= served


def test_the_alert_rules_each_say_what_is_wrong_and_how_bad() -> None:
    (group,) = yaml.safe_load((DEPLOY / "monitoring" / "alerts.yaml").read_text(encoding="utf-8"))["groups"]
    for rule in group["rules"]:
        assert rule["labels"]["severity"] in ("page", "ticket")
        assert rule["annotations"]["summary"]


@pytest.mark.parametrize("page", ["security.md", "running.md"])
def test_every_test_and_file_that_a_page_rests_on_is_there(page: str) -> None:
    text = (DEPLOY / page).read_text(encoding="utf-8")
    written = {
        name
        for path in (TOP / "tests").rglob("test_*.py")
        for name in re.findall(r"^def (test_\w+)", path.read_text(encoding="utf-8"), re.MULTILINE)
    }
    assert set(re.findall(r"`(test_\w+)`", text)) <= written
    for link in re.findall(r"\]\(([\w/.]+)\)", text):
        assert (DEPLOY / link).exists(), link
    for path in re.findall(r"`((?:tests|deploy|service)/[\w/.]+)`", text):
        assert (TOP / path).exists(), path


def test_each_of_the_ten_risks_is_answered_with_a_test() -> None:
    rows = re.findall(r"^\| (API\d+) .*`test_", (DEPLOY / "security.md").read_text(encoding="utf-8"), re.MULTILINE)
    assert rows == [f"API{n}" for n in range(1, 11)]
