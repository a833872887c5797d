"""What the documents say of the program is true."""

from __future__ import annotations

import re
import shlex
import tomllib
from pathlib import Path

import pytest
from small_night import Lab

from coverage_lab.cli.app import app
from coverage_lab.errors import ExitCode

ROOT = Path(__file__).parents[1]
PAGES = sorted([ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").glob("*.md")])
COMMANDS = [command.callback.__name__ for command in app.registered_commands if command.callback]
COMMANDS_OF_GROUPS = [
    f"{group.typer_instance.info.name} {command.name or command.callback.__name__}"
    for group in app.registered_groups
    if group.typer_instance
    for command in group.typer_instance.registered_commands
    if command.callback
]


def text(path: Path) -> str:
    return path.read_text(encoding="utf-8")


def readme_commands() -> list[list[list[str]]]:
    """The README's shell blocks, each as its commands, each as its words."""
    blocks = re.findall(r"^```bash\n(.*?)^```$", text(ROOT / "README.md"), re.MULTILINE | re.DOTALL)
    return [[shlex.split(command) for command in block.split("&&")] for block in blocks]


def test_readme_has_two_commands_that_set_everything_up():
    run, check = readme_commands()
    assert (ROOT / check[0][0]).stat().st_mode & 0o111
    check = check[1:]
    assert run[0] == check[0] == ["python3", "-m", "venv", ".venv"]
    assert run[1][:2] == check[1][:2] == [".venv/bin/pip", "install"]
    assert check[-1][:3] == [".venv/bin/python", "-m", "pytest"]
    project = tomllib.loads(text(ROOT / "pyproject.toml"))["project"]
    extra = re.search(r"\[(\w+)\]", check[1][-1])
    assert extra
    assert extra[1] in project["optional-dependencies"]


def test_readme_measures_what_is_there(lab: Lab):
    program, *words = readme_commands()[0][-1]
    assert program == ".venv/bin/coverage-lab"
    assert program.rpartition("/")[2] in tomllib.loads(text(ROOT / "pyproject.toml"))["project"]["scripts"]
    command, *paths = words
    assert command in COMMANDS
    for path in paths:
        # On a copy, so that a test leaves no results among the samples.
        assert (ROOT / path).is_dir()
        assert lab.run(command, "--workers", "1", lab.season).code == ExitCode.DONE


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_linked_and_named_files_exist(page: Path):
    for target in re.findall(r"\]\((?!https?:)([^)#]+)", text(page)):
        assert (page.parent / target).exists(), target
    for name in re.findall(r"`((?:docs|tests|coverage_lab|sample_frames|\.ci)/[\w./-]*)`", text(page)):
        assert (ROOT / name).exists() or "results" in name, name
    for name in re.findall(r"`((?:trails|measures|show|files|camera|room|season)/\w+\.\w+)`", text(page)):
        assert (ROOT / "coverage_lab" / name).exists(), name


def test_every_page_is_in_the_index():
    index = text(ROOT / "docs" / "README.md")
    for page in (ROOT / "docs").glob("*.md"):
        assert page.name == "README.md" or f"({page.name})" in index


def test_exit_codes_are_documented():
    rows = re.findall(r"^\| (\d+) \| `(\w+)` \|", text(ROOT / "docs" / "commands.md"), re.MULTILINE)
    assert {name: int(code) for code, name in rows} == {code.name: int(code) for code in ExitCode}


@pytest.mark.parametrize("command", COMMANDS + COMMANDS_OF_GROUPS)
def test_commands_are_documented(command: str):
    assert f"`coverage-lab {command} " in text(ROOT / "docs" / "commands.md")


def test_every_contribution_is_explained(done: Lab):
    budget = re.findall(
        r"^\| (`.*?) \| .* \| (run|night|robot|room) \|$", text(ROOT / "docs" / "method.md"), re.MULTILINE
    )
    explained = {name: shared_by for names, shared_by in budget for name in re.findall(r"`([^`]+)`", names)}
    contributions = done.measures()["coverage"]["contributions"]
    assert {name: part["shared_by"] for name, part in contributions.items()} == explained


def test_pictures_are_small():
    assert sum(path.stat().st_size for path in (ROOT / "docs" / "pictures").iterdir()) < 4_000_000


def test_every_part_of_the_package_is_explained():
    table = text(ROOT / "DEVELOPERS.md")
    for part in (ROOT / "coverage_lab").iterdir():
        if part.is_dir() and part.name != "__pycache__":
            assert f"`{part.name}/`" in table


def test_no_folder_is_empty_and_every_package_says_what_it_is_for():
    for folder in (ROOT / "coverage_lab").iterdir():
        if folder.is_dir() and folder.name != "__pycache__":
            assert len(list(folder.glob("*.py"))) > 1, folder
            assert text(folder / "__init__.py").startswith('"""'), folder
