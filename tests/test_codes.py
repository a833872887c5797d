"""The quality codes that the package raises are those that the documents list, at the levels they state."""

from __future__ import annotations

import ast
import re
from pathlib import Path

ROOT = Path(__file__).parents[1]


def documented() -> set[str]:
    page = (ROOT / "docs" / "file-formats.md").read_text(encoding="utf-8")
    of_runs = page.split("### Quality codes")[1].split("\n## ")[0]
    of_soil_tests = (ROOT / "docs" / "pickup.md").read_text(encoding="utf-8")
    codes = set(re.findall(r"^\| `([a-z-]+)` \|", of_runs, re.MULTILINE))
    return codes | (set(re.findall(r"^\| `([a-z0-9-]+)` \|", of_soil_tests, re.MULTILINE)) & raised())


def raised() -> set[str]:
    """Codes given to `Quality` first and to `Refused` last, or taken from a table beside a kind of thing."""
    codes = set()
    for path in (ROOT / "coverage_lab").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.args:
                given = {"Quality": node.args[0], "Refused": node.args[-1]}.get(node.func.id)
                if isinstance(given, ast.Constant):
                    codes.add(given.value)
            if isinstance(node, ast.Constant) and node.value in ("trail-on-obstacle", "trail-off-floor"):
                codes.add(node.value)
    return codes


def test_every_code_is_listed_and_no_other():
    assert raised() == documented()
