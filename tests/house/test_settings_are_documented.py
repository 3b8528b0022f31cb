from __future__ import annotations

import re
from pathlib import Path

from service.settings import SettingDoc, documented

CHECKOUT = Path(__file__).parent.parent.parent


def table_row(setting: SettingDoc) -> str:
    variable = f"`{setting.variable}`" + (f", `{setting.variable}_FILE`" if setting.secret else "")
    return f"| {variable} | {f'`{setting.default}`' if setting.default else ''} | {setting.meaning} |"


def test_the_readme_says_of_every_setting_what_the_code_says() -> None:
    readme = (CHECKOUT / "README.md").read_text(encoding="utf-8")
    found = re.search(r"<!-- settings -->\n(.*?)<!-- /settings -->", readme, re.DOTALL)
    assert found, "README.md has no settings between its markers"
    expected = ["| variable | unset | sets |", "|---|---|---|", *(table_row(setting) for setting in documented())]
    assert found[1].strip().splitlines() == expected


def test_the_example_environment_offers_every_setting_at_its_default() -> None:
    lines = (CHECKOUT / "deploy" / ".env.example").read_text(encoding="utf-8").splitlines()
    offered = [line for line in lines if line.startswith("#LOBEDESK_")]
    assert offered == [f"#{setting.variable}={setting.default}" for setting in documented()]
    for setting in documented():
        before = lines[lines.index(f"#{setting.variable}={setting.default}") - 1]
        assert before == f"# {setting.meaning}"


def test_the_example_environment_sets_nothing_by_itself() -> None:
    lines = (CHECKOUT / "deploy" / ".env.example").read_text(encoding="utf-8").splitlines()
    assert [line for line in lines if line and not line.startswith("#")] == []
